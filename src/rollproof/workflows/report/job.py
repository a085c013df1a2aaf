"""The report of a day, or of the whole production, from the station's ledger and the drives that are named."""

from __future__ import annotations

import os
import re
import socket
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import rollproof
from rollproof.copies.begun import begun_finding, begun_offloads
from rollproof.copies.card_findings import add_clip
from rollproof.copies.drive import is_lost
from rollproof.hashing import ALGORITHMS
from rollproof.ledger.entries import ClipNote, DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.counting import count_of
from rollproof.models.delivery_results import ReportResult
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.findings import Finding, Severity
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, shown
from rollproof.models.requests import ReportRequest
from rollproof.models.tree import FileEntry
from rollproof.production.folders import day_text
from rollproof.production.model import Production
from rollproof.proof.policy import Rules
from rollproof.records.rows import ClipRow
from rollproof.reports.model import DriveOfReport, PersonOfReport, Report
from rollproof.reports.page import title_of
from rollproof.reports.totals import by_day_and_camera, camera_of, drive_of, total_of, totals_by
from rollproof.station.context import Context
from rollproof.station.ledger import StationLedger
from rollproof.station.rules import Ruling, find_rules
from rollproof.workflows.report.clips import RecordedFile, clips_of
from rollproof.workflows.report.drives import DriveReader
from rollproof.workflows.report.files import write_report
from rollproof.workflows.report.ledger import rolls_of_ledger
from rollproof.workflows.report.open_findings import add_from_ledger, open_findings
from rollproof.workflows.report.rolls import CopyFound, RollFound, RollsFound, person_of
from rollproof.workflows.report.superseded import Superseded

_NEW_DAY_HOUR = 6
_NUMBER = re.compile(r"[0-9]{1,3}")
_SHOWN_DAYS = 12


def report(request: ReportRequest, ctx: Context, *, say: Callable[[str], None] = lambda path: None) -> ReportResult:
    """Write a report as HTML, PDF, CSV and JSON, under names that nothing has yet.

    What the drives say now goes before what the ledger remembers. Status 1 when something that was asked could not be
    told (a drive that cannot be read through); whether rolls lack copies changes nothing: the report says so. Raises
    UsageProblem when no roll of that day is known, Refused when a drive cannot be opened, ProductionFileProblem,
    CouldNotFinish when nothing could be written, Interrupted.
    """
    began, moment = time.monotonic(), ctx.now()
    ruling = find_rules(request.working_folder, None, ctx.drives, judged=request.drives)
    scope = _scope(request, moment, ruling)
    rolls = RollsFound()
    findings: list[Finding] = []
    with ctx.station as station:
        station.tell(lambda known: rolls_of_ledger(known, rolls))
        reader = DriveReader(
            ctx,
            rolls,
            wants=scope.wants,
            posters=request.posters if request.posters is not None else not request.whole,
            damaged=lambda found: _damaged(station, found),
            say=say,
            rules=scope.rules,
        )
        for path in request.drives:
            reader.drive(path)
        reader.others()
        chosen = [found for found in rolls.all if scope.wants(found)]
        remembered = station.tell(lambda known: known.seen(()))
        looked_at = [DriveIdentity.of(seen.volume) for seen in reader.seen.values()]
        doubled = Superseded(remembered, rolls.numbers, looked_at)
        for found in chosen:
            found.apply(scope.rules)
            doubled.leave_out(found)
            found.judge_permits([*rolls.uses, *(use for each in rolls.all for use in each.uses)])
        if not chosen:
            raise _nothing(scope, rolls)
        for found in chosen:
            if not found.clips and found.offload_ids:
                station.tell(lambda known, found=found: _clips_of_ledger(known, found))  # type: ignore[misc]
            station.tell(lambda known, found=found: add_from_ledger(known, found))  # type: ignore[misc]
        begun = station.tell(lambda known: begun_offloads(known, station.at_work)) or []
        # a warning: whether rolls lack copies does not change whether the report could be written
        unfinished = [
            replace(begun_finding(each), severity=Severity.WARNING)
            for each in begun
            if each.state != "left over" and scope.production in (None, each.production)
        ]
        findings += unfinished
        findings += [*ruling.findings, *reader.findings, *station.findings()]
    made = _made(request, scope, chosen, rolls, reader, moment)
    made = made.model_copy(update={"unfinished": [f"{each.detail}: {each.remedy}" for each in unfinished]})
    files, more = write_report(ctx.io, request.out, made)
    findings += more
    failed = any(finding.severity is Severity.ERROR for finding in findings)
    return ReportResult(
        verdict="not all proven" if made.lacking else "all proven",
        title=title_of(made),
        folder=os.path.dirname(next(iter(files.values()))),
        files=files,
        rolls=len(made.rolls),
        open_findings=[each.name for each in made.open_findings],
        lacking=[roll.roll for roll in made.lacking],
        findings=grouped(findings),
        seconds=round(time.monotonic() - began, 3),
        status=ExitStatus.NOT_FINISHED if is_lost(findings) else ExitStatus.ANSWER_IS_NO if failed else ExitStatus.DONE,
    )


