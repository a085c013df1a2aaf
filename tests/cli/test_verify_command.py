"""`rollproof verify` as a person and as a script see it, with stand-ins for the workflow."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.results import a_copy, a_finding, a_verify, gives
from cli.running import run_line, without_codes
from rollproof.models.errors import ExitStatus
from rollproof.models.events import Leg, LegEnded, LegStarted, Moved
from rollproof.models.requests import Person, VerifyRequest
from rollproof.models.results import VerifyResult
from rollproof.station.context import Context

BAD = a_copy(verdict="not proven", differ=["CLIPS/A003C001.mov"], missing=["CLIPS/A003C002.mov"])
ENDINGS: list[tuple[VerifyResult, int, str]] = [
    (a_verify(a_copy()), 0, "PROVEN: 1 copy read again in 12 s."),
    (
        a_verify(a_copy(unknown=["notes.txt"])),
        0,
        "PROVEN: 1 copy read again in 12 s. 1 file in no record: listed as new, proven by nothing.",
    ),
    (a_verify(a_copy(), BAD), 1, "NOT PROVEN: 1 of 2 copies proven."),
    (
        a_verify(verdict="not proven", status=ExitStatus.ANSWER_IS_NO),
        1,
        "NOT PROVEN: nothing was found there that could be compared.",
    ),
]


@pytest.mark.parametrize(("result", "status", "last"), ENDINGS)
def test_every_ending_has_its_status_and_its_verdict_as_the_last_line(
    result: VerifyResult, status: int, last: str
) -> None:
    ran = run_line("verify", "/mnt/backup", verify=gives(result))
    assert ran.status == status
    assert ran.last_line == last
    assert run_line("verify", "/mnt/backup", "--quiet", verify=gives(result)).last_line == last
    ran = run_line("verify", "/mnt/backup", "--json", verify=gives(result))
    assert ran.status == status
    assert json.loads(ran.out) == result.as_json()


def test_what_differs_and_what_is_missing_is_named() -> None:
    out = run_line("verify", "/mnt/backup", verify=gives(a_verify(BAD))).out
    assert "Roll A003  NOT PROVEN  23 files, 64.0 GB, read from the drive itself" in out
    assert "  differ: 1 file\n    CLIPS/A003C001.mov\n  missing: 1 file\n    CLIPS/A003C002.mov\n" in out


def test_thousands_of_paths_are_counted_and_not_scrolled_past() -> None:
    copy = a_copy(verdict="not proven", missing=[f"{number}.dng" for number in range(90_000)])
    out = run_line("verify", "/mnt/backup", verify=gives(a_verify(copy))).out
    assert "missing: 90 000 files" in out
    assert "and 89 995 more; --json lists them" in out
    assert out.count("\n") < 20


def test_every_option_reaches_the_workflow() -> None:
    requests: list[VerifyRequest] = []

    def workflow(request: VerifyRequest, _ctx: Context, **_seams: Any) -> VerifyResult:
        requests.append(request)
        return a_verify(a_copy())

    run_line(
        "verify", "/mnt/a", "/mnt/b", "--strict", "--add-hash", "md5", "--by", "the editor", "--role", "editor",
        "--production", "bell.toml", verify=workflow,
    )  # fmt: skip
    person = Person("the editor", "editor")
    assert requests == [VerifyRequest((b"/mnt/a", b"/mnt/b"), True, ("md5",), person, b".", b"bell.toml")]


def test_while_reading_it_says_which_copy_and_how_far() -> None:
    now = 0.0

    def workflow(_request: VerifyRequest, ctx: Context) -> VerifyResult:
        nonlocal now
        ctx.emit(LegStarted("A003", Leg.READ_BACK, "backup", 2, 2_000_000_000))
        now = 20.0
        ctx.emit(Moved("A003", Leg.READ_BACK, "backup", 1_000_000_000, 1, "CLIPS/A003C001.mov"))
        return a_verify(a_copy())

    ran = run_line("verify", "/mnt/backup", verify=workflow, clock=lambda: now)
    assert "A003  backup read-back 50 % at 50 MB/s" in ran.err


def test_a_drive_that_failed_while_being_read_is_said_once() -> None:
    def workflow(_request: VerifyRequest, ctx: Context) -> VerifyResult:
        ctx.emit(LegStarted("A003", Leg.READ_BACK, "backup", 2, 2_000))
        ctx.emit(LegEnded("A003", Leg.READ_BACK, "backup", False))
        return a_verify(BAD)

    assert run_line("verify", "/mnt/backup", verify=workflow).err.count("FAILED") == 1


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("terminal", [True, False])
def test_no_name_anywhere_in_a_result_can_act_on_the_terminal(name: str, terminal: bool) -> None:
    finding = a_finding(path=name, detail=name, drive=name, remedy=name)
    copy = a_copy(
        path=name, roll=name, verdict="not proven", differ=[name], missing=[name], unknown=[name], appended=[name],
        findings=[finding],
    )  # fmt: skip
    ran = run_line("verify", "/mnt/backup", verify=gives(a_verify(copy, findings=[finding])), terminal=terminal)
    assert ran.status == 1
    assert alive(ran.out + ran.err, terminal=terminal) == []
    assert "\nPROVEN" not in without_codes(ran.out)
