"""A recorded file that is gone and one that no record names: a table of cases."""

from __future__ import annotations

import pytest

from rollproof.proof.renamed import FileFacts, NewName, new_names

GONE = FileFacts(b"CLIP/a.mov", 9, 5, {"xxh128": "aa"})
UNDATED = FileFacts(b"CLIP/a.mov", 9, None, {"xxh128": "aa"})
READ, PROBABLY = True, False


@pytest.mark.parametrize(
    ("gone", "found", "name"),
    [
        (GONE, [FileFacts(b"x.mov", 9, 1, {"xxh128": "aa"})], (b"x.mov", READ)),
        (GONE, [FileFacts(b"x.mov", 9, 5)], (b"x.mov", PROBABLY)),
        (GONE, [FileFacts(b"x.mov", 9, 5, {"md5": "11"})], (b"x.mov", PROBABLY)),
        # a hash that was read and differs: another content, whatever size and date say
        (GONE, [FileFacts(b"x.mov", 9, 5, {"xxh128": "bb"})], None),
        (GONE, [FileFacts(b"x.mov", 9, 6)], None),
        (GONE, [FileFacts(b"x.mov", 8, 5)], None),
        (UNDATED, [FileFacts(b"x.mov", 9, None)], None),
        # the content decides before size and date
        (GONE, [FileFacts(b"x.mov", 9, 5), FileFacts(b"y.mov", 9, 1, {"xxh128": "aa"})], (b"y.mov", READ)),
        # several fit: none is named, unless one alone kept its last name
        (GONE, [FileFacts(b"x.mov", 9, 5), FileFacts(b"y.mov", 9, 5)], None),
        (GONE, [FileFacts(b"x.mov", 9, 5), FileFacts(b"B/a.mov", 9, 5)], (b"B/a.mov", PROBABLY)),
        (FileFacts(b"e", 0, 5, {"md5": "00"}), [FileFacts(b"f", 0, 5, {"md5": "00"})], None),
        (GONE, [], None),
    ],
)
def test_a_new_name_is_told_by_content_and_only_perhaps_by_size_and_date(
    gone: FileFacts, found: list[FileFacts], name: tuple[bytes, bool] | None
) -> None:
    assert new_names([gone], found) == ({gone.path: NewName(*name)} if name is not None else {})


def test_one_file_is_the_new_name_of_one_file_only() -> None:
    two = [FileFacts(b"a.mov", 9, 5), FileFacts(b"b.mov", 9, 5)]
    assert new_names(two, [FileFacts(b"x.mov", 9, 5)]) == {}