@dataclass(frozen=True, slots=True)
class _Scope:
    """Which rolls the report is about. `day` None: all days. `production` None: whatever is known."""

    day: str | None
    production: str | None
    file: Production | None
    rules: Rules

    def wants(self, found: RollFound) -> bool:
        """Whether a roll belongs to it."""
        if self.production is not None and found.production not in (self.production, None):
            return False
        return self.day is None or self.day == self.day_of(found)

    def day_of(self, found: RollFound) -> str:
        """The roll's shooting day; of one that was not told, the day of its offload."""
        if found.day:
            return found.day
        if self.file is not None:
            return day_text(self.file, day=None, now=found.offloaded_at.astimezone())
        return _date_of(found.offloaded_at.astimezone())


def _date_of(moment: datetime) -> str:
    turned = moment - timedelta(days=1) if moment.hour < _NEW_DAY_HOUR else moment
    return turned.date().isoformat()


def _scope(request: ReportRequest, now: datetime, ruling: Ruling) -> _Scope:
    file, rules = ruling.production, ruling.rules
    name = file.name if file is not None else None
    if request.whole:
        return _Scope(None, name, file, rules)
    if file is not None:
        return _Scope(day_text(file, day=request.day, now=now), name, file, rules)
    if request.day is not None and _NUMBER.fullmatch(request.day):
        return _Scope(f"day_{int(request.day):03}", None, None, rules)
    return _Scope(request.day or _date_of(now), None, None, rules)


def _nothing(scope: _Scope, rolls: RollsFound) -> UsageProblem:
    days = sorted({scope.day_of(found) for found in rolls.all})[-_SHOWN_DAYS:]
    known = f"days known are {', '.join(inert(day) for day in days)}" if days else "this station knows of none at all"
    what = f"no roll of {inert(scope.day)} is known" if scope.day is not None else "no roll is known"
    return UsageProblem(f"{what}: {known}", hint="say which day with --day, or name the drives that the rolls lie on")


def _damaged(station: StationLedger, found: RollFound) -> set[str]:
    number = found.ledger_id
    return (station.tell(lambda known: known.damaged_clips([number])) if number is not None else None) or set()


def _clips_of_ledger(ledger: Ledger, found: RollFound) -> None:
    """The clips of a roll whose copies are not attached: as this station remembers them."""
    files: dict[bytes, RecordedFile] = {}
    for number in reversed(found.offload_ids):
        for file in ledger.files_of(number):
            hashes = {file.algorithm: file.hash_text} if file.hash_text and file.algorithm in ALGORITHMS else {}
            files[file.path] = RecordedFile(FileEntry(file.path, file.size, file.modified_ns), hashes)
    for each in files.values():
        if each.entry.size:
            add_clip(found.contents, each.entry.path, each.hashes)
    damaged = ledger.damaged_clips([found.ledger_id]) if found.ledger_id is not None else set()
    rows = {clip.name: _row(clip) for number in reversed(found.offload_ids) for clip in ledger.clips_of(number)}
    found.clips, _ = clips_of([files[path] for path in sorted(files)], rows, damaged, None)


def _row(clip: ClipNote) -> ClipRow:
    return ClipRow(
        clip.name,
        clip.files,
        clip.size_bytes,
        duration=clip.duration,
        timecode=clip.timecode,
        frame_rate=clip.frame_rate,
        health=clip.health,
        resolution=clip.resolution,
        codec=clip.codec,
    )


