"""What is said while a run goes on: one cause once, and every error."""

from __future__ import annotations

from cli.running import WALL
from rollproof.cli.pictures import Moment, MomentKind
from rollproof.cli.screen.moments import MomentWords
from rollproof.models.findings import Finding, Kind, error, warning


def told(*findings: Finding) -> list[str]:
    says = MomentWords(lambda: WALL, several=True, plain=True)
    lines = [says(Moment(MomentKind.FINDING, "A003", finding=finding)) for finding in findings]
    return [line[0].plain for line in lines if line is not None]


def image(drive: str) -> Finding:
    return warning(Kind.DISK_IMAGE, f"the destination {drive} is a disk image {drive}.img", drive=drive)


def test_a_warning_that_differs_in_the_drive_alone_is_told_once_in_a_run() -> None:
    assert len(told(image("primary"), image("backup"), image("primary"))) == 1


def test_another_cause_and_every_error_are_told() -> None:
    other = warning(Kind.ON_BATTERY, "this computer runs on its battery")
    gone = [error(Kind.DRIVE_GONE, f"the drive {drive} is gone", drive=drive) for drive in ("primary", "backup")]
    assert len(told(image("primary"), other, *gone)) == 4
