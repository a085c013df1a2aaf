"""`handover`, `receive` and `custody` as a person and as a script see them, with stand-ins for the workflows."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.results import a_finding, gives, raises
from cli.running import run_line, without_codes
from rollproof.models.custody_results import (
    CustodyChain,
    CustodyLink,
    CustodyResult,
    CustodyRoll,
    DriveOfCustody,
    HandoverOut,
    HandoverResult,
    ReceiptCompared,
    ReceiveResult,
    SignatureOut,
    TrustResult,
)
from rollproof.models.errors import ExitStatus, StationKeyProblem
from rollproof.models.requests import HandoverRequest, Person, ReceiveRequest
from rollproof.station.context import Context

RECEIPT = "K7QM-4XTW-9HRA-PF3D-9Q"
DRIVE = DriveOfCustody(
    path="/mnt/shuttle", label="SHUTTLE", volume="6f1c-0e2a", device="Bell Disk", serial="BD-2291",
    capacity_bytes=4 << 40, file_system="ext4",
)  # fmt: skip
SIGNED = SignatureOut(state="good", fingerprint="SHA256:abc", name="camera cart", known_since="2026-05-01T09:00:00Z")


def a_drives_roll(**changes: Any) -> CustodyRoll:
    """A proven roll."""
    roll = CustodyRoll(
        roll="A003", folder="2026-05-14/A003", state="proven", files=412, bytes=512_000_000_000, record="0001.json"
    )
    return roll.model_copy(update=changes)


def a_handover(*rolls: CustodyRoll, **changes: Any) -> HandoverResult:
    """A drive that was handed over whole."""
    out = HandoverOut(
        path="/mnt/shuttle", production="The Bell Foundry", record="0001_handover.json", receipt=RECEIPT,
        rolls=list(rolls) or [a_drives_roll()],
    )  # fmt: skip
    result = HandoverResult(
        verdict="proven", receipt=RECEIPT, to="post house", via="courier", checked="quick", drive=DRIVE,
        handovers=[out], sheet="/home/sheets/handover.html", station_key="SHA256:abc", findings=[], seconds=1.0,
        status=ExitStatus.DONE,
    )  # fmt: skip
    return result.model_copy(update=changes)


def a_receive(*rolls: CustodyRoll, compared: dict[str, Any] | None = None, **changes: Any) -> ReceiveResult:
    """A drive that arrived as it left."""
    arrived = ReceiptCompared(
        path="/mnt/shuttle", production="The Bell Foundry", handover="0001_handover.json",
        handed_over_at="2026-05-14T18:30:00+02:00", handed_over_by="the wrangler at cart", to="post house",
        signature=SIGNED, receipt_then=RECEIPT, receipt=RECEIPT, same=True, record="0002_receive.json",
        rolls=list(rolls) or [a_drives_roll(compared="same")],
    ).model_copy(update=compared or {})  # fmt: skip
    result = ReceiveResult(
        verdict="proven", receipt=RECEIPT, same=True, drive=DRIVE, compared=[arrived], findings=[], seconds=9.0,
        status=ExitStatus.DONE,
    )  # fmt: skip
    return result.model_copy(update=changes)


def a_link(**changes: Any) -> CustodyLink:
    """One whole, signed record."""
    link = CustodyLink(
        record="0001_offload_2026-05-14T081502Z.json", sequence=1, kind="offload",
        written_at="2026-05-14T10:15:02+02:00", by="the wrangler", role="data wrangler", station="cart",
        state="whole", what="proven on primary, 412 files", signature=SIGNED, sha256="0" * 64,
    )  # fmt: skip
    return link.model_copy(update=changes)


def a_custody(*links: CustodyLink, **changes: Any) -> CustodyResult:
    """A whole chain of one roll."""
    chain = CustodyChain(
        path="/mnt/shuttle/A003", of="roll", roll="A003", production="The Bell Foundry", whole=True,
        links=list(links) or [a_link()], findings=[],
    )  # fmt: skip
    result = CustodyResult(verdict="whole", chains=[chain], findings=[], status=ExitStatus.DONE)
    return result.model_copy(update=changes)


BAD = a_drives_roll(state="unproven")
NO = ExitStatus.ANSWER_IS_NO
ENDINGS: list[tuple[str, Any, int, str]] = [
    ("handover", a_handover(), 0,
     "HANDED OVER: 1 roll, all proven, looked at, not read again. Read the receipt out over the phone."),
    ("handover", a_handover(checked="reread"), 0,
     "HANDED OVER: 1 roll, all proven, read again. Read the receipt out over the phone."),
    ("handover", a_handover(a_drives_roll(), BAD, verdict="not proven", status=NO), 1,
     "HANDED OVER, NOT PROVEN: 1 of 2 rolls proven, looked at, not read again. Keep the cards and every other copy."),
    ("handover", a_handover(handovers=[], receipt=None, verdict="not proven", status=ExitStatus.NOT_FINISHED), 4,
     "NOT HANDED OVER: the record could not be written on the drive."),
    ("receive", a_receive(), 0, "RECEIVED: 1 roll read again and proven, exactly as handed over."),
    ("receive", a_receive(same=None), 0, "RECEIVED: 1 roll read again and proven, with no handover to compare with."),
    ("receive", a_receive(same=False, verdict="not proven", status=NO), 1,
     "NOT AS IT SHOULD BE: 1 of 1 roll proven; the drive is not as it was handed over. Keep every other copy."),
    ("receive", a_receive(compared={"rolls": []}, verdict="not proven", status=NO), 1,
     "NOT RECEIVED: there is no roll on this drive."),
    ("custody", a_custody(), 0, "WHOLE: 1 chain, 1 record, 1 signed with a known key."),
    ("custody", a_custody(chains=[], verdict="not whole", status=NO), 1, "NOT WHOLE: there are no records there."),
]  # fmt: skip


def line(command: str) -> list[str]:
    """A command line for a command."""
    return [command, "/mnt/shuttle", *(["--to", "post house"] if command == "handover" else [])]


@pytest.mark.parametrize(("command", "result", "status", "last"), ENDINGS)
def test_every_ending_has_its_status_and_its_word_as_the_last_line(
    command: str, result: Any, status: int, last: str
) -> None:
    workflow: dict[str, Any] = {command: gives(result)}
    for options in ([], ["--quiet"]):
        ran = run_line(*line(command), *options, **workflow)
        assert (ran.status, ran.last_line) == (status, last)
    ran = run_line(*line(command), "--json", **workflow)
    assert ran.status == status
    assert json.loads(ran.out) == result.as_json()


@pytest.mark.parametrize("quiet", [[], ["--quiet"]])
def test_the_receipt_is_shown_and_spelled_even_when_asked_to_be_quiet(quiet: list[str]) -> None:
    for command, result in (("handover", a_handover()), ("receive", a_receive())):
        workflow: dict[str, Any] = {command: gives(result)}
        out = run_line(*line(command), *quiet, **workflow).out
        assert f"Receipt   {RECEIPT}" in out
        assert "Kilo 7 Quebec Mike, 4 X-ray Tango Whiskey" in out


def test_a_handover_says_which_drive_where_the_record_and_the_sheet_are_and_which_key_signed() -> None:
    out = run_line(*line("handover"), handover=gives(a_handover())).out
    for words in ("Drive SHUTTLE", "serial BD-2291", "to post house, carried by courier", "0001_handover.json",
                  "sheet for the envelope: /home/sheets/handover.html", "SHA256:abc"):  # fmt: skip
        assert words in out


def test_a_receive_says_who_handed_over_and_whether_the_code_is_the_same() -> None:
    out = run_line(*line("receive"), receive=gives(a_receive())).out
    assert "handed over 2026-05-14 18:30 by the wrangler at cart to post house" in out
    assert "signed by camera cart, known since 2026-05-01" in out
    assert "The same as in the handover" in out
    other = a_receive(compared={"same": False, "receipt_then": "2222-2222-2222-2222-22"}, same=False, status=NO)
    assert (
        "NOT THE SAME as in the handover: 2222-2222-2222-2222-22"
        in run_line(*line("receive"), receive=gives(other)).out
    )


def test_of_hundreds_of_rolls_those_that_are_wrong_stand_first() -> None:
    rolls = [a_drives_roll(folder=f"day/A{number:03}") for number in range(300)]
    rolls.append(a_drives_roll(folder="day/Z999", state="missing", compared="missing"))
    out = run_line(*line("receive"), receive=gives(a_receive(*rolls))).out
    assert "and 281 more; --json lists them" in out
    assert out.index("Z999") < out.index("A000")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "whole, signed by camera cart, known since 2026-05-01"),
        ({"state": "changed"}, "CHANGED, signed by camera cart"),
        ({"signature": SignatureOut(state="missing")}, "whole, not signed"),
        ({"signature": SignatureOut(state="wrong", fingerprint="SHA256:x")}, "SIGNATURE WRONG"),
        (
            {"signature": SignatureOut(state="unknown key", fingerprint="SHA256:x")},
            "signed with an unknown key, SHA256:x",
        ),
    ],
)
def test_each_link_of_the_chain_says_whether_it_is_whole_and_by_whom_signed(
    changes: dict[str, Any], words: str
) -> None:
    out = run_line(*line("custody"), custody=gives(a_custody(a_link(**changes)))).out
    assert words in out
    assert "   1  2026-05-14 10:15  offload  proven on primary, 412 files" in out


def test_every_option_reaches_the_workflow() -> None:
    requests: list[Any] = []

    def note(result: Any) -> Any:
        def workflow(request: Any, _ctx: Context, **_seams: Any) -> Any:
            requests.append(request)
            return result

        return workflow

    who = ("--by", "the wrangler", "--role", "data wrangler")
    run_line(
        "handover", "/mnt/s", "--production", "bell.toml", "--to", "post house", "--via", "courier", "--note", "dry",
        "--reread", "--sheet", "s.html", *who, handover=note(a_handover()),
    )  # fmt: skip
    run_line("receive", "/mnt/s", "--receipt", "K7QM", *who, receive=note(a_receive()))
    person = Person("the wrangler", "data wrangler")
    assert requests == [
        HandoverRequest(b"/mnt/s", "post house", "courier", "dry", True, b"s.html", person, b".", b"bell.toml"),
        ReceiveRequest(b"/mnt/s", "K7QM", person),
    ]


def test_both_spellings_of_custody_work_and_a_folder_called_trust_can_still_be_shown() -> None:
    seen: list[tuple[Any, ...]] = []
    trusted = TrustResult(name="post house", fingerprint="SHA256:abc", new=True, file="/home/known_keys")

    def trust(*given: Any) -> TrustResult:
        seen.append(given)
        return trusted

    ran = run_line("custody", "trust", "key.pub", "--name", "post house", trust=trust)
    assert (ran.status, seen) == (0, [(b"key.pub", "post house")])
    assert "The key SHA256:abc is known as post house." in ran.out
    assert json.loads(run_line("custody", "trust", "k", "--name", "x", "--json", trust=trust).out) == trusted.as_json()
    paths: list[Any] = []

    def custody(path: bytes, _ctx: Context) -> CustodyResult:
        paths.append(path)
        return a_custody()

    for words in (["trust"], ["/mnt/shuttle"]):
        assert run_line("custody", *words, custody=custody).status == 0
    assert paths == [b"trust", b"/mnt/shuttle"]


@pytest.mark.parametrize(
    "words",
    [
        ["custody"],
        ["custody", "a", "b"],
        ["custody", "trust", "key.pub"],
        ["custody", "/mnt", "--name", "x"],
        ["custody", "trust", "a", "b", "--name", "x"],
        ["handover", "/mnt"],
        ["handover", "--to", "x"],
        ["receive"],
    ],
)
def test_a_line_that_makes_no_sense_is_a_usage_error(words: list[str]) -> None:
    assert run_line(*words).status == 2


def test_a_key_that_may_not_be_used_ends_with_its_own_status_and_its_remedy() -> None:
    problem = StationKeyProblem("the station's key is open to others", hint="chmod 600 station_key")
    ran = run_line(*line("handover"), handover=raises(problem))
    assert ran.status == 3
    assert "open to others" in ran.err
    assert "chmod 600" in ran.err


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("terminal", [True, False])
def test_no_text_anywhere_in_a_result_can_act_on_the_terminal(name: str, terminal: bool) -> None:
    finding = a_finding(path=name, detail=name, drive=name, remedy=name)
    drive = DRIVE.model_copy(update={"path": name, "label": name, "volume": name, "device": name, "serial": name})
    roll = a_drives_roll(roll=name, folder=name, state="unproven", why=name, compared="changed")
    signature = SignatureOut(state="good", fingerprint=name, name=name, known_since=name, detail=name)
    handed = a_handover(
        to=name, via=name, drive=drive, sheet=name, station_key=name, findings=[finding],
        handovers=[HandoverOut(path=name, production=name, record=name, receipt=RECEIPT, rolls=[roll])],
    )  # fmt: skip
    told = {"path": name, "production": name, "handover": name, "handed_over_at": name, "handed_over_by": name,
            "to": name, "signature": signature, "receipt_then": name, "same": False, "record": name}  # fmt: skip
    received = a_receive(roll, compared=told, drive=drive, findings=[finding])
    link = a_link(
        record=name, kind=name, written_at=name, by=name, role=name, station=name, state=name, what=name,
        signature=signature,
    )  # fmt: skip
    chain = CustodyChain(
        path=name, of="roll", roll=name, production=name, whole=False, links=[link], findings=[finding]
    )
    shown = a_custody(chains=[chain], findings=[finding])
    trusted = TrustResult(name=name, fingerprint=name, new=True, file=name)
    for words, workflow in (
        (line("handover"), {"handover": gives(handed)}),
        (line("receive"), {"receive": gives(received)}),
        (line("custody"), {"custody": gives(shown)}),
        (["custody", "trust", "k", "--name", "x"], {"trust": lambda *_: trusted}),
    ):
        ran = run_line(*words, terminal=terminal, **workflow)
        assert alive(ran.out + ran.err, terminal=terminal) == []
        assert "\nRECEIVED" not in without_codes(ran.out) or words[0] == "receive"