def _made(
    request: ReportRequest,
    scope: _Scope,
    chosen: Sequence[RollFound],
    rolls: RollsFound,
    reader: DriveReader,
    now: datetime,
) -> Report:
    finished = [found.finished(scope.day_of(found)) for found in chosen]
    finished.sort(key=lambda roll: (roll.day, roll.offloaded_at, roll.roll))
    people = {(each.name, each.role): each for found in chosen for each in found.people.values()}
    person = person_of(request.person.name, request.person.role)
    return Report(
        scope="production" if scope.day is None else "day",
        productions=_names({roll.production for roll in finished} | {scope.production}),
        day=inert(scope.day) if scope.day is not None else None,
        days=_names(roll.day for roll in finished),
        units=_names(roll.unit for roll in finished),
        people=[people[key] for key in sorted(people)],
        made_at=now.replace(microsecond=0),
        made_by=PersonOfReport(name=person.name, role=person.role),
        station=inert(socket.gethostname()),
        version=rollproof.__version__,
        looked_at=[shown(path) for path in request.drives],
        open_findings=open_findings(chosen),
        rolls=finished,
        total=total_of("all rolls", finished),
        per_camera=totals_by(finished, camera_of),
        per_day=totals_by(finished, lambda roll: roll.day),
        cameras_by_day=by_day_and_camera(finished),
        drives=_drives(scope, chosen, rolls, reader),
        speeds=sorted(
            (speed for found in chosen for speed in found.speeds.values()), key=lambda speed: speed.started_at
        ),
        notes=_notes(request, chosen),
    )


def _names(names: Iterable[str | None]) -> list[str]:
    return sorted({inert(name) for name in names if name})


def _drives(scope: _Scope, chosen: Sequence[RollFound], rolls: RollsFound, reader: DriveReader) -> list[DriveOfReport]:
    """Attached drives with their room, then those that hold copies of these rolls and were not looked at."""
    out = []
    for seen in reader.seen.values():
        by_day: dict[str, int] = defaultdict(int)
        for found in seen.rolls.values():
            by_day[scope.day_of(found)] += found.size_bytes
        volume = seen.volume
        out.append(
            drive_of(
                drive=inert(seen.drive or volume.label or shown(seen.path)),
                role=inert(seen.role),
                device=inert(volume.device.model or volume.label or volume.source),
                serial=inert(volume.device.serial),
                capacity_bytes=volume.capacity_bytes,
                free_bytes=volume.free_bytes,
                footage_by_day=dict(by_day),
            )
        )
    away: dict[str, dict[str, int]] = {}
    copies: dict[str, CopyFound] = {}
    for found in rolls.all:
        for each in found.copies.values():
            if each.identity not in reader.seen and each.copy.known_from == "ledger":
                copies.setdefault(each.identity, each)
                days = away.setdefault(each.identity, defaultdict(int))
                days[scope.day_of(found)] += found.size_bytes
    used = {each.identity for found in chosen for each in found.copies.values()}
    for identity in sorted(away.keys() & used):
        copy = copies[identity].copy
        out.append(
            drive_of(
                drive=copy.drive,
                role=copy.role,
                device=copy.device,
                serial=copy.serial,
                capacity_bytes=copies[identity].capacity_bytes,
                free_bytes=None,
                footage_by_day=dict(away[identity]),
            )
        )
    return out


def _notes(request: ReportRequest, chosen: Sequence[RollFound]) -> list[str]:
    notes = []
    if not request.drives:
        notes.append(
            "No drive was looked at: this is what this station remembers. Pictures, and what could not be told of clips"
            " when it was copied, are read from copies: name the drives to have them."
        )
    unknown = sum(clip.duration_seconds is None for found in chosen for clip in found.clips)
    if unknown and request.drives:
        notes.append(f"The duration of {count_of(unknown, 'clip')} could not be told from records or files.")
    hearsay = sum(
        all(each.copy.known_from == "record" for each in found.copies.values() if each.copy.state == "proven")
        and any(each.copy.state == "proven" for each in found.copies.values())
        for found in chosen
    )
    if hearsay:
        notes.append(f"Of {count_of(hearsay, 'roll')} the proven copies are known from another copy's record only.")
    if not any(found.speeds for found in chosen):
        notes.append("How fast drives were read back is not recorded for these rolls.")
    return notes
