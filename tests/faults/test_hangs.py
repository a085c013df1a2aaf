"""A device that never answers, at whatever call: the others are done, it is named, and the verdict comes in time."""

from __future__ import annotations

import dataclasses
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rollproof.models.errors import Interrupted
from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.station.context import Context
from rollproof.storage.io import Stat
from rollproof.storage.posix import LinuxIo
from rollproof.storage.system import system_io
from rollproof.workflows.offload import offload
from rollproof.workflows.offload import preflight as offload_preflight
from rollproof.workflows.verify import verify
from support.faults import Rule, Stall
from support.faulty_io import FaultyIo
from support.stage import SETTINGS, Stage, stage

QUICK = dataclasses.replace(SETTINGS, stall_seconds=0.5, workers_end_seconds=0.2, cancel_seconds=0.3)
BOUND_SECONDS = 10.0
"""Far above the 1.0 + what a busy machine adds, far below the 30 that a hung run is given."""


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


AT = {
    "opening": ("open_root", b"*"),
    "looking for rolls": ("list_folder", b""),
    "locking": ("lock", b"*"),
    "reading the records": ("read_into", b"rollproof/*"),
    "reading the manifests": ("read_into", b"ascmhl/*"),
    "listing the copy": ("list_folder", b"CLIPS"),
    "reading the copy": ("read_into", b"CLIPS/*"),
    "writing the manifest": ("write_from", b"ascmhl/*"),
    "flushing the record": ("flush", b"rollproof/*"),
    "reading the record back": ("read_into", b"rollproof/*-partial"),
    "naming the record": ("rename_no_replace", b"rollproof/*"),
}


@pytest.mark.parametrize("moment", AT)
def test_a_drive_that_hangs_during_a_verify_keeps_neither_the_other_nor_the_verdict_waiting(
    place: Stage, kept: Path, released: threading.Event, moment: str
) -> None:
    place.restore(kept)
    operation, path = AT[moment]
    rule = Rule(Stall(released), operation, path=path, drive=os.fsencode(place.drives["one"]))
    io = FaultyIo(system_io(), [rule])
    began = time.monotonic()
    result = verify(
        VerifyRequest(tuple(os.fsencode(place.drives[name]) for name in ("one", "two"))),
        Context.of(emit=lambda event: None, cancel=Cancel(), io=io, drives=place.places, settings=QUICK),
    )
    took = time.monotonic() - began
    released.set()
    io.abandon()
    assert io.reached
    assert took < BOUND_SECONDS
    assert result.verdict == "not proven"
    assert int(result.status) == 4
    verdicts = {Path(copy.path).parent.name: copy.verdict for copy in result.copies}
    assert verdicts["two"] == "proven"
    assert verdicts.get("one", "not proven") == "not proven"
    named = [*result.findings, *(finding for copy in result.copies for finding in copy.findings)]
    assert any(finding.kind == "drive-hangs" for finding in named)
    # the drive is back: nothing of what it did meanwhile is in the way
    place.let_an_hour_pass()
    again = place.verify()
    assert again.result is not None
    assert again.result.verdict == "proven", [
        finding.detail for copy in again.result.copies for finding in copy.findings
    ]


@pytest.mark.parametrize(
    ("operation", "path"), [("open_root", b"*"), ("fstat", b""), ("list_folder", b"CLIPS"), ("stat", b"CLIPS/*")]
)
def test_a_card_that_hangs_before_the_first_byte_is_refused_in_time(
    place: Stage, released: threading.Event, operation: str, path: bytes
) -> None:
    place.clear()
    rule = Rule(Stall(released), operation, path=path, drive=os.fsencode(place.card))
    # let go of long after the answer is due: the harness waits for calls under way
    threading.Timer(2.0, released.set).start()
    began = time.monotonic()
    run = place.run([rule], settings=QUICK)
    took = time.monotonic() - began
    released.set()
    assert run.io.reached
    assert took < BOUND_SECONDS
    assert not run.hung
    assert run.result is not None, run.crash
    assert int(run.result.status) == 3
    assert any("has not answered" in finding.detail for finding in run.result.findings)
    assert not any(copy.exists for copy in place.copies().values())


