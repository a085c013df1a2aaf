"""A drive that never answers, at whatever call, under every command that goes to drives: it is named, in time."""

from __future__ import annotations

import dataclasses
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from rollproof.models.errors import CouldNotFinish, Interrupted
from rollproof.models.requests import (
    AuditRequest,
    Cancel,
    HandoverRequest,
    InspectRequest,
    MayWipeRequest,
    Person,
    ReceiveRequest,
)
from rollproof.station.context import Context
from rollproof.storage.system import system_io
from rollproof.workflows.audit import audit
from rollproof.workflows.custody import custody
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from rollproof.workflows.inspect import inspect
from rollproof.workflows.may_wipe import may_wipe
from support.faults import Rule, Stall
from support.faulty_io import FaultyIo
from support.stage import SETTINGS, Stage, stage
from support.sweep import CAMPAIGN

QUICK = dataclasses.replace(SETTINGS, stall_seconds=0.5, workers_end_seconds=0.1, cancel_seconds=0.1)
BOUND_SECONDS = 10.0
"""Far above the 0.7 + what a busy machine adds."""
PERSON = Person(name="data wrangler")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


@pytest.fixture(scope="module")
def kept(place: Stage, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place.clear()
    first = place.run()
    assert first.result is not None
    assert first.result.verdict == "proven"
    folder = tmp_path_factory.mktemp("kept")
    place.keep(folder)
    return folder


@pytest.fixture
def released() -> Iterator[threading.Event]:
    event = threading.Event()
    yield event
    event.set()


@dataclasses.dataclass
class Hanging:
    """A command on a stage whose drive `one` never comes back from one call; `took` is what the command needed."""

    place: Stage
    io: FaultyIo
    released: threading.Event
    took: float = 0.0

    def run(self, work: Callable[..., Any], request: Any, **named: Any) -> Any:
        """Call the workflow; whatever happens, its drive comes back afterwards."""
        began = time.monotonic()
        try:
            return work(request, Context.of(io=self.io, drives=self.place.places, settings=QUICK, **named))
        finally:
            self.took = time.monotonic() - began
            reached = self.io.reached
            self.released.set()
            self.io.abandon()
            assert reached
            assert self.took < BOUND_SECONDS


def hanging(
    place: Stage, kept: Path, released: threading.Event, at: tuple[str, bytes], on_fault: Any = None
) -> Hanging:
    place.restore(kept)
    rule = Rule(Stall(released), at[0], path=at[1], drive=os.fsencode(place.drives["one"]))
    return Hanging(place, FaultyIo(system_io(), [rule], on_fault=on_fault), released)


def ask(place: Stage) -> MayWipeRequest:
    names = tuple(sorted(os.fsdecode(path)[6:14] for path in place.known.files if path.endswith(b".mov")))
    return MayWipeRequest(card=os.fsencode(place.card), accepted=names, reason="noise, for tests", person=PERSON)


OPENING, LISTING, RECORDS = ("open_root", b"*"), ("list_folder", b""), ("read_into", b"*rollproof/*")
APPENDING = {
    "writing the record": ("write_from", b"*rollproof/*"),
    "flushing the record": ("flush", b"*rollproof/*"),
    "reading the record back": ("read_into", b"*rollproof/*-partial"),
    "naming the record": ("rename_no_replace", b"*rollproof/*"),
}
READING = {"opening": OPENING, "listing": LISTING, "reading the records": RECORDS}
LOCKING = {"locking": ("lock", b"*"), "listing the copy": ("list_folder", b"*CLIPS")}


def some(moments: dict[str, tuple[str, bytes]], *names: str) -> list[str]:
    """All of these moments in a campaign, those named else: each takes a second."""
    return [moment for moment in moments if CAMPAIGN or moment in names]


@pytest.mark.parametrize("moment", some(READING | LOCKING | APPENDING, "locking", "flushing the record"))
def test_a_handover_of_a_drive_that_hangs_ends_in_time_and_says_so(
    place: Stage, kept: Path, released: threading.Event, moment: str, tmp_path: Path
) -> None:
    drive = hanging(place, kept, released, (READING | LOCKING | APPENDING)[moment])
    request = HandoverRequest(
        os.fsencode(place.drives["one"]), "the lab", sheet=os.fsencode(tmp_path / "sheet.html"), person=PERSON
    )
    with pytest.raises(CouldNotFinish) as told:
        drive.run(handover, request, emit=lambda event: None, cancel=Cancel())
    assert [finding.kind for finding in told.value.findings] == ["drive-hangs"]
    assert "custody" in told.value.message
    assert not (tmp_path / "sheet.html").exists()


@pytest.mark.parametrize("moment", some(READING | LOCKING | APPENDING, "opening", "flushing the record"))
def test_a_drive_that_hangs_while_it_is_received_is_named_in_time(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    drive = hanging(place, kept, released, (READING | LOCKING | APPENDING)[moment])
    request = ReceiveRequest(os.fsencode(place.drives["one"]), person=PERSON)
    try:
        result = drive.run(receive, request, emit=lambda event: None, cancel=Cancel())
    except CouldNotFinish as problem:
        assert [finding.kind for finding in problem.findings] == ["drive-hangs"]
    else:  # a file that hangs is told by the reading itself
        assert result.verdict == "not proven"
        assert "drive-hangs" in {finding.kind for finding in result.findings}


@pytest.mark.parametrize("moment", some(READING, "listing", "reading the records"))
def test_records_on_a_drive_that_hangs_are_given_up_in_time(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    drive = hanging(place, kept, released, READING[moment])
    with pytest.raises(CouldNotFinish) as told:
        drive.run(custody, os.fsencode(place.drives["one"]))
    assert [finding.kind for finding in told.value.findings] == ["drive-hangs"]


@pytest.mark.parametrize(
    "moment", some(READING | {"listing the copy": LOCKING["listing the copy"]}, "opening", "listing the copy")
)
def test_a_look_at_a_drive_that_hangs_is_given_up_in_time(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    drive = hanging(place, kept, released, (READING | LOCKING)[moment])
    with pytest.raises(CouldNotFinish) as told:
        drive.run(inspect, InspectRequest(os.fsencode(place.drives["one"])), cancel=Cancel())
    assert [finding.kind for finding in told.value.findings] == ["drive-hangs"]


@pytest.mark.parametrize(
    "moment", some(READING | {"listing the copy": LOCKING["listing the copy"]}, "opening", "reading the records")
)
def test_an_audit_goes_on_with_the_other_drive(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    drive = hanging(place, kept, released, (READING | LOCKING)[moment])
    request = AuditRequest(tuple(os.fsencode(path) for path in place.drives.values()))
    result = drive.run(audit, request, emit=lambda event: None, cancel=Cancel())
    assert result.verdict == "not complete"
    assert "drive-hangs" in {finding.kind for finding in result.findings}
    assert len(result.rolls) == 1


@pytest.mark.parametrize("moment", some(APPENDING, "flushing the record"))
def test_an_audit_that_reads_again_goes_on_with_the_other_drive(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    drive = hanging(place, kept, released, APPENDING[moment])
    request = AuditRequest(tuple(os.fsencode(path) for path in place.drives.values()), reread=True)
    result = drive.run(audit, request, emit=lambda event: None, cancel=Cancel())
    assert result.verdict == "not complete"
    assert "drive-hangs" in {finding.kind for finding in result.findings}


_COUNTED = READING | {"locking": LOCKING["locking"], "looking at the files": ("stat", b"*CLIPS/*")}
_COUNTED |= {"writing the small file": ("write_from", b"*probe*"), "closing the small file": ("close", b"*probe*")}
del _COUNTED["listing"]


@pytest.mark.parametrize("moment", some(_COUNTED, "opening", "reading the records", "writing the small file"))
def test_a_copy_on_a_drive_that_hangs_counts_for_nothing_and_the_other_is_counted(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    place.clear()
    assert place.run().result is not None
    rule = Rule(Stall(released), *_COUNTED[moment][:1], path=_COUNTED[moment][1], drive=_top(place, "one"))
    drive = Hanging(place, FaultyIo(system_io(), [rule]), released)
    result = drive.run(may_wipe, ask(place), emit=lambda event: None, cancel=Cancel())
    assert result.answer == "KEEP"
    assert {copy.drive: copy.counted for copy in result.copies} == {"one": False, "two": True}
    assert "drive-hangs" in {finding.kind for finding in result.findings}
    # what was found is remembered, and taken back by a verify
    assert place.may_wipe().result.answer == "KEEP"  # type: ignore[union-attr]
    assert place.verify().result.verdict == "proven"  # type: ignore[union-attr]
    assert place.may_wipe().result.answer == "MAY WIPE"  # type: ignore[union-attr]


@pytest.mark.parametrize("moment", some(APPENDING, "flushing the record", "naming the record"))
def test_a_permit_that_a_drive_does_not_take_in_time_is_none(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    operation, path = APPENDING[moment]
    place.clear()
    assert place.run().result is not None
    nth = 2 if operation in ("write_from", "flush") else 1  # after the small file
    rule = Rule(Stall(released), operation, path=path, drive=_top(place, "two"), nth=nth)
    drive = Hanging(place, FaultyIo(system_io(), [rule]), released)
    result = drive.run(may_wipe, ask(place), emit=lambda event: None, cancel=Cancel())
    assert result.answer == "KEEP"
    assert result.permits == []
    assert any("does not answer" in reason for reason in result.reasons), result.reasons
    records = place.copies()["one"].records
    assert [record["kind"] for record in records[-2:]] == ["permit", "withdraw"]


@pytest.mark.parametrize(("nth", "found"), [(1, False), (2, True)])
def test_a_card_that_hangs_is_kept_in_time(
    place: Stage, kept: Path, released: threading.Event, nth: int, found: bool
) -> None:
    place.clear()
    assert place.run().result is not None
    rule = Rule(Stall(released), "list_folder", path=b"CLIPS", drive=os.fsencode(place.card), nth=nth)
    drive = Hanging(place, FaultyIo(system_io(), [rule]), released)
    result = drive.run(may_wipe, ask(place), emit=lambda event: None, cancel=Cancel())
    assert result.answer == "KEEP"
    assert any("has not answered" in reason for reason in result.reasons), result.reasons
    assert bool(result.copies) is found


def _top(place: Stage, name: str) -> bytes:
    return os.fsencode(place.drives[name])


def test_ctrl_c_ends_a_handover_whose_drive_hangs(
    place: Stage, kept: Path, released: threading.Event, tmp_path: Path
) -> None:
    cancel = Cancel()
    drive = hanging(place, kept, released, OPENING, cancel.set)
    request = HandoverRequest(
        os.fsencode(place.drives["one"]), "the lab", sheet=os.fsencode(tmp_path / "sheet.html"), person=PERSON
    )
    with pytest.raises(Interrupted):
        drive.run(handover, request, emit=lambda event: None, cancel=cancel)
