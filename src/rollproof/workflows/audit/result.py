"""From what an audit found to its answer."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rollproof.models.audit_results import (
    AuditCopy,
    AuditDrive,
    AuditFinding,
    AuditResult,
    AuditRoll,
    CopyState,
    Topic,
)
from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Severity
from rollproof.models.names import inert, shown
from rollproof.models.requests import AuditRequest
from rollproof.records.blocks import this_station
from rollproof.workflows.audit.copy import COUNTED, CopyLook, Place, Told
from rollproof.workflows.audit.numbers import camera_letter
from rollproof.workflows.audit.reread import LOST, Rereader
from rollproof.workflows.audit.rolls import Roll

_TOPICS: tuple[Topic, ...] = ("copies", "completeness", "agreement", "custody", "strangers")
_WORST = list(Severity)


@dataclass(slots=True)
class Answer:
    """Everything the answer is made of. `began` is monotonic."""

    request: AuditRequest
    now: datetime
    places: Sequence[Place]
    rolls: Sequence[Roll]
    told: Sequence[Told]
    reader: Rereader | None
    began: float


def audit_result(answer: Answer) -> AuditResult:
    """The answer: rolls in the order of production, day, unit and name; findings by question, the worst first,
    and before all others those that others are a consequence of."""
    rolls = sorted(answer.rolls, key=lambda roll: (roll.production or "", roll.day or "", roll.unit or "", roll.name))
    told = sorted(
        answer.told,
        key=lambda each: (
            not each.is_cause,
            _TOPICS.index(each.topic),
            _WORST.index(each.finding.severity),
            each.finding.kind,
            each.roll,
        ),
    )
    errors = [each.finding for each in told if each.finding.severity is Severity.ERROR]
    lost = any(finding.kind in LOST for finding in errors)
    read = answer.reader.read if answer.reader is not None else None
    person = answer.request.person
    return AuditResult(
        verdict="not complete" if errors or not rolls else "complete",
        basis="reread" if answer.request.reread else "listing",
        productions=sorted({inert(roll.production) for roll in rolls if roll.production is not None}),
        begun_at=answer.now.isoformat(timespec="seconds"),
        by=inert(" ".join(filter(None, (person.name, f"({person.role})" if person.role else "")))),
        station=inert(this_station().host),
        drives=[_drive(place, rolls) for place in answer.places],
        rolls=[_roll(roll) for roll in rolls],
        findings=[_finding(each) for each in told],
        copies_reread=read.copies if read is not None else 0,
        bytes_reread=read.size_bytes if read is not None else 0,
        copies_read_before=read.before if read is not None else 0,
        document=shown(answer.request.out) if answer.request.out is not None else None,
        seconds=round(time.monotonic() - answer.began, 3),
        status=ExitStatus.NOT_FINISHED if lost else ExitStatus.ANSWER_IS_NO if errors or not rolls else ExitStatus.DONE,
    )


def _finding(told: Told) -> AuditFinding:
    return AuditFinding.of(told.finding, told.topic, inert(told.roll))


def _drive(place: Place, rolls: Sequence[Roll]) -> AuditDrive:
    here = [copy for roll in rolls for copy in roll.copies if copy.place is place]
    volume = place.volume
    return AuditDrive(
        path=shown(place.path),
        name=place.name,
        volume=inert(volume.serial) if volume.serial is not None else None,
        label=inert(volume.label),
        device_label=inert(volume.device.label or volume.device.model or volume.device.node),
        device=place.device,
        read_only=volume.read_only,
        copies=len(here),
        files=sum(copy.files for copy in here),
        bytes=sum(copy.size_bytes for copy in here),
    )


def _roll(roll: Roll) -> AuditRoll:
    best = roll.best
    permits = [permit.written_at for copy in roll.copies for permit in copy.permits if not permit.withdrawn]
    return AuditRoll(
        name=inert(roll.name),
        production=inert(roll.production) if roll.production is not None else None,
        day=inert(roll.day) if roll.day is not None else None,
        unit=inert(roll.unit) if roll.unit is not None else None,
        camera=camera_letter(roll.name) if best.moving or not best.sound else None,
        state=roll.state,
        copies_required=roll.required,
        copies_counted=roll.counted,
        files=best.files,
        bytes=best.size_bytes,
        permit=max(permits).isoformat() if permits else None,
        permit_used_again=roll.permit_used_again,
        copies=[_copy(copy) for copy in roll.copies],
    )


def _copy(copy: CopyLook) -> AuditCopy:
    state: CopyState = copy.state
    return AuditCopy(
        drive=copy.place.number,
        path=shown(copy.path) if copy.folder else shown(os.path.realpath(copy.path)),
        state=state,
        counted=state in COUNTED and not copy.apart,
        files=copy.files,
        bytes=copy.size_bytes,
        why=inert(copy.why),
        record=copy.newest,
    )
