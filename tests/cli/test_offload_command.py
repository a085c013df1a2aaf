"""`rollproof offload` as a person and as a script see it, with stand-ins for the workflow."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.replay import SCENARIOS, player
from cli.results import a_finding, a_roll, an_offload, gives, raises
from cli.running import Ran, run_line, without_codes
from rollproof.cli.views.advice import next_steps
from rollproof.cli.views.offload_summary import offload_lines
from rollproof.models.errors import (
    CouldNotFinish,
    ExitStatus,
    Interrupted,
    ProductionFileProblem,
    Refused,
    RollproofError,
    UntrustedInput,
    UsageProblem,
)
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.requests import OffloadRequest, Person
from rollproof.models.results import CardAnswer, OffloadResult, RollResult
from rollproof.station.context import Context

CARD = ("offload", "/media/A003", "--to", "/mnt/primary")


def offload(*more: str, gives_result: OffloadResult | None = None, **options: Any) -> Ran:
    return run_line(*CARD, *more, offload=gives(gives_result or an_offload()), **options)


# --- what the workflow is asked for


def asked(*arguments: str, environ: dict[str, str] | None = None) -> OffloadRequest:
    requests: list[OffloadRequest] = []

    def workflow(request: OffloadRequest, _ctx: Context, **_seams: Any) -> OffloadResult:
        requests.append(request)
        return an_offload()

    ran = run_line(*arguments, environ=environ, offload=workflow)
    assert ran.status == 0, ran.err
    return requests[0]


def test_every_option_reaches_the_workflow_as_plain_values() -> None:
    request = asked(
        "offload", "/media/A003", "/media/B\udcff002", "--to", "/mnt/primary", "--to", "/mnt/backup", "--roll", "A003",
        "--hash", "md5", "--hash", "C4", "--expect-clips", "23", "--expect-last", "A003C023",
        "--production", "bell.toml", "--day", "2026-05-14", "--unit", "main", "--by", "the wrangler",
        "--role", "data wrangler", "--single-read", "--dry-run",
    )  # fmt: skip
    assert request == OffloadRequest(
        cards=(b"/media/A003", b"/media/B\xff002"),
        destinations=(b"/mnt/primary", b"/mnt/backup"),
        roll="A003",
        hashes=("md5", "c4"),
        expect_clips=23,
        expect_last="A003C023",
        production_file=b"bell.toml",
        day="2026-05-14",
        unit="main",
        person=Person("the wrangler", "data wrangler"),
        single_read=True,
        dry_run=True,
    )


def test_a_card_alone_is_enough_to_ask() -> None:
    request = asked("offload", "/media/A003")
    assert request == OffloadRequest(cards=(b"/media/A003",))


def test_the_environment_names_production_and_person(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROLLPROOF_PRODUCTION", "/home/bell.toml")
    monkeypatch.setenv("ROLLPROOF_BY", "the wrangler")
    monkeypatch.setenv("ROLLPROOF_ROLE", "data wrangler")
    request = asked("offload", "/media/A003")
    assert request.production_file == b"/home/bell.toml"
    assert request.person == Person("the wrangler", "data wrangler")


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("offload",), "Missing argument"),
        (("offload", "/c", "--hash", "crc32"), "crc32"),
        (("offload", "/c", "--expect-clips", "many"), "many"),
        (("offload", "/c", "--expect-clips", "-1"), "-1"),
        (("offload", "/c", "--to", ""), "empty path"),
        (("offload", "/c", "--format-card"), "--format-card"),
        (("format", "/c"), "no command 'format'"),
        (("--loud",), "--loud"),
    ],
)
def test_wrong_usage_is_two_and_says_what_and_where_to_read(arguments: tuple[str, ...], complaint: str) -> None:
    ran = run_line(*arguments, offload=raises(AssertionError("must not be called")))
    assert ran.status == 2
    assert complaint in ran.err
    assert "--help" in ran.err
    assert ran.out == ""


# --- how it ends


def states(*chosen: str, **changes: Any) -> RollResult:
    roll = a_roll()
    destinations = [
        each.model_copy(update={"state": state, "files_proven": 23 if state == "proven" else 0})
        for each, state in zip(roll.destinations, chosen, strict=True)
    ]
    return roll.model_copy(update={"destinations": destinations, **changes})


NOT_PROVEN: dict[str, Any] = {"verdict": "not proven", "status": ExitStatus.ANSWER_IS_NO}
ENDINGS: list[tuple[OffloadResult, int, str]] = [
    (an_offload(), 0, "PROVEN: roll A003 is proven on 3 of 3 drives."),
    (
        an_offload(states("proven", "copied", "copied", **NOT_PROVEN)),
        1,
        "NOT PROVEN: roll A003 is proven on 1 of 3 drives. Keep the card.",
    ),
    (
        an_offload(states("proven", "proven", "failed", verdict="not proven", status=ExitStatus.NOT_FINISHED)),
        4,
        "NOT PROVEN: roll A003 is proven on 2 of 3 drives. Keep the card.",
    ),
    (
        an_offload(a_roll(enough_copies=False, copies_counted=1)),
        0,
        "PROVEN, TOO FEW COPIES: roll A003 is proven on 3 of 3 drives; 1 counted, 2 asked for. Keep the card.",
    ),
    (
        an_offload(states("incomplete", "incomplete", "incomplete", interrupted=True, verdict="not proven",
                          status=ExitStatus.INTERRUPTED)),
        130,
        "STOPPED, NOT PROVEN: roll A003 is proven on 0 of 3 drives. Keep the card.",
    ),
    (
        OffloadResult(verdict="refused", rolls=[], findings=[a_finding(kind="no-space")], status=ExitStatus.REFUSED),
        3,
        "REFUSED: nothing was written.",
    ),
    (
        an_offload(a_roll(verdict="refused", status=ExitStatus.REFUSED), verdict="refused"),
        3,
        "REFUSED: roll A003 was not started. Nothing was written.",
    ),
    (
        an_offload(a_roll(verdict="planned"), verdict="planned"),
        0,
        "PLAN ONLY: roll A003 can be copied. Nothing was written.",
    ),
    (an_offload(a_roll(), a_roll(roll="B002")), 0, "ALL PROVEN: 2 rolls."),
    (
        OffloadResult(verdict="not proven", rolls=[], status=ExitStatus.INTERRUPTED),
        130,
        "STOPPED: no card was begun. Nothing was written.",
    ),
    (
        an_offload(a_roll(), a_roll(roll="B002", **NOT_PROVEN)),
        1,
        "NOT ALL PROVEN: 1 of 2 rolls proven.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("result", "status", "last"), ENDINGS)
@pytest.mark.parametrize("terminal", [True, False])
def test_every_ending_has_its_status_and_its_verdict_as_the_last_line(
    result: OffloadResult, status: int, last: str, terminal: bool
) -> None:
    ran = offload(gives_result=result, terminal=terminal)
    assert ran.status == status
    text = without_codes(ran.out).rstrip("\n")
    if terminal:  # folded there
        text = text.replace("\n  ", " ")
    assert text.endswith("\n" + last)


@pytest.mark.parametrize(("result", "status", "last"), ENDINGS)
def test_quiet_leaves_errors_and_the_verdict(result: OffloadResult, status: int, last: str) -> None:
    ran = offload("--quiet", gives_result=result)
    assert ran.status == status
    assert ran.err == ""
    assert ran.last_line == last
    assert "What to do next" not in ran.out
    assert not ran.out.startswith("\n")


@pytest.mark.parametrize(("result", "status", "last"), ENDINGS)
@pytest.mark.parametrize("more", [(), ("--quiet",)])
def test_with_json_stdout_is_one_object_and_the_words_are_on_stderr(
    result: OffloadResult, status: int, last: str, more: tuple[str, ...]
) -> None:
    ran = offload("--json", *more, gives_result=result)
    assert ran.status == status
    assert ran.out.count("\n") == 1
    assert json.loads(ran.out) == result.as_json()
    assert (last in ran.err) is (more == ())


def test_few_copies_of_this_offload_beside_enough_from_before_do_not_say_keep_above_may_wipe() -> None:
    roll = a_roll(enough_copies=False, copies_counted=1, card=CardAnswer(answer="MAY WIPE", reasons=[]))
    out = " ".join(offload(gives_result=an_offload(roll)).out.split())
    assert "PROVEN: roll A003 is proven on 3 of 3 drives; 1 counted, 2 asked for, and copies made before count" in out


@pytest.mark.parametrize("interrupted", [False, True])
def test_a_drive_that_failed_beside_enough_copies_does_not_say_keep_above_may_wipe(interrupted: bool) -> None:
    roll = a_roll(
        verdict="not proven", copies_counted=2, interrupted=interrupted, card=CardAnswer(answer="MAY WIPE", reasons=[])
    )
    failed = roll.destinations[-1].model_copy(update={"state": "failed"})
    roll = roll.model_copy(update={"destinations": [*roll.destinations[:-1], failed]})
    out = " ".join(offload(gives_result=an_offload(roll)).out.split())
    assert "NOT PROVEN: roll A003 is proven on 2 of 3 drives. Copies: 2 counted, 2 asked for." in out
    assert "Card: MAY WIPE" in out
    assert "Keep the card" not in out
    assert "eep the card" not in out
    assert "more copies" not in out
    assert out.endswith("Card: MAY WIPE")


def test_cards_that_were_never_begun_are_not_forgotten() -> None:
    stopped = a_roll(interrupted=True, verdict="not proven", status=ExitStatus.INTERRUPTED)
    ran = run_line("offload", "/media/A003", "/media/B002", "/media/SOUND", offload=gives(an_offload(stopped)))
    assert ran.status == 130
    assert ran.last_line == "NOT ALL PROVEN: 0 of 1 roll proven. 2 more cards not begun."


def test_the_answer_for_the_card_comes_after_the_verdict() -> None:
    answer = CardAnswer(answer="KEEP", reasons=["the backup drive is not attached"])
    ran = offload(gives_result=an_offload(a_roll(card=answer)))
    assert ran.last_line == "Card: KEEP. Do not format it."
    assert "Why the card is kept\n  the backup drive is not attached\n" in ran.out


def test_what_is_damaged_is_named_clip_by_clip_and_counted_in_the_last_line() -> None:
    findings = [
        Finding(Kind.DAMAGED_CLIP, Severity.ERROR, f"A003C{number:03}", f"A003C{number:03} is DAMAGED: cut", remedy="x")
        for number in range(1, 21)
    ]
    roll = a_roll(card=CardAnswer(answer="KEEP", reasons=["damaged"]), findings=findings)
    ran = offload(gives_result=an_offload(roll))
    assert [f"A003C{number:03} is DAMAGED" in ran.out for number in range(1, 21)] == [True] * 20
    assert "20 clips on the card DAMAGED: copied as they are. Tell the camera team now" in ran.out
    assert ran.last_line == "Card: KEEP. Do not format it. 20 clips DAMAGED: tell the camera team now."


def test_a_reason_to_keep_the_card_stands_on_a_line_of_its_own_with_what_to_do() -> None:
    reasons = ["1 proven copy counts, 2 are required — offload it to another drive", "the card changed"]
    few = a_finding("warning", "too-few-copies", path="", detail="1 proven copy counts, 2 are required")
    out = offload(gives_result=an_offload(a_roll(card=CardAnswer(answer="KEEP", reasons=reasons), findings=[few]))).out
    assert (
        "\n  1 proven copy counts, 2 are required\n    Next: offload it to another drive\n  the card changed\n" in out
    )
    assert out.count("1 proven copy counts") == 1


def test_a_roll_that_is_not_proven_is_never_said_to_be_proven_on_all_drives() -> None:
    out = offload(gives_result=an_offload(states("proven", "proven", "proven", **NOT_PROVEN))).out
    assert "is proven on" not in out
    assert "Keep the card" in out


def test_a_line_per_drive_says_its_state_and_where_the_roll_is() -> None:
    out = offload(gives_result=an_offload(states("proven", "copied", "failed", **NOT_PROVEN))).out
    assert "  primary  proven              23 of 23 files, read back from the drive itself" in out
    assert "  backup   copied, not proven  23 copied of 23 files" in out
    assert "  shuttle  FAILED              23 copied of 23 files" in out
    assert "/mnt/shuttle/the-bell-foundry/2026-05-14/A003" in out


def test_findings_are_grouped_with_errors_first_and_their_remedy() -> None:
    many = [a_finding(path=f"CLIPS/{number}.mov", remedy="reseat the reader") for number in range(4000)]
    findings = [a_finding("note", "card-writable", path="", detail="mounted writable"), *many]
    out = offload(gives_result=an_offload(a_roll(findings=findings, **NOT_PROVEN))).out
    assert out.index("Errors") < out.index("Notes") < out.index("NOT PROVEN")
    assert "  CLIPS/0.mov: bytes 0 to 4095 could not be read" in out
    assert "  and 3 997 more like it" in out
    assert out.count("Next: reseat the reader") == 1
    assert out.count("\n") < 40


def test_quiet_keeps_errors_and_leaves_the_rest() -> None:
    findings = [a_finding("note", detail="a note"), a_finding("warning", detail="a warning"), a_finding()]
    out = offload("--quiet", gives_result=an_offload(a_roll(findings=findings, **NOT_PROVEN))).out
    assert "could not be read" in out
    assert "a note" not in out
    assert "a warning" not in out


def test_a_dry_run_shows_what_would_be_copied_where() -> None:
    rolls = SCENARIOS["clean"]

    def workflow(_request: OffloadRequest, ctx: Context) -> OffloadResult:
        plan = rolls[0].plan()
        drives = tuple(replace(drive, free_bytes=200_000_000_000, seconds=700.0) for drive in plan.drives)
        ctx.emit(replace(plan, drives=drives))
        ctx.emit(replace(plan, drives=drives))
        return an_offload(a_roll(verdict="planned"), verdict="planned")

    out = run_line(*CARD, "--dry-run", offload=workflow).out
    assert "then 136.0 GB are free on it; about 12 min, as fast as the last copy" in out
    assert "then 72.0 GB are free on it" in out  # after the second card
    assert "Roll A003: 23 clips, 23 files, 64.0 GB on /media/A003" in out
    assert "  The card would be read twice." in out
    assert "  shuttle  copy 23 files, 64.0 GB; read back 23 files, 64.0 GB" in out
    assert "/mnt/shuttle/the-bell-foundry/2026-05-14/A003" in out


def test_a_copy_that_only_a_cache_answered_for_names_its_remedy() -> None:
    roll = states("copied", "proven", "proven", **NOT_PROVEN)
    cached = roll.destinations[0].model_copy(update={"readback": "cache", "path": "/mnt/my drive/A003"})
    out = offload(gives_result=an_offload(roll.model_copy(update={"destinations": [cached]}))).out
    assert "Unplug primary, plug it in again, then: rollproof verify '/mnt/my drive/A003'" in out


# --- how it fails

DRIVE_FULL = Finding(Kind.NO_SPACE, Severity.ERROR, "", "primary lacks 12.0 GB", drive="primary")
ERRORS: list[tuple[RollproofError, int]] = [
    (UsageProblem("two rolls, one name", hint="name one card"), 2),
    (ProductionFileProblem("production.toml, line 3: copies", hint="a number from 1"), 2),
    (Refused("nothing was started", [DRIVE_FULL], hint="make room"), 3),
    (CouldNotFinish("the card is gone", hint="put it back"), 4),
    (Interrupted("stopped", hint="run it again"), 130),
    (UntrustedInput("the record is no record", hint="keep the card"), 1),
]


@pytest.mark.parametrize(("error", "status"), ERRORS, ids=lambda value: getattr(value, "id", None))
def test_each_of_our_errors_is_words_and_a_status(error: RollproofError, status: int) -> None:
    ran = run_line(*CARD, offload=raises(error))
    assert ran.status == status == int(error.status)
    assert f"Error: {error.message}\n" in ran.err
    assert f"  Next: {error.hint}\n" in ran.err
    assert ran.out == ""
    if isinstance(error, Refused):
        assert "  error: primary lacks 12.0 GB\n" in ran.err


@pytest.mark.parametrize(("error", "status"), ERRORS, ids=lambda value: getattr(value, "id", None))
def test_with_json_an_error_is_one_object_with_the_contracts_keys(error: RollproofError, status: int) -> None:
    ran = run_line(*CARD, "--json", offload=raises(error))
    assert ran.status == status
    answer = json.loads(ran.out)
    assert answer["verdict"] == ("refused" if status == 3 else "not proven")
    assert answer["rolls"] == []
    assert answer["findings"] == ([DRIVE_FULL.as_json()] if status == 3 else [])
    assert answer["error"] == {"id": error.id, "message": error.message, "hint": error.hint}


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("terminal", [True, False])
def test_no_name_anywhere_in_a_result_can_act_on_the_terminal(name: str, terminal: bool) -> None:
    finding = a_finding(path=name, detail=name, drive=name, remedy=name)
    roll = a_roll(roll=name, card_path=name, findings=[finding], card=CardAnswer(answer="KEEP", reasons=[name]))
    destinations = [
        each.model_copy(update={"drive": name, "path": name, "role": name, "findings": [finding], "state": state})
        for each, state in zip(roll.destinations, ("copied", "failed", "incomplete"), strict=True)
    ]
    result = an_offload(roll.model_copy(update={"destinations": destinations, **NOT_PROVEN}))
    ran = offload(gives_result=result, terminal=terminal)
    assert ran.status == 1
    assert alive(ran.out + ran.err, terminal=terminal) == []
    # a newline in a name must not forge a verdict
    assert "\nPROVEN" not in without_codes(ran.out)
    error = CouldNotFinish(name, hint=name)
    ran = run_line(*CARD, offload=raises(error), terminal=terminal)
    assert alive(ran.err, terminal=terminal) == []
    ran = run_line("offload", "/c", f"--{name}", terminal=terminal)
    assert ran.status == 2
    assert alive(ran.err, terminal=False) == []


def test_a_whole_offload_on_a_terminal_ends_with_the_cursor_back_and_the_verdict() -> None:
    now = 0.0

    def wait(second: float) -> None:
        nonlocal now
        now = second

    ran = run_line(*CARD, offload=player(SCENARIOS["trouble"], wait), terminal=True, clock=lambda: now)
    assert ran.status == 4
    assert ran.err.count("\x1b[?25l") == ran.err.count("\x1b[?25h") == 1
    assert "The card may be pulled." in without_codes(ran.err)
    assert ran.err.count("\x07") == 2  # the failure and the end
    assert ran.last_line.startswith("NOT PROVEN:")


def test_the_last_screen_can_be_kept_as_a_picture_without_any_address_in_it(tmp_path: Any) -> None:
    target = tmp_path / "screen.svg"
    ran = offload(environ={"ROLLPROOF_SCREEN_SVG": str(target)})
    assert ran.status == 0
    svg = target.read_text(encoding="utf-8")
    assert svg.startswith("<svg")
    assert "PROVEN" in svg
    assert "http" not in svg.replace("http://www.w3.org/2000/svg", "")


def test_a_picture_that_cannot_be_written_changes_no_verdict(tmp_path: Any) -> None:
    ran = offload(environ={"ROLLPROOF_SCREEN_SVG": str(tmp_path / "no" / "such" / "folder.svg")})
    assert ran.status == 0
    assert "The picture of the screen could not be written" in ran.err


def test_it_is_the_card_that_is_to_be_looked_after_where_the_card_could_not_be_read() -> None:
    unread = a_finding(
        "error", "unreadable", path="CLIPS/A003C002.mov", drive="", detail="cannot be read from the card"
    )
    roll = states("incomplete", "incomplete", "incomplete", **NOT_PROVEN, findings=[unread])
    assert (
        "See to the card and its reader, then run the same command again" in offload(gives_result=an_offload(roll)).out
    )


def test_drives_that_a_sentence_names_itself_are_not_named_before_it() -> None:
    told = "the destinations primary, backup and shuttle lie on one physical device"
    few = a_finding("warning", "same-device", path="", drive="primary, backup and shuttle", detail=told)
    assert f"\n  {told}\n" in offload(gives_result=an_offload(a_roll(findings=[few]))).out


def _mixed(first: str) -> Any:
    """One card that went well enough, and a drive taken for a card."""
    rest: dict[str, Any] = {
        "card_path": "/c", "copies_required": 2, "files": 1, "bytes": 1, "clips": 1, "source_reads": 2,
        "source_evidence": [], "destinations": [], "findings": [], "seconds": {}, "source_kind": "card",
        "status": ExitStatus.DONE,
    }  # fmt: skip
    rolls = [
        RollResult.model_validate(
            {"roll": roll, "verdict": verdict, "enough_copies": good, "copies_counted": 2 * good, **rest}
        )
        for roll, verdict, good in (("A003", first, True), ("backup", "refused", False))
    ]
    return OffloadResult(verdict="not proven", status=ExitStatus.NOT_FINISHED, rolls=rolls)


def test_of_a_card_that_was_refused_nobody_asks_for_more_copies() -> None:
    steps = next_steps(_mixed("proven"))
    assert not any("Make more copies" in step for step in steps)
    assert steps[-1] == "Mend the errors above and run the same command again: what is proven is not copied again."


def test_a_dry_run_of_which_a_part_is_refused_is_still_a_plan() -> None:
    said = "\n".join(line.plain for line in offload_lines(_mixed("planned")))
    assert "PLAN ONLY: 1 of 2 cards can be copied. Nothing was written." in said
    assert "NOT ALL PROVEN" not in said
