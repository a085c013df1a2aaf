"""The production's drives among what is attached: found by path or volume, missing ones and wrong ones told."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert
from rollproof.models.volumes import Device, Volume
from rollproof.production import drives as drives_room
from rollproof.production.drives import resolve
from rollproof.production.model import Production


def volume(
    mount_point: Path,
    serial: str | None = None,
    *,
    st_dev: int | None = None,
    file_system: str = "ext4",
    label: str = "",
) -> Volume:
    """A volume as if mounted there; by default really that folder's file system."""
    return Volume(
        mount_point=os.fsencode(mount_point),
        mount_root=b"/",
        source="/dev/sdx1",
        file_system=file_system,
        options=frozenset(),
        read_only=False,
        capacity_bytes=1 << 40,
        free_bytes=1 << 39,
        serial=serial,
        label=label,
        device=Device(key=serial),
        st_dev=os.stat(mount_point).st_dev if st_dev is None else st_dev,
    )


def production(*drives: dict[str, object]) -> Production:
    return Production.model_validate({"name": "The Bell Foundry", "drives": list(drives)})


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1
    assert findings[0].severity is Severity.ERROR
    assert findings[0].remedy
    return findings[0]


def folder(path: Path) -> Path:
    path.mkdir(parents=True)
    return path


def test_without_drives_in_the_file_there_is_nothing_to_find(tmp_path: Path) -> None:
    assert resolve(production(), [volume(tmp_path, "1A2B-3C4D")]) == ([], [])


def test_a_drive_by_path_is_that_folder(tmp_path: Path) -> None:
    wanted = production({"role": "primary", "path": str(tmp_path)})
    assert resolve(wanted, []) == ([("primary", os.fsencode(tmp_path))], [])


@pytest.mark.parametrize("written", ["1A2B-3C4D", "1a2b-3c4d", "1A2B3C4D"])
def test_a_drive_by_volume_is_found_wherever_it_is_mounted(tmp_path: Path, written: str) -> None:
    other, right = folder(tmp_path / "other"), folder(tmp_path / "PRIMARY 1")
    wanted = production({"role": "primary", "volume": written})
    attached = [volume(other, "FFFF-0000"), volume(right, "1A2B-3C4D"), volume(tmp_path, None)]
    assert resolve(wanted, attached) == ([("primary", os.fsencode(right))], [])


def test_a_relative_path_is_a_folder_on_the_volume(tmp_path: Path) -> None:
    on_drive = folder(tmp_path / "drive" / "footage" / "bells")
    wanted = production({"role": "primary", "volume": "1", "path": "footage/bells"})
    assert resolve(wanted, [volume(tmp_path / "drive", "1")]) == ([("primary", os.fsencode(on_drive))], [])


def test_a_whole_path_on_its_volume_is_taken(tmp_path: Path) -> None:
    on_drive = folder(tmp_path / "drive" / "footage")
    wanted = production({"role": "primary", "volume": "1", "path": str(on_drive)})
    assert resolve(wanted, [volume(tmp_path / "drive", "1")]) == ([("primary", os.fsencode(on_drive))], [])


def test_drives_keep_the_order_of_the_file_and_a_missing_one_does_not_hide_the_others(tmp_path: Path) -> None:
    wanted = production(
        {"role": "backup", "path": str(folder(tmp_path / "b"))},
        {"role": "gone", "path": str(tmp_path / "gone")},
        {"role": "primary", "path": str(folder(tmp_path / "a"))},
        {"role": "shuttle", "volume": "5"},
    )
    found, findings = resolve(wanted, [])
    assert [role for role, _ in found] == ["backup", "primary"]
    assert sorted(finding.drive for finding in findings) == ["gone", "shuttle"]


def test_a_missing_path_is_told_with_role_and_path(tmp_path: Path) -> None:
    found, findings = resolve(production({"role": "backup", "path": str(tmp_path / "BACKUP")}), [])
    finding = only(findings)
    assert found == []
    assert (finding.kind, finding.drive) == (Kind.DRIVE_MISSING, "backup")
    assert "backup" in finding.detail
    assert str(tmp_path / "BACKUP") in finding.detail


