"""`rollproof audit` as a person and as a script see it, with stand-ins for the workflow."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.results import gives
from cli.running import run_line
from rollproof.cli.screen import audit_screen
from rollproof.cli.views import audit_view
from rollproof.models.audit_results import AuditCopy, AuditDrive, AuditFinding, AuditResult, AuditRoll, CopyState
from rollproof.models.errors import ExitStatus
from rollproof.models.events import Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Kind, Severity
from rollproof.models.requests import AuditRequest, Person
from rollproof.reports import audit_page
from rollproof.station.context import Context
from rollproof.workflows.audit.drives import LOOKING

NAMED = ("PRIMARY", "BACKUP", "SHUTTLE")


def a_drive(name: str, number: int) -> AuditDrive:
    """A drive of the audit."""
    return AuditDrive(
        path=f"/mnt/{name}", name=name, volume="6f1c", label=name, device_label="Bell Disk", device=number,
        read_only=False, copies=150, files=6000, bytes=3_200_000_000_000,
    )  # fmt: skip


def a_roll(name: str, *states: CopyState, state: Any = "proven", **changes: Any) -> AuditRoll:
    """A roll with a copy in each state, on one drive after the other."""
    copies = [
        AuditCopy(
            drive=number, path=f"/mnt/{NAMED[number]}/{name}", state=each, counted=each == "proven", files=40, bytes=512
        )
        for number, each in enumerate(states)
    ]
    given = {
        "name": name, "production": "The Bell Foundry", "day": "2026-05-14", "unit": "main", "camera": "A",
        "state": state, "copies_required": 2, "copies_counted": sum(copy.counted for copy in copies), "files": 40,
        "bytes": 512, "permit": None, "copies": copies,
    }  # fmt: skip
    return AuditRoll.model_validate({**given, **changes})


def a_finding(
    kind: str = "missing", severity: Any = "error", detail: str = "a clip is gone", **more: Any
) -> AuditFinding:
    """A finding of the audit."""
    return AuditFinding(Kind(kind), Severity(severity), "", detail, topic="copies", **more)


def an_audit(*rolls: AuditRoll, findings: tuple[AuditFinding, ...] = (), **changes: Any) -> AuditResult:
    """An audit of three drives."""
    errors = any(finding.severity == "error" for finding in findings)
    given = {
        "verdict": "not complete" if errors or not rolls else "complete", "basis": "listing",
        "productions": ["The Bell Foundry"], "begun_at": "2026-05-14T18:00:00+02:00", "by": "", "station": "cart",
        "drives": [a_drive(name, number) for number, name in enumerate(NAMED, 1)], "rolls": list(rolls),
        "findings": list(findings), "copies_reread": 0, "bytes_reread": 0, "copies_read_before": 0, "document": None,
        "seconds": 12.0, "status": ExitStatus.ANSWER_IS_NO if errors or not rolls else ExitStatus.DONE,
    }  # fmt: skip
    return AuditResult.model_validate({**given, **changes})


GOOD = a_roll("A001", "proven", "proven", "proven")
BAD = a_roll("A002", "proven", "damaged", state="damaged")
LISTED = "Records and listings were compared; no footage was read."
ENDINGS: list[tuple[AuditResult, int, str]] = [
    (an_audit(GOOD), 0, f"COMPLETE: 1 roll, each with the copies asked for. {LISTED}"),
    (
        an_audit(GOOD, findings=(a_finding("no-sound-roll", "warning"),)),
        0,
        f"COMPLETE: 1 roll, each with the copies asked for. {LISTED} 1 warning above to look at.",
    ),
    (
        an_audit(GOOD, basis="reread", copies_reread=3, bytes_reread=1536, copies_read_before=2),
        0,
        "COMPLETE: 1 roll, each with the copies asked for. 3 copies read again after 2 before, 1.5 kB in 12 s.",
    ),
    (an_audit(GOOD, BAD, findings=(a_finding(),)), 1, f"NOT COMPLETE: 1 of 2 rolls to look at, 1 error. {LISTED}"),
    (an_audit(findings=(a_finding(),)), 1, "NOT COMPLETE: there is no roll that could be audited."),
    (
        an_audit(GOOD, findings=(a_finding("drive-gone"),), status=ExitStatus.NOT_FINISHED),
        4,
        f"NOT COMPLETE: 1 roll, 1 error. {LISTED}",
    ),
]


@pytest.mark.parametrize(("result", "status", "last"), ENDINGS)
def test_every_ending_has_its_status_and_its_verdict_as_the_last_line(
    result: AuditResult, status: int, last: str
) -> None:
    ran = run_line("audit", "/mnt/primary", audit=gives(result))
    assert ran.status == status
    assert ran.last_line == last
    assert run_line("audit", "/mnt/primary", "--quiet", audit=gives(result)).last_line == last
    ran = run_line("audit", "/mnt/primary", "--json", audit=gives(result))
    assert ran.status == status
    assert json.loads(ran.out) == result.as_json()


def test_what_was_asked_for_reaches_the_workflow() -> None:
    asked: list[AuditRequest] = []

    def workflow(request: AuditRequest, _ctx: Context, **_: Any) -> AuditResult:
        asked.append(request)
        return an_audit(GOOD)

    run_line(
        "audit", "/mnt/a", "/mnt/b", "--reread", "--since", "2026-05-14T18:00", "--against", "production.toml",
        "--accept", "A007", "--accept", "A008", "--reason", "skipped", "--out", "wrap.html", "--role", "editor",
        audit=workflow,
    )  # fmt: skip
    (request,) = asked
    assert request.since == datetime(2026, 5, 14, 18).astimezone()
    assert (request.paths, request.reread, request.against) == ((b"/mnt/a", b"/mnt/b"), True, b"production.toml")
    assert (request.accepted, request.reason, request.out) == (("A007", "A008"), "skipped", b"wrap.html")
    assert request.person == Person("", "editor")


@pytest.mark.parametrize(
    "words", [("--accept", "A007"), ("--reason", "skipped"), ("--since", "2026-05-14"), ("--since", "x", "--reread")]
)
def test_what_makes_no_sense_is_a_usage_error(words: tuple[str, ...]) -> None:
    assert run_line("audit", "/mnt/a", *words, audit=gives(an_audit(GOOD))).status == 2


def test_of_150_rolls_only_those_are_shown_that_need_somebody_and_all_with_all() -> None:
    rolls = [a_roll(f"A{number:03}", "proven", "proven") for number in range(1, 151)]
    result = an_audit(*rolls, BAD, findings=(a_finding(),))
    lines = run_line("audit", "/mnt/a", audit=gives(result)).out.splitlines()
    assert len(lines) < 24
    assert "Rolls to look at: 1 of 151 rolls" in lines
    assert sum("DAMAGED" in line for line in lines) == 1
    everything = run_line("audit", "/mnt/a", "--all", audit=gives(result)).out
    assert all(f"  {roll.name} " in everything for roll in rolls)


def test_many_findings_of_one_kind_are_counted_and_shown_with_all() -> None:
    result = an_audit(GOOD, findings=tuple(a_finding(detail=f"clip {number} is gone") for number in range(40)))
    out = run_line("audit", "/mnt/a", audit=gives(result)).out
    assert "clip 2 is gone" in out
    assert "clip 3 is gone" not in out
    assert "and 37 more like it; --all shows them" in out
    assert "clip 39 is gone" in run_line("audit", "/mnt/a", "--all", audit=gives(result)).out


def test_a_narrow_screen_says_in_words_what_a_wide_one_shows_as_a_table() -> None:
    result = an_audit(BAD, findings=(a_finding(),))
    narrow = run_line("audit", "/mnt/a", audit=gives(result), environ={"COLUMNS": "60"}).out
    assert "proven on PRIMARY, DAMAGED on BACKUP" in narrow
    wide = run_line("audit", "/mnt/a", audit=gives(result), environ={"COLUMNS": "120"}).out
    assert any(line.split()[:6] == ["A002", "2026-05-14", "1", "of", "2", "proven"] for line in wide.splitlines())


def test_copies_that_disagree_are_said_beside_the_roll() -> None:
    roll = a_roll("A003", "proven", "proven", state="damaged")
    assert "COPIES DISAGREE" in run_line("audit", "/mnt/a", audit=gives(an_audit(roll, findings=(a_finding(),)))).out


@pytest.mark.parametrize("name", NAMES)
def test_nothing_from_a_drive_acts_on_the_screen(name: str) -> None:
    roll = a_roll("A001", "damaged", day=name, state="damaged").model_copy(update={"name": name})
    result = an_audit(roll, findings=(a_finding(detail=name, drive=name),), productions=[name])
    result = result.model_copy(update={"drives": [a_drive(name, 1), *result.drives[1:]]})
    ran = run_line("audit", "/mnt/a", "--all", audit=gives(result), terminal=True)
    assert alive(ran.out, terminal=True) == []


def test_the_screen_shows_each_drive_while_it_is_looked_at_and_while_it_is_read() -> None:
    def workflow(_: AuditRequest, ctx: Context) -> AuditResult:
        for roll in (LOOKING, "reading again"):
            ctx.emit(LegStarted(roll, Leg.READ_BACK, "PRIMARY", 10, 10))
            ctx.emit(Moved(roll, Leg.READ_BACK, "PRIMARY", 5, 5, "A001"))
            ctx.emit(LegEnded(roll, Leg.READ_BACK, "PRIMARY", True))
        return an_audit(GOOD)

    assert run_line("audit", "/mnt/a", audit=workflow, terminal=True).status == 0


def test_words_that_two_places_share_are_the_same() -> None:
    assert audit_screen._LOOKING == LOOKING
    assert {state: word for state, (word, _) in audit_view._SIGNS.items()} == audit_page.SIGNS


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", '"><img src=x>', "{{ 7*7 }}", "a\x1b[2J\u202eb"])
def test_nothing_from_a_drive_acts_in_the_page(name: str) -> None:
    roll = a_roll("A001", "damaged", day=name, unit=name, state="damaged").model_copy(update={"name": name})
    result = an_audit(roll, findings=(a_finding(detail=name, drive=name),), productions=[name], by=name)
    page = audit_page.audit_html(result)
    assert "<script" not in page
    assert "<img" not in page
    assert ">49<" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page


def test_a_finding_that_stands_for_many_names_them_when_all_are_asked_for() -> None:
    names = tuple(f"CLIP/A003C{number:03}.mov" for number in range(2, 8))
    detail = "CLIP/A003C001.mov is in no record (and 6 more like it)"
    one = a_finding("unknown-file", "warning", detail, drive="/mnt/a", count=7, others=names)
    few = run_line("audit", "/mnt/a", audit=gives(an_audit(GOOD, findings=(one,)))).out
    assert f"and {names[0]}, {names[1]}, {names[2]} and 3 more" in " ".join(few.split())
    every = run_line("audit", "/mnt/a", "--all", audit=gives(an_audit(GOOD, findings=(one,)))).out
    assert all(name in every for name in names)
