"""What attached drives add to a report: every roll folder's records as they stand now, clips, and the room left."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.copies.card_findings import add_clip, on_the_card
from rollproof.copies.ledger_import import camera_of
from rollproof.copies.location import place_on
from rollproof.copies.permits import use_of_record
from rollproof.copies.recorded import read_papers
from rollproof.copies.roll_histories import RollFolder, no_rolls, papers_unreadable, roll_folders
from rollproof.hashing import ALGORITHMS
from rollproof.ledger.entries import DriveIdentity
from rollproof.models.errors import Interrupted, UntrustedInput
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.names import inert, shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Volume
from rollproof.proof.policy import Rules
from rollproof.records.blocks import device_of
from rollproof.records.chain import Chain, read_chain
from rollproof.records.founding import founder_of
from rollproof.records.models import CopyBlock, LookedHeader, OffloadHeader, PermitHeader, VerifyHeader, WithdrawHeader
from rollproof.records.read import iter_clips
from rollproof.records.rows import ClipRow
from rollproof.records.standing import Standing, accepted_today, standing
from rollproof.reports.model import CopyOfReport, LookedAtOfReport, PermitOfReport, SpeedOfReport
from rollproof.station.context import Context
from rollproof.storage.errors import hanging, said
from rollproof.workflows.report.clips import Copied, RecordedFile, clips_of
from rollproof.workflows.report.others import roll_of_others
from rollproof.workflows.report.rolls import (
    CopyFound,
    RollFound,
    RollsFound,
    card_of,
    finding_of_report,
    person_of,
)


@dataclass(slots=True)
class DriveSeen:
    """A volume that was looked at: what it is called by its records, and the rolls on it."""

    volume: Volume
    path: bytes
    drive: str = ""
    role: str = ""
    rolls: dict[int, RollFound] = field(default_factory=dict)


class DriveReader:
    """Reads the records of attached drives into rolls. `wants` says which rolls the report is about."""

    def __init__(
        self,
        ctx: Context,
        rolls: RollsFound,
        *,
        wants: Callable[[RollFound], bool],
        posters: bool,
        damaged: Callable[[RollFound], set[str]],
        say: Callable[[str], None],
        rules: Rules,
    ) -> None:
        self._rules = rules
        self._io = ctx.io
        self._drives = ctx.drives
        self._cancel = ctx.cancel
        self._rolls = rolls
        self._wants = wants
        self._posters = posters
        self._damaged = damaged
        self._say = say
        self._others: list[tuple[RollFolder, bytes]] = []
        self.findings: list[Finding] = []
        self.hangs = False
        self.seen: dict[str, DriveSeen] = {}

    def drive(self, path: bytes) -> None:
        """Every roll at or below one path. Refused when it cannot be opened, Interrupted."""
        folders = roll_folders(self._io, None, path, self._cancel, self.findings)
        if not folders:
            self.findings.append(no_rolls(path))
        for found in folders:
            if self._cancel.is_set():
                raise Interrupted("interrupted; no report was written")
            self._say(shown(found.path))
            try:
                handle = self._io.open_root(found.path)
                hangs = False
                try:
                    hangs = self._roll(found, path, handle)
                finally:
                    if not hangs:  # else a read that hangs still uses it
                        with contextlib.suppress(OSError):
                            self._io.close(handle)
            except OSError as error:
                self.findings.append(papers_unreadable(found, said(error)))

    def others(self) -> None:
        """After all drives: the copies that only a history of the open standard speaks of. Interrupted."""
        for folder, drive in self._others:
            if self._cancel.is_set():
                raise Interrupted("interrupted; no report was written")
            try:
                handle = self._io.open_root(folder.path)
                hangs = False
                try:
                    hangs = self._other(folder, drive, handle)
                finally:
                    if not hangs:
                        with contextlib.suppress(OSError):
                            self._io.close(handle)
            except OSError as error:
                self.findings.append(papers_unreadable(folder, said(error)))
            except UntrustedInput as problem:
                self.findings.append(papers_unreadable(folder, problem.message))

    def _other(self, folder: RollFolder, drive: bytes, handle: int) -> bool:
        path = folder.path
        volume = self._drives.volume_of(path)
        papers = read_papers(self._io, handle, tuple(folder.inner))
        chain = read_chain(self._io, handle, drive=shown(path))
        name = shown(os.path.basename(os.path.realpath(path)))
        found, files = roll_of_others(self._rolls, papers, chain, volume, name, path)
        seen = self.seen.setdefault(DriveIdentity.of(volume).text, DriveSeen(volume, drive))
        seen.rolls[id(found)] = found
        if not self._wants(found) or found.clips or not files:
            return False
        copied = Copied(self._io, handle, volume, self._posters, self._cancel)
        found.clips, hangs = clips_of(files, {}, self._damaged(found), copied)
        return self._told(found, path, hangs=hangs)

    def _told(self, found: RollFound, path: bytes, *, hangs: bool) -> bool:
        if found.clips:
            found.first_clip, found.last_clip = found.clips[0].name, found.clips[-1].name
        if hangs:
            self.hangs = True
            self.findings.append(hanging(shown(path), 30))
        return hangs

    def _roll(self, folder: RollFolder, drive: bytes, handle: int) -> bool:
        """Take in one roll folder; returns whether its medium hangs."""
        path = folder.path
        volume = self._drives.volume_of(path)
        chain = read_chain(self._io, handle, drive=shown(path))
        accepted = accepted_today(chain, self._rules)
        now = standing(self._io, handle, chain, volume, accepted=accepted, folder=place_on(volume, path))
        header = now.newest_offload
        if header is None:
            self._others.append((folder, drive))
            return False
        name = header.roll or shown(os.path.basename(os.path.realpath(path)))
        found = self._rolls.get(header.production, name, _card_keys(chain))
        if found is None:
            found = self._rolls.add(_new_roll(name, header, chain))
        _add_records(found, chain, now)
        self._add_card(found, handle, chain)
        self._add_copies(found, header, chain, now, volume, path)
        identity = DriveIdentity.of(volume).text
        seen = self.seen.setdefault(identity, DriveSeen(volume, drive))
        seen.drive, seen.role = seen.drive or header.copy_.drive, seen.role or header.copy_.role
        seen.rolls[id(found)] = found
        if self._wants(found) and not found.clips:
            return self._add_clips(found, handle, chain, now, volume, path)
        return False

    def _add_card(self, found: RollFound, handle: int, chain: Chain) -> None:
        """What was odd on the card, by the records; a record that cannot be read through is told with the clips."""
        with contextlib.suppress(UntrustedInput):
            odd = on_the_card(self._io, handle, chain, found.roll)
            found.on_card.findings += [each for each in odd.findings if each not in found.on_card.findings]
            found.on_card.acceptances += odd.acceptances

    def _add_copies(
        self, found: RollFound, header: OffloadHeader, chain: Chain, now: Standing, volume: Volume, path: bytes
    ) -> None:
        pace = next((each for each in header.pace if each.leg == "write" and each.seconds > 0), None)
        identity = DriveIdentity.of(volume)
        found.add_copy(
            CopyFound(
                identity.text,
                volume.device,
                CopyOfReport(
                    drive=inert(header.copy_.drive)[:200],
                    role=inert(header.copy_.role)[:200],
                    device=inert(identity.model or identity.volume_label or identity.source)[:200],
                    serial=inert(identity.serial)[:200],
                    state=now.state,
                    proof=now.readback.value if now.readback is not None else None,
                    why=inert(" ".join(now.why))[:1000],
                    state_at=_state_at(chain, now),
                    known_from="drive",
                    folder=shown(place_on(volume, path)),
                    bytes_per_second=pace.bytes / pace.seconds if pace is not None else None,
                ),
                on=identity,
                founder=founder_of(chain),
            )
        )
        for other in header.other_copies:
            _add_hearsay(found, other, header.written_at)

    def _add_clips(
        self, found: RollFound, handle: int, chain: Chain, now: Standing, volume: Volume, path: bytes
    ) -> bool:
        try:
            files = [
                RecordedFile(
                    FileEntry(row.path, row.size, row.modified_ns),
                    {name: text for name, text in row.hashes.items() if name in ALGORITHMS},
                )
                for row in now.iter_files()
            ]
            rows: dict[str, ClipRow] = {}
            for link in chain.links:
                if isinstance(link.header, OffloadHeader) and link.state == "whole":
                    rows.update((row.name, row) for row in iter_clips(self._io, handle, link.name))
        except UntrustedInput as problem:
            self.findings.append(
                warning(
                    Kind.BAD_RECORD,
                    f"a record of {shown(path)} cannot be read through: {problem.message}",
                    path=shown(path),
                    remedy="verify this copy, and compare with another",
                )
            )
            return False
        for file in files:
            if file.entry.size:
                add_clip(found.contents, file.entry.path, file.hashes)
        found.files, found.size_bytes = len(files), sum(file.entry.size for file in files)
        copied = Copied(self._io, handle, volume, self._posters, self._cancel)
        found.clips, hangs = clips_of(files, rows, self._damaged(found), copied)
        return self._told(found, path, hangs=hangs)


def _card_keys(chain: Chain) -> list[str]:
    """By what a roll's card is known, newest first: its serial number, its listing. Where a copy was copied on from
    another drive the offload of the card is in the chain that it carries; that drive is no card."""
    offloads = [link.header for link in reversed(chain.links) if isinstance(link.header, OffloadHeader)]
    cards = [header.source for header in offloads if not header.of_copy]
    keys = [key for source in cards for key in (source.serial, source.listing_digest)]
    keys += [header.source.listing_digest for header in offloads if header.of_copy]
    return [key for key in keys if key]


def _new_roll(name: str, header: OffloadHeader, chain: Chain) -> RollFound:
    first = next(link.header for link in chain.links if isinstance(link.header, OffloadHeader))
    return RollFound(
        production=header.production,
        roll=name,
        card_key=next(iter(_card_keys(chain)), ""),
        offloaded_at=first.written_at,
        offloaded_by=person_of(first.by.name, first.by.role),
        day=first.day,
        unit=header.unit,
        camera=camera_of(name),
        files=header.totals.files,
        size_bytes=header.totals.bytes,
        clips_count=header.totals.clips,
    )


def _add_records(found: RollFound, chain: Chain, now: Standing) -> None:
    for link in chain.links:
        header = link.header
        if header is None:
            continue
        person = person_of(header.by.name, header.by.role)
        found.add_person(person)
        if isinstance(header, OffloadHeader):
            found.copies_required = max(found.copies_required, header.policy.copies_required)
            source = header.source
            if not header.of_copy:
                found.uses.append(use_of_record(source, found.roll, header.written_at))
                found.card = card_of(
                    label=source.volume_name,
                    serial=source.serial,
                    capacity_bytes=source.capacity_bytes,
                    file_system=source.file_system,
                    reads=[read.evidence.value for read in source.reads],
                )
            _add_pace(found, header)
            for each in header.findings:
                found.add_finding(
                    finding_of_report(each.severity, each.kind, each.path, each.detail, each.drive, header.written_at)
                )
        elif isinstance(header, LookedHeader):
            found.looked_at.append(LookedAtOfReport(at=header.written_at, by=person, note=inert(header.note)[:500]))
        elif isinstance(header, PermitHeader):
            found.given[header.written_at] = use_of_record(header.source, found.roll, header.written_at)
            found.permits.append(
                PermitOfReport(state="given", at=header.written_at, by=person, detail=f"basis: {header.basis}")
            )
        elif isinstance(header, WithdrawHeader) and header.withdraws_kind == "permit":
            detail = inert(header.reason)[:500]
            found.permits.append(PermitOfReport(state="withdrawn", at=header.written_at, by=person, detail=detail))
    for finding in chain.findings:
        found.add_finding(
            finding_of_report(finding.severity.value, finding.kind.value, finding.path, finding.detail, finding.drive)
        )
    if now.state == "unproven":
        found.add_finding(finding_of_report("error", Kind.NOT_PROVEN.value, "", " ".join(now.why)))


def _add_pace(found: RollFound, header: OffloadHeader) -> None:
    for pace in header.pace:
        if pace.leg == "read back" and pace.seconds > 0:
            drive = inert(header.copy_.drive)[:200]
            found.add_speed(
                SpeedOfReport(
                    drive=drive,
                    roll=inert(found.roll),
                    started_at=pace.started_at,
                    seconds=pace.seconds,
                    bytes=pace.bytes,
                    stretch_seconds=pace.stretch_seconds,
                    stretches=list(pace.stretches),
                )
            )


def _add_hearsay(found: RollFound, other: CopyBlock, said_at: datetime) -> None:
    device, volume = other.device, other.volume
    identity = DriveIdentity(
        device_key=device.key,
        volume_serial=volume.serial,
        kind=device.kind,
        file_system=other.file_system,
        source=volume.source,
        boot_id=other.boot_id,
        device_number=volume.number,
    )
    found.add_copy(
        CopyFound(
            identity.text,
            device_of(device),
            CopyOfReport(
                drive=inert(other.drive)[:200],
                role=inert(other.role)[:200],
                device=inert(device.model or volume.label or volume.source)[:200],
                serial=inert(device.serial)[:200],
                state=other.state,
                proof=other.readback.value if other.readback is not None else None,
                why="only the record of another copy names it",
                state_at=said_at,
                known_from="record",
                folder=inert(other.folder)[:1000],
            ),
        )
    )


def _state_at(chain: Chain, now: Standing) -> datetime | None:
    by_name = {link.name: link.header for link in chain.links if link.header is not None}
    proven = by_name.get(now.proven_record)
    if proven is not None:
        return proven.written_at
    last: Iterable[datetime] = (
        link.header.written_at for link in chain.links if isinstance(link.header, OffloadHeader | VerifyHeader)
    )
    return max(last, default=None)