def test_a_file_in_the_place_of_the_folder_is_no_drive(tmp_path: Path) -> None:
    (tmp_path / "BACKUP").write_text("")
    _, findings = resolve(production({"role": "backup", "path": str(tmp_path / "BACKUP")}), [])
    assert only(findings).kind is Kind.DRIVE_MISSING


def test_a_missing_volume_is_told_with_role_and_identity(tmp_path: Path) -> None:
    found, findings = resolve(production({"role": "backup", "volume": "1A2B-3C4D"}), [volume(tmp_path, None)])
    finding = only(findings)
    assert found == []
    assert (finding.kind, finding.drive) == (Kind.DRIVE_MISSING, "backup")
    assert "backup" in finding.detail
    assert "1A2B-3C4D" in finding.detail


def test_a_volume_without_the_folder_is_told(tmp_path: Path) -> None:
    wanted = production({"role": "backup", "volume": "1", "path": "footage"})
    _, findings = resolve(wanted, [volume(tmp_path, "1")])
    assert "is attached, but there is no folder" in only(findings).detail


def test_an_empty_folder_that_waits_for_its_drive_is_not_the_drive(tmp_path: Path) -> None:
    waiting = folder(tmp_path / "PRIMARY")
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": str(waiting)}), [])
    assert found == []
    assert only(findings).kind is Kind.DRIVE_MISSING


def test_another_drive_in_the_place_of_the_right_one_is_told_by_both_names(tmp_path: Path) -> None:
    wrong = volume(tmp_path, "BBBB-0000", label="SHUTTLE")
    found, findings = resolve(production({"role": "primary", "volume": "AAAA-0000", "path": str(tmp_path)}), [wrong])
    finding = only(findings)
    assert found == []
    assert (finding.kind, finding.drive) == (Kind.OTHER_DEVICE, "primary")
    for part in ("the wrong drive", "SHUTTLE", "BBBB-0000", "AAAA-0000"):
        assert part in finding.detail


def test_the_right_drive_mounted_elsewhere_does_not_make_the_path_right(tmp_path: Path) -> None:
    here, elsewhere = folder(tmp_path / "PRIMARY"), folder(tmp_path / "PRIMARY 1")
    attached = [volume(elsewhere, "1", st_dev=1), volume(here, "2", st_dev=2)]
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": str(here)}), attached)
    finding = only(findings)
    assert found == []
    assert finding.kind is Kind.OTHER_DEVICE
    assert f"that one is mounted at {elsewhere}" in finding.detail


def test_a_link_on_the_drive_that_leads_off_it_is_told(tmp_path: Path) -> None:
    drive, elsewhere = folder(tmp_path / "drive"), folder(tmp_path / "elsewhere")
    (drive / "footage").symlink_to(elsewhere)
    attached = [volume(drive, "1", st_dev=1), volume(tmp_path, "2")]
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": "footage"}), attached)
    assert found == []
    assert only(findings).kind is Kind.OTHER_DEVICE


def test_a_path_that_only_begins_like_the_mount_point_is_not_on_the_volume(tmp_path: Path) -> None:
    folder(tmp_path / "drive")
    beside = folder(tmp_path / "drive2")
    attached = [volume(tmp_path / "drive", "1", st_dev=1, file_system="btrfs")]
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": str(beside)}), attached)
    assert found == []
    assert only(findings).kind is Kind.OTHER_DEVICE


def test_a_subvolume_with_a_device_number_of_its_own_is_on_its_btrfs_volume(tmp_path: Path) -> None:
    inside = folder(tmp_path / "drive" / "sub")
    attached = [volume(tmp_path / "drive", "1", st_dev=1, file_system="btrfs")]
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": "sub"}), attached)
    assert (found, findings) == ([("primary", os.fsencode(inside))], [])


def test_a_volume_mounted_inside_a_btrfs_volume_is_another_one(tmp_path: Path) -> None:
    inner = folder(tmp_path / "drive" / "inner")
    outer = volume(tmp_path / "drive", "1", st_dev=1, file_system="btrfs")
    found, findings = resolve(
        production({"role": "primary", "volume": "1", "path": "inner"}), [outer, volume(inner, "2", label="SHUTTLE")]
    )
    assert found == []
    assert "SHUTTLE" in only(findings).detail


