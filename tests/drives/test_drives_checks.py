"""What the preflight says of names, room, folders and devices."""

from __future__ import annotations

import dataclasses
import os
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.drives import checks
from rollproof.drives.limits import limits_for
from rollproof.drives.name_checks import drive_key, name_problem
from rollproof.drives.space import readable
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import collision_key
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import Device, Limits, MediumWay, Volume

EXFAT = limits_for("fuse.exfat")
APFS = limits_for("apfs", system="macos")
EXT4 = limits_for("ext4")


def tree(*paths: str | bytes, size: int = 1, folders: tuple[bytes, ...] = ()) -> Snapshot:
    names = sorted(path.encode() if isinstance(path, str) else path for path in paths)
    return Snapshot(tuple(FileEntry(name, size, 0) for name in names), folders, (), (), "")


def kinds(findings: list[Finding]) -> list[tuple[Kind, Severity, int]]:
    return [(finding.kind, finding.severity, finding.count) for finding in findings]


# --- names


@given(st.binary(max_size=6) | st.text("aAbB.éÉßŉ", max_size=6).map(str.encode))
def test_names_of_plain_letters_are_told_apart_by_the_same_rule_as_all_others(name: bytes) -> None:
    """Plain ones take a short way: behind a letter that is none, the same name takes the long one."""
    other = "ǅ".encode()
    for limits in (EXT4, EXFAT, APFS):
        assert drive_key(name + other, limits) == drive_key(name, limits) + drive_key(other, limits)
    assert collision_key(name + other) == collision_key(name) + collision_key(other)


def test_names_that_collide_are_told_in_the_order_of_their_paths() -> None:
    (finding,) = checks.name_findings(tree("A", "A/A", "A/a", "a"), EXFAT, "shuttle")
    assert finding.path == "A"
    assert "A, a, A/A, A/a" in finding.detail


def test_an_ordinary_card_raises_nothing_anywhere() -> None:
    card = tree("DCIM/A003C001.MOV", "DCIM/A003C001.XML", "._note", "folder with space/é.wav", folders=(b"DCIM",))
    for limits in (EXFAT, APFS, EXT4, limits_for("vfat"), limits_for("ntfs", system="windows")):
        assert checks.name_findings(card, limits, "primary") == []


@pytest.mark.parametrize(
    ("name", "limits"),
    [
        (b"take:1.mov", EXFAT),
        (b"take\\1.mov", EXFAT),
        (b"tab\t.mov", EXFAT),
        (b"latin\xe9.mov", EXFAT),
        (b"latin\xe9.mov", limits_for("ntfs3")),
        (b"\xed\xa0\xbd.mov", EXFAT),  # half a surrogate pair: a FUSE driver was seen to crash on listing it
        (b"x" * 256, EXFAT),
        ("😀".encode() * 128, EXFAT),
        ("é".encode() * 128, EXT4),
        ("é".encode() * 128, limits_for("hfs+")),  # decomposed, each letter is two units
        (b"ends with dot.", limits_for("vfat")),
        (b"ends with blank ", limits_for("ntfs", system="windows")),
        (b"con.mov", limits_for("ntfs", system="windows")),
        (b"LPT1", limits_for("ntfs", system="windows")),
    ],
)
def test_a_name_the_drive_cannot_hold_is_an_error(name: bytes, limits: Limits) -> None:
    (finding,) = checks.name_findings(tree(name, b"fine.mov"), limits, "shuttle")
    assert (finding.kind, finding.severity, finding.count) == (Kind.NAME_NOT_HELD, Severity.ERROR, 1)
    assert "shuttle" in finding.detail
    assert finding.remedy


@pytest.mark.parametrize(
    ("name", "limits"),
    [
        (b"x" * 255, EXFAT),
        ("é".encode() * 255, EXFAT),
        ("😀".encode() * 127, EXFAT),
        (b"\xff\xfe", EXT4),
        (b"a:b*c?", EXT4),
        (b"CONTACT.mov", limits_for("ntfs", system="windows")),
        (b"ends with dot.", EXFAT),
    ],
)
def test_a_name_at_the_limit_is_held(name: bytes, limits: Limits) -> None:
    assert name_problem(name, limits) is None


