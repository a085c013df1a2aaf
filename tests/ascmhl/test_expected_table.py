"""The packed expectations of a history behave like a dictionary, whatever comes in whatever order."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.ascmhl.expected_table import ExpectedTable
from rollproof.ascmhl.model import Action, Expected

_PATHS = st.sampled_from([b"", b"a", b"a/b", b"a/c", b"b", b"c/\xff", b"d"])
_EXPECTED = st.builds(
    Expected,
    st.none() | st.integers(0, 1 << 70),
    st.none() | st.integers(-(1 << 70), 1 << 70),
    st.sampled_from([(("md5", Action.ORIGINAL),), (("md5", Action.ORIGINAL), ("xxh128", Action.VERIFIED))]),
    st.binary(max_size=32),
)


@given(st.lists(st.tuples(_PATHS, st.none() | _EXPECTED), max_size=30))
def test_it_holds_what_a_dictionary_would_hold(steps: list[tuple[bytes, Expected | None]]) -> None:
    table, model = ExpectedTable(), dict[bytes, Expected]()
    for path, expected in steps:
        assert table.get(path) == model.get(path)
        if expected is None:
            assert table.take_out(path) == model.pop(path, None)
        else:
            table.put(path, expected)
            model[path] = expected
        assert dict(table) == model
        assert dict(table.items()) == model
        assert len(table) == len(model)
        assert (path in table) == (path in model)


@pytest.mark.slow
def test_a_hundred_thousand_files_of_a_first_manifest_take_less_than_a_hundred_bytes_each_beside_their_paths() -> None:
    shape = (("xxh128", Action.ORIGINAL),)
    tracemalloc.start()
    try:
        table = ExpectedTable()
        for number in range(100_000):
            table.put(b"frames/A003C001.%06d.dng" % number, Expected(number, number, shape, bytes(16)))
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 100_000 * (100 + 27)