@pytest.mark.parametrize(
    ("operation", "path"), [("open_root", b"*"), ("list_folder", b"*CLIPS"), ("stat", b"*CLIPS/*")]
)
def test_a_drive_that_hangs_while_its_roll_folder_is_looked_at_is_refused_in_time(
    place: Stage,
    kept: Path,
    released: threading.Event,
    monkeypatch: pytest.MonkeyPatch,
    operation: str,
    path: bytes,
) -> None:
    place.restore(kept)
    monkeypatch.setattr(offload_preflight, "ANSWER_SECONDS", 0.5)
    rule = Rule(Stall(released), operation, path=path, drive=os.fsencode(place.drives["one"]))
    threading.Timer(2.0, released.set).start()
    began = time.monotonic()
    run = place.run([rule], settings=QUICK)
    took = time.monotonic() - began
    released.set()
    assert run.io.reached
    assert took < BOUND_SECONDS
    assert run.result is not None, run.crash
    assert int(run.result.status) == 3
    hanging = [finding for roll in run.result.rolls for finding in roll.findings if finding.kind == "drive-hangs"]
    assert [finding.drive for finding in hanging] == ["one"]


class _SlowToLookAt(LinuxIo):
    """Looking at a file takes a while, as it does where a roll folder has very many of them."""

    def stat(self, name: bytes, folder: int) -> Stat:
        """See `Io`."""
        threading.Event().wait(0.1)
        return super().stat(name, folder)


def test_a_long_look_at_a_roll_folder_is_no_hanging_as_long_as_its_calls_come_back(
    place: Stage, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place.restore(kept)
    monkeypatch.setattr(offload_preflight, "ANSWER_SECONDS", 0.5)
    began = time.monotonic()
    result = offload(
        place.request(),
        Context.of(
            emit=lambda event: None, cancel=Cancel(), io=_SlowToLookAt(), drives=place.places, settings=SETTINGS
        ),
    )
    assert time.monotonic() - began > 2.0, "too quick to tell anything"
    assert result.verdict == "proven"


class _SlowPapers(LinuxIo):
    """Papers and their folders take a while to open, as it does where they are long and the drive is slow."""

    def open_folder(self, name: bytes, folder: int) -> int:
        """See `Io`."""
        if name in (b"rollproof", b"ascmhl"):
            threading.Event().wait(0.3)
        return super().open_folder(name, folder)

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        """See `Io`."""
        if name.endswith((b".json", b".mhl", b".xml", b"-partial")):
            threading.Event().wait(0.3)
        return super().open_read(name, folder, direct=direct)


def test_papers_that_take_long_make_no_hanging_drive_as_long_as_each_call_comes_back(place: Stage) -> None:
    place.clear()
    settings = dataclasses.replace(SETTINGS, stall_seconds=1.0)
    result = offload(
        place.request(),
        Context.of(emit=lambda event: None, cancel=Cancel(), io=_SlowPapers(), drives=place.places, settings=settings),
    )
    assert result.rolls[0].seconds["records"] > 1.5 * settings.stall_seconds, "too quick to tell anything"
    assert result.verdict == "proven"


@pytest.mark.parametrize(("operation", "path"), [("rename_no_replace", b"*rollproof/*"), ("flush", b"*ascmhl/*")])
def test_a_drive_that_hangs_while_its_papers_are_written_is_left_behind(
    place: Stage, released: threading.Event, operation: str, path: bytes
) -> None:
    place.clear()
    rule = Rule(Stall(released), operation, path=path, drive=os.fsencode(place.drives["one"]))
    threading.Timer(4.0, released.set).start()
    began = time.monotonic()
    run = place.run([rule], settings=QUICK)
    took = time.monotonic() - began
    released.set()
    assert run.io.reached
    assert took < BOUND_SECONDS
    assert run.result is not None, run.crash
    states = {at.drive: at.state for at in run.result.rolls[0].destinations}
    assert states == {"one": "failed", "two": "proven"}


def test_ctrl_c_ends_a_verify_whose_drive_hangs(place: Stage, kept: Path, released: threading.Event) -> None:
    place.restore(kept)
    cancel = Cancel()
    rule = Rule(Stall(released), "open_root", drive=os.fsencode(place.drives["one"]))
    io = FaultyIo(system_io(), [rule], on_fault=cancel.set)
    began = time.monotonic()
    with pytest.raises(Interrupted):
        verify(
            VerifyRequest((os.fsencode(place.drives["one"]),)),
            Context.of(
                emit=lambda event: None,
                cancel=cancel,
                io=io,
                drives=place.places,
                settings=dataclasses.replace(QUICK, stall_seconds=60.0),
            ),
        )
    assert time.monotonic() - began < BOUND_SECONDS
    released.set()
    io.abandon()