def test_equal_problems_are_one_finding_with_a_handful_of_examples() -> None:
    (finding,) = checks.name_findings(tree(*(f"take:{n:03}.mov" for n in range(500))), EXFAT, "shuttle")
    assert finding.count == 500
    assert finding.path == "take:000.mov"
    assert "and 496 more" in finding.detail
    assert len(finding.detail) < 300


def test_a_folder_is_judged_once_and_not_for_each_file_in_it() -> None:
    card = tree("day:1/a.mov", "day:1/b.mov", "day:1/sub/c.mov", folders=(b"day:1", b"day:1/sub"))
    assert kinds(checks.name_findings(card, EXFAT, "shuttle")) == [(Kind.NAME_NOT_HELD, Severity.ERROR, 1)]


def test_a_bad_folder_is_seen_even_when_only_its_files_are_listed() -> None:
    assert kinds(checks.name_findings(tree("day:1/a.mov"), EXFAT, "x")) == [(Kind.NAME_NOT_HELD, Severity.ERROR, 1)]


def test_names_in_a_message_are_inert() -> None:
    (finding,) = checks.name_findings(tree(b"\x1b[2J:.mov"), limits_for("ntfs", options={"windows_names"}), "x")
    assert "\x1b" not in finding.detail + finding.path


NFC = unicodedata.normalize("NFC", "café.mov")
NFD = unicodedata.normalize("NFD", "café.mov")


def test_names_that_differ_by_case_only_become_one_on_exfat() -> None:
    card = tree("Clip.MOV", "CLIP.mov", "sub/Clip.MOV", "É.wav", "é.wav")
    assert kinds(checks.name_findings(card, EXFAT, "x")) == [(Kind.NAMES_COLLIDE, Severity.ERROR, 4)]
    assert checks.name_findings(card, EXT4, "x") == []


def test_twins_in_unicode_form_collide_on_apfs_and_are_a_warning_on_exfat() -> None:
    assert kinds(checks.name_findings(tree(NFC, NFD), APFS, "x")) == [(Kind.NAMES_COLLIDE, Severity.ERROR, 2)]
    assert kinds(checks.name_findings(tree(NFC, NFD), EXFAT, "x")) == [(Kind.NAMES_COLLIDE, Severity.WARNING, 2)]


def test_equal_names_in_different_folders_do_not_collide() -> None:
    assert checks.name_findings(tree("a/Clip.mov", "b/clip.mov"), EXFAT, "x") == []


def test_a_file_and_a_folder_can_collide() -> None:
    card = tree("Audio", "audio/1.wav", folders=(b"audio",))
    assert kinds(checks.name_findings(card, EXFAT, "x")) == [(Kind.NAMES_COLLIDE, Severity.ERROR, 2)]


@given(st.text(min_size=1, max_size=8).filter(lambda text: text.isprintable() and "/" not in text))
def test_a_name_and_its_upper_case_are_one_name_to_exfat(text: str) -> None:
    upper = "".join(letter.upper() if len(letter.upper()) == 1 else letter for letter in text)
    assert drive_key(text.encode(), EXFAT) == drive_key(upper.encode(), EXFAT)


@given(st.binary(min_size=1, max_size=300))
def test_any_bytes_can_be_judged(name: bytes) -> None:
    for limits in (EXFAT, APFS, EXT4, limits_for("ntfs", system="windows")):
        name_problem(name, limits)
        drive_key(name, limits)


@pytest.mark.parametrize("name", ["rollproof", "ascmhl", "ASCMHL", "RollProof"])
def test_a_name_of_ours_at_the_top_is_an_error_where_the_drive_takes_it_for_ours(name: str) -> None:
    card = tree(f"{name}/x", "deeper/ascmhl/x")
    assert kinds(checks.name_findings(card, EXFAT, "x")) == [(Kind.NAMES_COLLIDE, Severity.ERROR, 1)]
    assert bool(checks.name_findings(card, EXT4, "x")) is name.islower()


def test_a_source_with_unfinished_files_is_an_error() -> None:
    card = tree("NOT-FINISHED.rollproof-partial", "a/b.mov.rollproof-partial", "c.mov")
    assert kinds(checks.name_findings(card, EXT4, "x")) == [(Kind.NAMES_COLLIDE, Severity.ERROR, 2)]


