"""`rollproof rolls`: which rolls this station has seen, and the whole story of one."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict

from rollproof.copies.begun import BegunOffload, begun_offloads
from rollproof.copies.permits import RollPermit, permits_by_roll
from rollproof.ledger.entries import HistoryLine, KnownCopy, KnownRoll
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.proof.devices import count_devices, worth
from rollproof.proof.readings import speaks_against_memory
from rollproof.station.ledger import StationLedger

STATES = ("proven", "too few copies", "not proven")


class RollLine(BaseModel):
    """One roll. `permit` is `given`, `used again` (given, and the card was used since), `withdrawn`, `pending` or None;
    `permit_at` when it was given."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    roll: str
    production: str | None
    day: str | None
    unit: str | None
    camera: str | None
    state: str
    copies: int
    copies_proven: int
    devices_proven: int
    copies_required: int
    files: int
    bytes: int
    clips: int
    first_clip: str
    last_clip: str
    first_at: datetime
    last_at: datetime
    permit: str | None
    permit_at: datetime | None = None
    looked_at: LookedAt | None = None


class LookedAt(BaseModel):
    """Who last said to have looked at the pictures of a roll."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    by: str
    role: str
    at: datetime
    note: str


class TimelineLine(BaseModel):
    """One thing that happened to a roll. `what` is a kind of record, `finding` or `permit`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: datetime
    what: str
    drive: str
    who: str
    role: str
    verdict: str
    detail: str
    record: str


class RollHistory(BaseModel):
    """A roll and its timeline, oldest first, and what its copies are worth now as far as this station knows."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    roll: RollLine
    copies: list[CopyLine]
    timeline: list[TimelineLine]


class CopyLine(BaseModel):
    """A copy as the ledger remembers it. `seen_at` is when this station last had it before its eyes."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    drive: str
    role: str
    device: str
    state: str
    readback: str | None
    why: str
    seen_at: datetime | None
    gone_at: datetime | None


class UnfinishedOffload(BaseModel):
    """An offload that was begun and is not finished on `drives`. `state` is `at work`, `unfinished` or `left over`;
    `needs_card` whether the card may be all there is of the roll; `command` finishes it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    roll: str
    production: str | None
    day: str | None
    unit: str | None
    state: str
    began_at: datetime
    card: str
    drives: list[str]
    folders: list[str]
    needs_card: bool
    command: str


class RollsResult(BaseModel):
    """Everything `rollproof rolls` has to say. `histories` are filled when a roll was named."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rolls: list[RollLine]
    histories: list[RollHistory]
    unfinished: list[UnfinishedOffload] = []
    findings: list[Finding]

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


def list_rolls(
    *,
    name: str | None = None,
    day: str | None = None,
    unit: str | None = None,
    camera: str | None = None,
    state: str | None = None,
    ledger: Ledger | None = None,
) -> RollsResult:
    """The rolls this station has seen, oldest first, filtered by what is given; with a name their whole history.

    Two cards that bore one name are two rolls. Raises LedgerProblem; an empty ledger is an empty list.
    """
    with StationLedger(ledger) as station:
        known = station.ledger
        findings = station.findings()
        if known is None:
            return RollsResult(rolls=[], histories=[], findings=list(findings))
        rolls = [
            roll
            for roll in known.rolls(name=name, day=day, unit=unit, camera=camera)
            if state is None or _state(roll) == state
        ]
        looked, permits = known.looked_at(), permits_by_roll(known)
        begun = [each for each in begun_offloads(known, station.at_work) if _is_asked_for(each, name, day, unit)]
        lines = [_line(roll, looked.get(roll.id), permits.get(roll.id)) for roll in rolls]
        told = zip(rolls, lines, strict=True) if name is not None else ()
        return RollsResult(
            rolls=lines,
            histories=[_history(known, line, roll.id) for roll, line in told],
            unfinished=[_unfinished(each) for each in begun],
            findings=list(findings),
        )


def _is_asked_for(begun: BegunOffload, name: str | None, day: str | None, unit: str | None) -> bool:
    """What is left over beside finished copies is told with the roll's own story only. Camera and state of a roll are
    not known before it is finished: no such filter hides it."""
    wanted = ((name, begun.roll), (day, begun.day), (unit, begun.unit))
    return all(given in (None, known) for given, known in wanted) and (name is not None or begun.state != "left over")


def _unfinished(begun: BegunOffload) -> UnfinishedOffload:
    return UnfinishedOffload(
        roll=begun.roll,
        production=begun.production or None,
        day=begun.day,
        unit=begun.unit,
        state=begun.state,
        began_at=begun.began_at,
        card=shown(begun.source),
        drives=[copy.drive for copy in begun.copies],
        folders=[shown(copy.path) for copy in begun.copies],
        needs_card=begun.needs_card,
        command=begun.command,
    )


def _line(roll: KnownRoll, looked: HistoryLine | None, permit: RollPermit | None) -> RollLine:
    return RollLine(
        roll=roll.name,
        production=roll.production,
        day=roll.day,
        unit=roll.unit,
        camera=roll.camera,
        state=_state(roll),
        copies=roll.copies,
        copies_proven=roll.copies_proven,
        devices_proven=count_devices(roll.proven_on),
        copies_required=roll.copies_required,
        files=roll.files,
        bytes=roll.size_bytes,
        clips=roll.clips,
        first_clip=roll.first_clip,
        last_clip=roll.last_clip,
        first_at=roll.first_at,
        last_at=roll.last_at,
        permit=permit.word if permit is not None and roll.permit == "given" else roll.permit,
        permit_at=permit.at if permit is not None and roll.permit == "given" else None,
        looked_at=None
        if looked is None
        else LookedAt(by=looked.who.name, role=looked.who.role, at=looked.at, note=looked.detail),
    )


def _state(roll: KnownRoll) -> str:
    return worth(count_devices(roll.proven_on), roll.copies_required)


def _history(ledger: Ledger, line: RollLine, roll_id: int) -> RollHistory:
    return RollHistory(
        roll=line,
        copies=[_copy(copy) for copy in ledger.copies_of(roll_id)],
        timeline=[_told(each) for each in ledger.history(roll_id)],
    )


def _copy(copy: KnownCopy) -> CopyLine:
    unsettled = speaks_against_memory(copy.state, copy.unsettled)
    return CopyLine(
        drive=copy.name or copy.drive.drive,
        role=copy.role,
        device=copy.drive.identity.model or copy.drive.identity.volume_label or copy.drive.identity.source,
        state="unproven" if unsettled else copy.state,
        readback=copy.readback.value if copy.readback is not None else None,
        why=unsettled or copy.why,
        seen_at=copy.seen_at,
        gone_at=copy.gone_at,
    )


def _told(line: HistoryLine) -> TimelineLine:
    return TimelineLine(
        at=line.at,
        what=line.what,
        drive=line.drive,
        who=line.who.name,
        role=line.who.role,
        verdict=line.verdict,
        detail=line.detail,
        record=line.record,
    )
