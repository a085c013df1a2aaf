"""Which reads reach a medium, and what file systems hold: the lists, and that nothing else is on them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.drives.limits import limits_for
from rollproof.drives.ways import way_for, way_in_words
from rollproof.models.volumes import Device, MediumWay

DISK = Device(key="disk:x", kind="disk")
LOOP = Device(key="image:x", kind="loop")


@pytest.mark.parametrize("name", ["ext4", "xfs", "exfat", "vfat", "ntfs3", "EXT4"])
@pytest.mark.parametrize("device", [DISK, LOOP])
def test_direct_reads_count_on_the_file_systems_known_for_it(name: str, device: Device) -> None:
    assert way_for(name, {"rw"}, device) is MediumWay.DIRECT


def test_a_data_journal_answers_direct_reads_from_the_cache() -> None:
    assert way_for("ext4", {"rw", "data=journal"}, DISK) is MediumWay.NONE
    assert way_for("ext4", {"rw", "data=ordered"}, DISK) is MediumWay.DIRECT


@given(st.text(max_size=12))
def test_nothing_unknown_ever_counts(name: str) -> None:
    known = {"ext4", "xfs", "exfat", "vfat", "ntfs3", "btrfs", "fuse.exfat", "fuse.ntfs"}
    known |= {"nfs", "nfs3", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "ceph", "lustre"}
    if name.lower() not in known:
        assert way_for(name, set(), DISK) is MediumWay.NONE


@pytest.mark.parametrize(
    "name", ["fuse", "fuseblk", "fuse.ext4", "zfs", "overlay", "tmpfs", "squashfs", "ext3", "f2fs", "9p", "fuse.sshfs"]
)
def test_file_systems_with_a_cache_of_their_own_do_not_count(name: str) -> None:
    assert way_for(name, set(), DISK) is MediumWay.NONE


@pytest.mark.parametrize("name", ["nfs", "nfs4", "cifs", "smb3"])
def test_a_network_volume_reaches_the_server(name: str) -> None:
    assert way_for(name, set(), Device(key=None, kind="network")) is MediumWay.SERVER


def test_each_system_has_its_own_list() -> None:
    assert way_for("apfs", set(), DISK, "macos") is MediumWay.MACOS_INVALIDATED
    assert way_for("ntfs", set(), DISK, "windows") is MediumWay.WINDOWS_UNBUFFERED
    assert way_for("ntfs", set(), DISK, "macos") is MediumWay.NONE
    assert way_for("vfat", set(), DISK, "windows") is MediumWay.NONE
    assert way_for("apfs", set(), DISK, "linux") is MediumWay.NONE


@pytest.mark.parametrize("way", list(MediumWay))
def test_every_way_has_plain_words(way: MediumWay) -> None:
    assert way_in_words(way).startswith("a read-back")


def test_fat32_ends_below_four_gibibytes_and_exfat_does_not() -> None:
    assert limits_for("vfat").max_file_bytes == 4 * 1024**3 - 1
    assert limits_for("exfat").max_file_bytes is None


def test_exfat_through_fuse_keeps_trailing_dots_and_rounds_times() -> None:
    fuse, kernel = limits_for("fuse.exfat"), limits_for("exfat")
    assert (fuse.trailing_dot_or_space, kernel.trailing_dot_or_space) == (True, False)
    assert limits_for("exfat", options={"keep_last_dots"}).trailing_dot_or_space is True
    assert (fuse.timestamp_ns, kernel.timestamp_ns) == (2_000_000_000, 10_000_000)
    assert fuse.forbidden == kernel.forbidden == frozenset('"*/:<>?\\|')


def test_names_ntfs_holds_on_linux_are_refused_on_windows() -> None:
    here, there = limits_for("ntfs3"), limits_for("ntfs", system="windows")
    assert (here.forbidden, here.reserved_names, here.folds_case) == (frozenset(), frozenset(), False)
    assert "CON" in there.reserved_names
    assert there.folds_case
    assert not there.trailing_dot_or_space
    assert "CON" in limits_for("ntfs3", options={"windows_names"}).reserved_names


def test_apple_file_systems_fold_unicode_and_case_unless_made_otherwise() -> None:
    assert limits_for("apfs", system="macos").folds_unicode
    assert limits_for("apfs", system="macos").folds_case
    assert not limits_for("apfs", system="macos", case_sensitive=True).folds_case


def test_the_allocation_unit_is_the_volumes_own_where_it_makes_sense() -> None:
    assert limits_for("exfat", allocation_bytes=131072).allocation_bytes == 131072
    assert limits_for("exfat", allocation_bytes=0).allocation_bytes == 4096
    assert limits_for("exfat", allocation_bytes=1 << 40).allocation_bytes == 4096
