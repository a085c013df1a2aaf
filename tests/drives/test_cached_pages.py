"""The right to ask for cached pages: who lacks it, what is said, and the shape of the udev rule."""

from __future__ import annotations

import os
import re
from dataclasses import replace

import pytest

from rollproof.drives.cached_pages import lacks_right, may_see_cached_pages, right_findings, rule_for_this_person
from rollproof.models.errors import UsageProblem
from rollproof.models.findings import Kind, Severity
from rollproof.models.volumes import Device, MediumWay, Volume

VOLUME = Volume(
    b"/media/A003", b"/", "/dev/sdb1", "fuse.exfat", frozenset(), False, 1, 1, None, "", Device("k"), 1,
    way=MediumWay.DEVICE_PAGES_DROPPED, may_see_cached_pages=False,
)  # fmt: skip


@pytest.mark.parametrize(
    ("file_system", "way", "may_see", "lacks"),
    [
        ("fuse.exfat", MediumWay.DEVICE_PAGES_DROPPED, False, True),
        ("fuse.exfat", MediumWay.DEVICE_PAGES_DROPPED, True, False),
        ("fuse.ntfs", MediumWay.DEVICE_PAGES_DROPPED, False, True),
        ("fuseblk", MediumWay.NONE, False, True),  # what lies on it could not even be read
        ("fuseblk", MediumWay.NONE, True, False),
        ("ext4", MediumWay.DIRECT, False, False),
        ("exfat", MediumWay.DIRECT, False, False),
        ("btrfs", MediumWay.DIRECT_AFTER_EVICTION, False, False),
        ("nfs4", MediumWay.SERVER, True, False),
    ],
)
def test_only_fuse_on_a_device_lacks_the_right(file_system: str, way: MediumWay, may_see: bool, lacks: bool) -> None:
    assert lacks_right(replace(VOLUME, file_system=file_system, way=way, may_see_cached_pages=may_see)) is lacks


def test_one_warning_names_all_nodes_and_the_commands_of_this_system() -> None:
    other = replace(VOLUME, source="/dev/sdc1")
    direct = replace(VOLUME, source="/dev/sdd1", way=MediumWay.DIRECT)
    (finding,) = right_findings([("the card", VOLUME), ("primary", other), ("backup", direct)])
    assert (finding.kind, finding.severity, finding.count) == (Kind.NO_RIGHT_TO_DEVICE, Severity.WARNING, 2)
    assert "/dev/sdb1 (the card) and /dev/sdc1 (primary)" in finding.detail
    assert "sudo tee /etc/udev/rules.d/70-rollproof.rules && sudo udevadm control --reload" in finding.remedy
    assert right_findings([("primary", replace(VOLUME, may_see_cached_pages=True))]) == []


def test_a_node_that_is_not_there_is_no_matter_of_rights() -> None:
    assert may_see_cached_pages("/dev/there is no such node")


def test_root_needs_no_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    with pytest.raises(UsageProblem):
        rule_for_this_person()


def test_the_rule_is_made_of_keys_that_udev_has_and_jumps_that_land(monkeypatch: pytest.MonkeyPatch) -> None:
    """`udevadm test` of version 252 took it without a complaint, and complained of one with a wrong key."""
    monkeypatch.setattr(os, "geteuid", lambda: 4321)
    lines = [line for line in rule_for_this_person().splitlines() if line and not line.startswith("#")]
    key = r'(ACTION|SUBSYSTEMS?|ENV\{ID_FS_TYPE\}|ATTRS\{(type|removable)\}|GOTO|LABEL|RUN)(==|!=|=|\+=)"[^"{}]*"'
    assert all(re.fullmatch(rf"{key}(, {key})*", line) for line in lines)
    labels = re.findall(r'LABEL="(\w+)"', "\n".join(lines))
    assert sorted(set(re.findall(r'GOTO="(\w+)"', "\n".join(lines)))) == sorted(labels)
    assert "/bin/chown 4321 $devnode" in lines[-2]
