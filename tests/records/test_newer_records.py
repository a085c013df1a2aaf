"""Records of a later version: they are said to need it, and nothing is called damaged for them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from records.samples import ROLL, Roll, drive, offload_header, rows, verify_header
from rollproof.models.findings import Kind
from rollproof.records.chain import read_chain
from rollproof.records.models import AcceptedFinding, AcceptHeader
from rollproof.records.read import read_header
from rollproof.records.standing import standing


def later(roll: Roll, written: str, kind: str, at: int = 2) -> Path:
    """A record as a later version may write it: keys and kinds that nobody knows yet."""
    before = read_chain(roll.io, roll.handle).links[-1]
    header: dict[str, Any] = {
        "format": written, "kind": kind, "sequence": at, "previous_sha256": before.sha256,
        "written_at": "2026-05-15T08:00:00+02:00", "roll": "A003", "mended": {"files": 3},
    }  # fmt: skip
    lines = "".join(f"  {json.dumps(key)}: {json.dumps(value)},\n" for key, value in header.items())
    path = roll.record(f"{at:04}_{kind}_2026-05-15T060000Z.json")
    path.write_text("{\n" + lines + '  "files": [\n  ]\n}\n')
    return path


@pytest.mark.parametrize(
    ("written", "kind"),
    [("rollproof-record/2", "relabel"), ("rollproof-record/3", "offload"), ("rollproof-record/2", "offload")],
)
def test_a_record_of_a_later_version_needs_it_and_breaks_nothing_else(roll: Roll, written: str, kind: str) -> None:
    roll.offload(*rows(*ROLL), volume=drive())
    later(roll, written, kind)
    roll.append(verify_header())  # it goes on behind it, and its digest is that of the record as it lies there
    chain = read_chain(roll.io, roll.handle)
    assert [link.state for link in chain.links] == ["whole", "newer", "whole"]
    assert [found.kind for found in chain.findings] == [Kind.NEWER_VERSION]
    assert "needs a newer version" in chain.findings[0].detail
    assert chain.needs_newer
    found = standing(roll.io, roll.handle, chain, drive())
    assert found.state == "unproven" and not found.withdrawn
    assert "newer version" in found.why[0] and "newer version" in found.remedy


def test_a_record_of_a_later_version_that_was_changed_is_told_to_be_changed(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), volume=drive())
    path = later(roll, "rollproof-record/2", "relabel")
    roll.append(verify_header())
    path.write_bytes(path.read_bytes().replace(b'"files": 3', b'"files": 4'))
    chain = read_chain(roll.io, roll.handle)
    assert {found.kind for found in chain.findings} == {Kind.NEWER_VERSION, Kind.CHAIN_BROKEN}
    assert not chain.needs_newer


def test_what_a_person_accepts_is_a_record_that_says_nothing_of_the_bytes(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), volume=drive())
    before = standing(roll.io, roll.handle, read_chain(roll.io, roll.handle), drive())
    offload = offload_header()
    written = roll.append(
        AcceptHeader(
            roll=offload.roll,
            production=offload.production,
            reason="known",
            accepted=(AcceptedFinding(kind="damaged-clip", name="A003C001", detail="it is cut short"),),
        )
    )
    assert json.loads(roll.record(written.name).read_text())["format"] == "rollproof-record/2"
    header = read_header(roll.io, roll.handle, written.name)
    assert isinstance(header, AcceptHeader) and header.accepted[0].name == "A003C001"
    chain = read_chain(roll.io, roll.handle)
    assert chain.whole
    after = standing(roll.io, roll.handle, chain, drive())
    assert (after.state, after.why) == (before.state, before.why)
