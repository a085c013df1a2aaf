"""Every paper of every job that a drive stores otherwise than it was given: named, taken away, and never "proven"."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rollproof.models.requests import Cancel, HandoverRequest, Person, ReceiveRequest, VerifyRequest
from rollproof.station.context import Context
from rollproof.storage.system import system_io
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from rollproof.workflows.verify import verify
from support.faults import Flip, Rule
from support.faulty_io import FaultyIo
from workflows.station import SMALL, Station

PERSON = Person("the wrangler", "data wrangler")


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    made.offload()
    return made


def faulty(path: bytes) -> FaultyIo:
    return FaultyIo(system_io(), [Rule(Flip(), "write_from", path=path)])


@pytest.mark.parametrize("paper", ["*.mhl*", "*chain.xml*", "*.json.*", "*.json.sig*"])
def test_in_an_offload(tmp_path: Path, paper: str) -> None:
    station = Station(tmp_path)
    io = FaultyIo(system_io(), [Rule(Flip(), "write_from", path=os.fsencode(paper), drive=os.fsencode(station.one))])
    result = station.offload_one(io=io)
    assert io.reached
    assert result.verdict == "not proven"
    at = next(at for at in result.destinations if at.path.startswith(str(station.one)))
    assert any(paper.strip("*").rstrip(".") in finding.path + finding.detail for finding in at.findings)
    if "sig" not in paper:
        assert at.state == "failed"
        assert (station.roll(station.one) / "NOT-FINISHED.rollproof-partial").exists()
    left = [path.name for path in station.roll(station.one).glob("*/*.rollproof-partial")]
    assert left == []
    assert station.offload_one().verdict == "proven"


@pytest.mark.parametrize("paper", [b"*.mhl*", b"*chain.xml*", b"*.json.*", b"*.json.sig*"])
def test_in_a_verify(station: Station, paper: bytes) -> None:
    io = faulty(paper)
    result = verify(
        VerifyRequest((os.fsencode(station.one),)),
        Context.of(emit=lambda event: None, cancel=Cancel(), io=io, settings=SMALL),
    )
    assert io.reached
    assert result.verdict == "not proven"
    named = " ".join(finding.path + finding.detail for copy in result.copies for finding in copy.findings)
    assert "read back" in named
    assert station.verify(station.one).verdict == "proven"


def test_when_a_drive_is_handed_over_and_received(station: Station) -> None:
    io = faulty(b"*_handover_*")
    wish = HandoverRequest(os.fsencode(station.one), to="post house", person=PERSON)
    out = handover(wish, Context.of(emit=lambda event: None, cancel=Cancel(), io=io, settings=SMALL))
    assert io.reached
    assert (out.verdict, int(out.status)) == ("not proven", 4)
    assert any("read back" in finding.detail for finding in out.findings)
    assert list((station.one / "rollproof").glob("*")) == []
    assert handover(wish, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL)).verdict == "proven"

    io = faulty(b"*_receive_*")
    arrival = ReceiveRequest(os.fsencode(station.one), None, PERSON)
    got = receive(arrival, Context.of(emit=lambda event: None, cancel=Cancel(), io=io, settings=SMALL))
    assert io.reached
    assert (got.verdict, int(got.status)) == ("not proven", 4)
    assert any("read back" in finding.detail for finding in got.findings)
    assert not list((station.one / "rollproof").glob("*_receive_*"))
