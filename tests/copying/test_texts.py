"""Many hashes in little memory."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.texts import TextTable


@given(st.dictionaries(st.integers(0, 49), st.text("0123456789abcdef", min_size=32, max_size=32)))
def test_every_text_comes_back_under_its_number_and_under_no_other(texts: dict[int, str]) -> None:
    table = TextTable(50)
    for number, text in texts.items():
        table.set(number, text)
    assert [table.get(number) for number in range(50)] == [texts.get(number) for number in range(50)]


def test_a_text_of_another_length_is_refused() -> None:
    table = TextTable(2)
    table.set(0, "00ff")
    with pytest.raises(ValueError, match="2 letters among texts of 4"):
        table.set(1, "ff")


def test_the_hashes_of_200000_files_take_less_than_10_megabytes() -> None:
    tracemalloc.start()
    try:
        table = TextTable(200_000)
        for number in range(0, 200_000, 1000):
            table.set(number, f"{number:032x}")
        assert tracemalloc.get_traced_memory()[1] < 10_000_000
        assert table.get(199_000) == f"{199_000:032x}"
    finally:
        tracemalloc.stop()