def test_a_file_of_four_gibibytes_does_not_fit_on_fat32() -> None:
    limits = limits_for("vfat")
    assert kinds(checks.name_findings(tree("a.mov", size=1 << 32), limits, "x")) == [
        (Kind.FILE_TOO_LARGE, Severity.ERROR, 1)
    ]
    assert checks.name_findings(tree("a.mov", size=(1 << 32) - 1), limits, "x") == []


# --- room


@given(st.lists(st.integers(0, 1 << 40), max_size=30), st.integers(0, 50), st.sampled_from([512, 4096, 131072]))
def test_the_estimate_covers_every_file_in_whole_units(sizes: list[int], folders: int, unit: int) -> None:
    limits = dataclasses.replace(EXFAT, allocation_bytes=unit)
    needed = checks.bytes_needed(sizes, folders, limits, ["xxh128"])
    assert needed > sum(-(-size // unit) * unit for size in sizes)
    assert needed > checks.bytes_needed(sizes[1:], folders, limits, ["xxh128"]) or not sizes
    assert checks.bytes_needed(sizes, folders, limits, ["xxh128", "md5", "c4"]) >= needed


def test_many_small_files_need_far_more_than_their_bytes() -> None:
    limits = dataclasses.replace(EXFAT, allocation_bytes=131072)
    assert checks.bytes_needed([100] * 1000, 10, limits, ["xxh128"]) > 1000 * 131072


def test_the_margin_of_a_large_card_is_small() -> None:
    data = [4_000_000_000] * 250
    assert checks.bytes_needed(data, 5, EXT4, ["xxh128"]) < sum(data) * 1.002


def test_too_little_room_says_how_much_is_lacking() -> None:
    assert checks.space_finding("backup", 1000, 1000) is None
    finding = checks.space_finding("backup", 3_500_000_000, 1_250_000_000)
    assert finding is not None
    assert (finding.kind, finding.severity) == (Kind.NO_SPACE, Severity.ERROR)
    assert "1.2 GB free" in finding.detail
    assert "needs 3.5 GB, 2.2 GB more" in finding.detail


def test_sizes_are_readable() -> None:
    assert [readable(size) for size in (0, 999, 1000, 5 * 10**15)] == ["0 bytes", "999 bytes", "1.0 kB", "5,000.0 TB"]


# --- folders


def placed(source: Path, *destinations: Path) -> list[tuple[Kind, Severity]]:
    named = [(f"drive {number}", os.fsencode(path)) for number, path in enumerate(destinations)]
    return [(f.kind, f.severity) for f in checks.placement_findings(os.fsencode(source), named)]


INSIDE = (Kind.DESTINATION_INSIDE_SOURCE, Severity.ERROR)
AROUND = (Kind.SOURCE_INSIDE_DESTINATION, Severity.ERROR)
SAME = (Kind.SAME_FOLDER, Severity.ERROR)


def test_folders_beside_one_another_raise_nothing(tmp_path: Path) -> None:
    for name in ("card", "card2", "a"):
        (tmp_path / name).mkdir()
    assert placed(tmp_path / "card", tmp_path / "card2", tmp_path / "a", tmp_path / "new" / "deep") == []


def test_a_destination_inside_the_source_is_seen_also_when_it_does_not_exist_yet(tmp_path: Path) -> None:
    (tmp_path / "card" / "there").mkdir(parents=True)
    assert placed(tmp_path / "card", tmp_path / "card") == [INSIDE]
    assert placed(tmp_path / "card", tmp_path / "card" / "there") == [INSIDE]
    assert placed(tmp_path / "card", tmp_path / "card" / "new" / "copies") == [INSIDE]


def test_a_source_inside_the_destination_is_seen(tmp_path: Path) -> None:
    (tmp_path / "drive" / "card").mkdir(parents=True)
    assert placed(tmp_path / "drive" / "card", tmp_path / "drive") == [AROUND]


def test_links_hide_nothing(tmp_path: Path) -> None:
    (tmp_path / "card" / "in").mkdir(parents=True)
    (tmp_path / "other").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "card" / "in")
    (tmp_path / "to other").symlink_to(tmp_path / "other")
    assert placed(tmp_path / "card", tmp_path / "link" / "new") == [INSIDE]
    assert placed(tmp_path / "card", tmp_path / "other", tmp_path / "to other") == [SAME]


def test_one_folder_given_twice_is_seen_in_any_spelling(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "a").mkdir()
    assert placed(tmp_path / "card", tmp_path / "a", tmp_path / "x" / ".." / "a" / ".") == [SAME]
    assert placed(tmp_path / "card", tmp_path / "new", tmp_path / "NEW") == [SAME], "unmade: taken for one"
    assert placed(tmp_path / "card", tmp_path / "a", tmp_path / "A") == [], "made: these are two here"


def test_a_destination_inside_another_is_a_warning(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "a").mkdir()
    assert placed(tmp_path / "card", tmp_path / "a", tmp_path / "a" / "b") == [(Kind.SAME_FOLDER, Severity.WARNING)]


# --- devices


def volume(key: str | None, *, serial: str | None = None, **changes: object) -> Volume:
    device = Device(key=key, kind="disk" if key else "unknown", label=f"device {key}")
    base = Volume(
        mount_point=b"/media/x",
        mount_root=b"/",
        source="/dev/sdx1",
        file_system="exfat",
        options=frozenset(),
        read_only=False,
        capacity_bytes=1,
        free_bytes=1,
        serial=serial,
        label="",
        device=device,
        st_dev=1,
        way=MediumWay.DIRECT,
    )
    return dataclasses.replace(base, **changes)  # type: ignore[arg-type]


CARD = volume("card")


def judged(*destinations: Volume, distinct: bool = False) -> list[tuple[Kind, Severity]]:
    named = [(f"drive {number}", found) for number, found in enumerate(destinations)]
    return [(f.kind, f.severity) for f in checks.device_findings(named, CARD, distinct_required=distinct)]


def test_destinations_on_devices_of_their_own_raise_nothing() -> None:
    assert judged(volume("a"), volume("b"), volume("c"), distinct=True) == []


def test_two_destinations_on_one_device_are_a_warning_and_an_error_where_distinct_ones_are_required() -> None:
    assert judged(volume("a"), volume("b"), volume("a")) == [(Kind.SAME_DEVICE, Severity.WARNING)]
    assert judged(volume("a"), volume("a"), distinct=True) == [(Kind.SAME_DEVICE, Severity.ERROR)]


def test_three_on_one_device_are_one_finding_that_names_all() -> None:
    named = [(name, volume("a")) for name in ("primary", "backup", "archive")]
    (finding,) = checks.device_findings(named, CARD)
    assert "primary, backup and archive" in finding.detail
    assert "device a" in finding.detail


def test_a_set_of_disks_that_joins_two_destinations_makes_them_one_group() -> None:
    assert judged(volume("a"), volume("b"), volume("a + b")) == [(Kind.SAME_DEVICE, Severity.WARNING)]


def test_a_destination_on_the_cards_own_device_never_counts() -> None:
    assert judged(volume("card")) == [(Kind.SAME_DEVICE, Severity.WARNING)]


def test_two_devices_with_one_volume_identity_count_as_one() -> None:
    assert judged(volume("a", serial="AB12-CD34"), volume("b", serial="AB12-CD34"), distinct=True) == [
        (Kind.SAME_DEVICE, Severity.ERROR)
    ]
    assert judged(volume("a", serial="AB12-CD34"), volume("a", serial="AB12-CD34")) == [
        (Kind.SAME_DEVICE, Severity.WARNING)
    ], "one device: said once"


def test_unknown_devices_count_as_one_and_only_several_break_the_policy() -> None:
    assert judged(volume(None), volume("a"), distinct=True) == [(Kind.UNKNOWN_DEVICE, Severity.WARNING)]
    assert judged(volume(None), volume(None)) == [(Kind.UNKNOWN_DEVICE, Severity.WARNING)] * 2
    assert judged(volume(None), volume(None), distinct=True) == [(Kind.UNKNOWN_DEVICE, Severity.ERROR)] * 2


def test_a_disk_image_names_the_disk_beneath_and_who_else_is_on_it() -> None:
    image = Device(key="image:a:/x.img", kind="loop", beneath="a", label="disk image x.img on device a")
    named = [("primary", volume("a")), ("backup", volume("image", device=image))]
    once, finding = checks.device_findings(named, CARD, distinct_required=True)
    assert (once.kind, once.severity, once.drive) == (Kind.SAME_DEVICE, Severity.ERROR, "primary and backup")
    assert (finding.kind, finding.severity, finding.drive) == (Kind.DISK_IMAGE, Severity.WARNING, "backup")
    assert "disk image x.img on device a, the disk that also holds primary" in finding.detail
