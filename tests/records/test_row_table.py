"""Rows kept close together: what goes in comes out, in any order, and what is not there is not."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.volumes import Evidence
from rollproof.records.row_table import RowTable
from rollproof.records.rows import ROW_STATES, FileRow

_TEXT = st.text("0123456789abcdefghXYZ", min_size=1, max_size=90)
_HASHES = st.dictionaries(st.sampled_from(["xxh128", "md5", "c4", "later"]), _TEXT, max_size=4)
_ROWS = st.builds(
    FileRow,
    path=st.binary(min_size=1, max_size=12),
    size=st.integers(0, (1 << 63) - 1),
    modified_ns=st.integers(-(1 << 70), 1 << 70),
    hashes=_HASHES,
    proven=st.booleans(),
    state=st.sampled_from([None, *sorted(ROW_STATES)]),
    evidence=st.sampled_from([None, *Evidence]),
)


@given(st.lists(_ROWS, max_size=30))
def test_a_table_is_the_dictionary_of_the_same_rows_in_byte_order_and_the_last_of_equal_paths_stands(
    rows: list[FileRow],
) -> None:
    table = RowTable(rows)
    known = {row.path: row for row in rows}
    assert dict(table) == known
    assert list(table) == sorted(known)
    assert len(table) == len(known)
    assert [table[path] for path in sorted(known, reverse=True)] == [
        known[path] for path in sorted(known, reverse=True)
    ]
    for row in rows:
        assert row.path in table
        assert list(table[row.path].hashes) == list(known[row.path].hashes)


@given(st.lists(_ROWS, max_size=10), st.binary(max_size=12))
def test_what_is_not_in_it_is_not_found(rows: list[FileRow], path: bytes) -> None:
    table = RowTable(row for row in rows if row.path != path)
    assert path not in table
    assert table.get(path) is None
