"""Findings are grouped, not scrolled past: a drive that went away is one finding, whatever was still to come."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.findings import Kind
from support.faults import Fail, Rule
from support.stage import Stage, stage
from support.trees import Tree

FILES = 1_000
MANY: Tree = {f"CLIPS/{number // 500:02}/A003C{number:04}.mov": b"%d" % number for number in range(FILES)}

_LINES_OF_A_SCREEN = 24


@pytest.mark.parametrize("number", [errno.ENODEV, errno.EIO, errno.EROFS], ids=["gone", "failing", "read-only"])
def test_a_drive_that_goes_away_in_the_middle_of_1000_files_is_one_finding(tmp_path: Path, number: int) -> None:
    with stage(tmp_path, MANY) as place:
        one = os.fsencode(place.drives["one"])
        run = place.run([Rule(Fail(number), drive=one, nth=400, onward=True)])
        assert run.io.reached
        assert not run.crash, run.crash
        assert run.result is not None
        roll = run.result.rolls[0]
        states = {at.drive: at for at in roll.destinations}
        assert states["one"].state == "failed"
        assert states["two"].state == "proven"
        everything = [*roll.findings, *states["one"].findings]
        about_one = [finding for finding in everything if (finding.drive, finding.severity) == ("one", "error")]
        assert len({finding.detail for finding in about_one}) == 1, about_one
        assert len(list(finding_lines(roll.findings))) < _LINES_OF_A_SCREEN


def _verified(place: Stage, rule: Rule) -> list[str]:
    run = place.verify([rule])
    assert not run.crash, run.crash
    assert run.result is not None
    findings = [*run.result.findings, *(finding for copy in run.result.copies for finding in copy.findings)]
    assert findings
    assert sum(finding.kind == Kind.UNREADABLE for finding in findings) <= 100
    lines = [line.plain for line in finding_lines(findings)]
    assert len(lines) < _LINES_OF_A_SCREEN, lines
    return lines


def test_a_copy_of_1000_files_that_cannot_be_read_any_more_fits_on_a_screen(tmp_path: Path) -> None:
    with stage(tmp_path, MANY) as place:
        assert place.run().result is not None
        one = os.fsencode(place.drives["one"])
        lines = _verified(place, Rule(Fail(errno.EIO), "read_into", path=b"CLIPS/*", drive=one, onward=True))
        assert any("more like it" in line or f"{FILES:,}" in line for line in lines), lines
