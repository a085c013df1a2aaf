"""What content without a name in a listing means, as a table."""

from __future__ import annotations

import pytest

from rollproof.proof.streams import STREAM_BYTES, NamelessPart, Sight, can_have, keeps, sight


@pytest.mark.parametrize(
    ("size", "media", "kept"),
    [
        (0, False, False),
        (26, False, False),
        (STREAM_BYTES - 1, False, False),
        (STREAM_BYTES, False, True),
        (STREAM_BYTES << 10, False, True),
        (None, False, True),
        (26, True, True),
        (0, True, True),
        (None, True, True),
    ],
)
def test_what_keeps_a_card(size: int | None, media: bool, kept: bool) -> None:
    assert keeps(NamelessPart("CLIPS/A003C001.mov", "other", size, media)) is kept


@pytest.mark.parametrize(
    ("file_system", "system", "shown", "said"),
    [
        ("vfat", "linux", True, Sight.NONE),
        ("exfat", "linux", False, Sight.NONE),
        ("fuse.exfat", "linux", False, Sight.NONE),
        ("exfat", "windows", False, Sight.NONE),
        ("ext4", "linux", True, Sight.LOOKED_FOR),
        ("tmpfs", "linux", False, Sight.NONE),
        ("fuse.ntfs", "linux", True, Sight.LOOKED_FOR),
        ("fuse.ntfs", "linux", False, Sight.NOT_SHOWN),
        ("ntfs3", "linux", True, Sight.NOT_SHOWN),
        ("ntfs", "windows", True, Sight.LOOKED_FOR),
        ("hfsplus", "linux", True, Sight.NOT_SHOWN),
        ("apfs", "macos", True, Sight.LOOKED_FOR),
        ("apfs", "macos", False, Sight.NOT_SHOWN),
    ],
)
def test_what_can_be_said_on_a_mount(file_system: str, system: str, shown: bool, said: Sight) -> None:
    assert sight(file_system, system, shown=shown) is said
    assert can_have(file_system) is (said is not Sight.NONE or file_system == "tmpfs")


def test_the_name_of_a_part() -> None:
    assert NamelessPart("CLIPS/A003C001.mov", "other", 1).whole == "CLIPS/A003C001.mov:other"
    assert NamelessPart("", "other", 1).whole == ".:other"
