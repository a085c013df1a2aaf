"""`rollproof may-wipe` as a person and as a script see it, with stand-ins for the workflow."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.results import a_finding, gives, raises
from cli.running import run_line, without_codes
from rollproof.cli.views.large_letters import large
from rollproof.models.errors import CouldNotFinish, ExitStatus, Interrupted, ProductionFileProblem
from rollproof.models.requests import MayWipeRequest, Person
from rollproof.models.results import MayWipeResult, WipeCopy, WipeRoll
from rollproof.station.context import Context

COPY = WipeCopy(
    path="/mnt/primary/the-bell-foundry/A003",
    drive="primary",
    role="primary",
    device="Bell Disk",
    roll="A003",
    attached=True,
    counted=True,
    readback="medium",
    why="Proven by 0001_offload.json, read back from the medium.",
    seen_at="2026-05-14T14:20:00+00:00",
)
AWAY = COPY.model_copy(update={"drive": "backup", "role": "", "attached": False})
REMINDER = "Format it in the camera, never here."


def an_answer(*reasons: Any, **changes: Any) -> MayWipeResult:
    """MAY WIPE without reasons, KEEP with some."""
    result = MayWipeResult(
        answer="KEEP" if reasons else "MAY WIPE",
        basis="listing",
        reasons=[f"{reason.detail} — {reason.remedy}" for reason in reasons],
        rolls=[WipeRoll(roll="A003", production="The Bell Foundry", files=412, copies_counted=2, copies_required=2)],
        copies=[COPY, AWAY],
        findings=list(reasons),
        label="A003",
        capacity_bytes=128_000_000_000,
        files=412,
        bytes=64_000_000_000,
        clips=23,
        first_clip="A003C001",
        last_clip="A003C023",
        permits=[] if reasons else ["/mnt/primary/A003/rollproof/0002_permit.json"],
        status=ExitStatus.ANSWER_IS_NO if reasons else ExitStatus.DONE,
    )
    return result.model_copy(update=changes)


def a_reason(number: int = 1) -> Any:
    """A reason to keep the card."""
    return a_finding("error", "not-offloaded", detail=f"reason {number}", remedy=f"remedy {number}")


def test_may_wipe_says_what_to_check_against_the_card_and_ends_with_the_reminder() -> None:
    ran = run_line("may-wipe", "/media/A003", may_wipe=gives(an_answer()))
    assert ran.status == 0
    assert ran.last_line == "MAY WIPE"
    assert ran.out.splitlines()[-2].startswith(REMINDER)
    for said in (
        "labelled A003, 128.0 GB",
        "23 clips, 412 files, 64.0 GB",
        "first clip A003C001, last clip A003C023",
        "roll A003 of The Bell Foundry: 2 copies counted, 2 required",
        "The card was not read again: nothing on it changed",
        "primary  counts  attached, read back from the drive itself",
        "backup   counts  absent, last seen 2026-05-14",
        "The permit is written beside 1 copy.",
    ):
        assert said in ran.out
    assert "on Bell Disk" not in ran.out
    assert "on Bell Disk" in run_line("may-wipe", "/media/A003", "--all", may_wipe=gives(an_answer())).out


def test_an_empty_card_is_not_said_to_have_been_read_before() -> None:
    empty = an_answer(files=0, bytes=0, clips=0, first_clip=None, last_clip=None, rolls=[], copies=[], permits=[])
    out = run_line("may-wipe", "/media/A003", may_wipe=gives(empty)).out
    assert "  empty: there is no file on it\n  Every folder of the card was looked into just now.\n" in out


def test_keep_names_three_reasons_each_with_its_remedy_and_all_of_them_when_asked() -> None:
    result = an_answer(*(a_reason(number) for number in range(1, 6)))
    ran = run_line("may-wipe", "/media/A003", may_wipe=gives(result))
    assert ran.status == 1
    assert ran.last_line == "KEEP"
    assert "1. reason 1\n     Next: remedy 1\n" in ran.out
    assert "reason 3" in ran.out
    assert "reason 4" not in ran.out
    assert "and 2 more reasons; --all shows them" in ran.out
    assert ran.out.splitlines()[-2].startswith("KEEP the card")
    assert "Format it" not in ran.out
    assert "reason 5" in run_line("may-wipe", "/media/A003", "--all", may_wipe=gives(result)).out


@pytest.mark.parametrize("width", [80, 100, 120])
@pytest.mark.parametrize("words", ["MAY WIPE", "KEEP"])
def test_on_a_terminal_the_answer_is_five_rows_high(words: str, width: int) -> None:
    rows = large(words, width)
    assert len(rows) == 5
    assert max(map(len, rows)) <= width
    assert max(map(len, rows)) > 5 * len(words)
    result = an_answer() if words == "MAY WIPE" else an_answer(a_reason())
    out = without_codes(run_line("may-wipe", "/media/A003", terminal=True, may_wipe=gives(result)).out)
    for row in large(words, 80, fancy=False):
        assert row in out.replace("█", "#")


def test_where_large_letters_do_not_fit_the_words_stand_there() -> None:
    assert large("MAY WIPE", 30) == ["MAY WIPE"]
    assert len(large("MAY WIPE", 50)) == 5
    assert large("PERHAPS", 200) == ["PERHAPS"]


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (CouldNotFinish("the card went away"), 4),
        (Interrupted("stopped"), 130),
        (ProductionFileProblem("the file is none"), 2),
        (RuntimeError("a mistake"), 4),
    ],
)
def test_every_failure_prints_keep(error: BaseException, status: int) -> None:
    ran = run_line("may-wipe", "/media/A003", may_wipe=raises(error))
    assert ran.status == status
    assert ran.last_line == "KEEP"
    ran = run_line("may-wipe", "/media/A003", "--json", may_wipe=raises(error))
    assert json.loads(ran.out)["answer"] == "KEEP"


@pytest.mark.parametrize("words", [(), ("a", "b"), ("/media/A003", "--no-such"), ("/media/A003", "--accept")])
def test_wrong_usage_prints_keep(words: tuple[str, ...]) -> None:
    ran = run_line("may-wipe", *words, may_wipe=gives(an_answer()))
    assert ran.status == 2
    assert ran.last_line == "KEEP"
    assert "MAY WIPE" not in ran.out


def test_accepting_without_a_reason_or_a_name_is_wrong_usage_and_keep() -> None:
    ran = run_line("may-wipe", "/media/A003", "--accept", "A003C001")
    assert (ran.status, ran.last_line) == (2, "KEEP")
    assert "--reason" in ran.err


def test_json_is_one_object_with_the_keys_of_the_contract() -> None:
    result = an_answer(a_reason())
    ran = run_line("may-wipe", "/media/A003", "--json", may_wipe=gives(result))
    told = json.loads(ran.out)
    assert told == result.as_json()
    assert {"answer", "basis", "reasons", "rolls", "copies", "findings"} <= told.keys()


def test_quiet_leaves_the_answer_and_its_reasons() -> None:
    ran = run_line("may-wipe", "/media/A003", "--quiet", may_wipe=gives(an_answer(a_reason())))
    assert ran.last_line == "KEEP"
    assert "reason 1" in ran.out
    assert "Copies" not in ran.out
    ran = run_line("may-wipe", "/media/A003", "--quiet", may_wipe=gives(an_answer()))
    assert ran.last_line == "MAY WIPE"
    assert len(ran.out.splitlines()) == 2


def test_every_option_reaches_the_workflow() -> None:
    requests: list[MayWipeRequest] = []

    def workflow(request: MayWipeRequest, _ctx: Context, **_seams: Any) -> MayWipeResult:
        requests.append(request)
        return an_answer()

    run_line(
        "may-wipe", "/media/A003", "--reread", "--reread-copies", "--accept", "A003C001", "--accept", "space",
        "--reason", "seen", "--production", "/work.toml", "--by", "the assistant", "--role", "camera assistant",
        may_wipe=workflow,
    )  # fmt: skip
    assert requests == [
        MayWipeRequest(
            b"/media/A003", True, True, ("A003C001", "space"), "seen", b"/work.toml",
            person=Person("the assistant", "camera assistant"),
        )
    ]  # fmt: skip


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("terminal", [True, False])
def test_no_name_anywhere_in_a_result_can_act_on_the_terminal(name: str, terminal: bool) -> None:
    copy = COPY.model_copy(update=dict.fromkeys(("path", "drive", "role", "device", "roll", "why"), name))
    roll = WipeRoll(roll=name, production=name, files=1, copies_counted=0, copies_required=2)
    finding = a_finding(path=name, detail=name, drive=name, remedy=name)
    result = an_answer(finding, copies=[copy], rolls=[roll], label=name, first_clip=name, last_clip=name)
    ran = run_line("may-wipe", "/media/A003", may_wipe=gives(result), terminal=terminal)
    assert ran.status == 1
    assert alive(ran.out + ran.err, terminal=terminal) == []
    assert "\nMAY WIPE" not in without_codes(ran.out)
