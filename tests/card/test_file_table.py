"""Files kept close together: a table is the list it was made of, whatever the sizes and times."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.file_table import FilesByPath, FileTable, find_file, paths_of, size_of, sizes_of
from rollproof.models.tree import FileEntry

_FILES = st.builds(
    FileEntry, path=st.binary(min_size=1, max_size=8), size=st.integers(0, 1 << 70), modified_ns=st.integers()
)
_LISTS = st.lists(_FILES, max_size=40, unique_by=lambda entry: entry.path)


@given(_LISTS)
def test_a_table_is_the_list_it_was_made_of(files: list[FileEntry]) -> None:
    table = FileTable(files)
    assert list(table) == files
    assert table == files
    assert tuple(files) == table
    assert table[:3] == tuple(files[:3])
    assert [table[place - len(files)] for place in range(len(files))] == files
    assert table != [*files, FileEntry(b"one more", 1, 1)]
    with pytest.raises(IndexError):
        table[len(files)]


@given(_LISTS, st.binary(max_size=8))
def test_every_file_is_found_by_its_path_in_byte_order_and_nothing_else(files: list[FileEntry], other: bytes) -> None:
    table = FileTable(files).in_byte_order()
    in_order = sorted(files, key=lambda entry: entry.path)
    assert list(table) == in_order
    # in order, backwards, and each twice: where it looks first must make no difference
    for number in [*range(len(files)), *reversed(range(len(files))), *(n for n in range(len(files)) for _ in "ab")]:
        assert table.find(in_order[number].path) == number
        assert find_file(in_order, in_order[number].path) == number
    known = {entry.path: entry for entry in files}
    assert dict(FilesByPath(table)) == known
    assert FilesByPath(table).get(other) == known.get(other)
    assert (other in FilesByPath(in_order)) is (other in known)


@given(_LISTS, st.data())
def test_the_bytes_of_some_files_are_the_same_from_a_table_and_from_a_list(
    files: list[FileEntry], data: st.DataObject
) -> None:
    some = data.draw(st.lists(st.sampled_from(range(len(files))))) if files else []
    sizes = [files[number].size for number in some]
    assert list(sizes_of(FileTable(files), some)) == list(sizes_of(files, some)) == sizes
    assert size_of(FileTable(files), some) == sum(sizes)


def test_a_table_that_is_not_in_byte_order_is_not_looked_up() -> None:
    table = FileTable([FileEntry(b"b", 1, 1), FileEntry(b"a", 1, 1)])
    with pytest.raises(ValueError, match="byte order"):
        table.find(b"a")
    assert table.in_byte_order().find(b"a") == 0


def test_a_table_of_thousands_is_gone_through_as_a_list_is_whatever_the_length_of_its_paths() -> None:
    files = [FileEntry(b"%07d" % number + b"x" * (number % 37), number, -number) for number in range(3_073)]
    for many in (0, 1, 1023, 1024, 1025, 2048, 3_073):
        table = FileTable(files[:many])
        assert list(table) == files[:many]
        assert all(type(entry) is FileEntry for entry in table)
        assert list(paths_of(table)) == list(paths_of(files[:many])) == [entry.path for entry in files[:many]]