def test_a_link_that_leads_off_a_btrfs_volume_is_told(tmp_path: Path) -> None:
    drive, elsewhere = folder(tmp_path / "drive"), folder(tmp_path / "elsewhere")
    (drive / "footage").symlink_to(elsewhere)
    attached = [volume(drive, "1", st_dev=1, file_system="btrfs")]
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": "footage"}), attached)
    assert found == []
    assert only(findings).kind is Kind.OTHER_DEVICE


def test_another_file_system_mounted_inside_the_volume_is_not_the_volume(tmp_path: Path) -> None:
    folder(tmp_path / "drive" / "inner")
    attached = [volume(tmp_path / "drive", "1", st_dev=1, file_system="ext4")]
    found, findings = resolve(production({"role": "primary", "volume": "1", "path": "inner"}), attached)
    assert found == []
    assert only(findings).kind is Kind.OTHER_DEVICE


def test_two_volumes_of_one_identity_are_not_chosen_from(tmp_path: Path) -> None:
    one, two = folder(tmp_path / "one"), folder(tmp_path / "two")
    attached = [volume(one, "1", st_dev=1), volume(two, "1")]
    found, findings = resolve(production({"role": "primary", "volume": "1"}), attached)
    finding = only(findings)
    assert found == []
    assert finding.kind is Kind.UNKNOWN_DEVICE
    assert str(one) in finding.detail
    assert str(two) in finding.detail
    by_path = production({"role": "primary", "volume": "1", "path": str(two)})
    assert resolve(by_path, attached) == ([("primary", os.fsencode(two))], [])


def test_labels_from_drives_do_not_reach_a_message_as_control_codes(tmp_path: Path) -> None:
    wrong = volume(tmp_path, "\x1b[2J", label="\u202eX\x07")
    _, findings = resolve(production({"role": "primary", "volume": "1", "path": str(tmp_path)}), [wrong])
    assert only(findings).detail == inert(only(findings).detail)


def test_a_drive_that_hangs_is_handed_on_and_does_not_hold_up_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    alive, dead = folder(tmp_path / "alive"), folder(tmp_path / "dead")
    ended = threading.Event()
    held_up: list[bytes] = []
    look_at = drives_room._look_at

    def look(folder: bytes, answers: dict[bytes, drives_room._Folder]) -> None:
        if folder == os.fsencode(dead) and not ended.wait(20):
            held_up.append(folder)
        look_at(folder, answers)

    monkeypatch.setattr(drives_room, "_look_at", look)
    monkeypatch.setattr(drives_room, "_ANSWER_SECONDS", 0.2)
    wanted = production(
        {"role": "a", "path": str(dead)}, {"role": "b", "path": str(alive)}, {"role": "c", "path": "/nope"}
    )
    try:
        found, findings = resolve(wanted, [])
    finally:
        ended.set()
    assert found == [("a", os.fsencode(dead)), ("b", os.fsencode(alive))]
    assert only(findings).drive == "c"
    assert not held_up


def test_drives_that_take_turns_are_each_found_and_two_at_the_same_time_are_told(tmp_path: Path) -> None:
    one, two = volume(folder(tmp_path / "one"), "AAAA-0001"), volume(folder(tmp_path / "two"), "AAAA-0002")
    wanted = production({"role": "shuttle", "volume": ["aaaa-0001", "AAAA-0002"]})
    assert resolve(wanted, [one]) == ([("shuttle", one.mount_point)], [])
    assert resolve(wanted, [two]) == ([("shuttle", two.mount_point)], [])
    found, findings = resolve(wanted, [one, two])
    assert not found
    assert "take turns" in only(findings).detail
    chosen = production({"role": "shuttle", "volume": ["AAAA-0001", "AAAA-0002"], "path": str(tmp_path / "two")})
    assert resolve(chosen, [one, two]) == ([("shuttle", two.mount_point)], [])


def test_none_of_the_drives_that_take_turns_is_attached(tmp_path: Path) -> None:
    _, findings = resolve(production({"role": "shuttle", "volume": ["AAAA-0001", "AAAA-0002"]}), [])
    assert "volume AAAA-0001 or AAAA-0002" in only(findings).detail
