"""What stands in a roll folder already: whose it is, what its records prove here and now, what may be gone on with."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.standard import CHAIN_NAME
from rollproof.copies.beside_records import history_findings
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.copying.marker import Marker, read_marker
from rollproof.copying.plan import plan_drive, same_time
from rollproof.ledger.entries import DriveIdentity
from rollproof.models.errors import UntrustedInput
from rollproof.models.file_table import FilesByPath, FileTable
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER, inert, shown, to_text
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.readings import Unsettled, must_be_read_anew
from rollproof.records.chain import Chain, newest_word, read_chain
from rollproof.records.founding import founder_of
from rollproof.records.models import CopyBlock, OffloadHeader, SourceBlock
from rollproof.records.rows import FileRow
from rollproof.records.standing import Standing, standing
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork, card_session, elsewhere_finding, is_on_the_drive

_NAME_ANOTHER = "give this card's roll its own name with --roll NAME"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the offload asks for, as far as a roll folder is judged by it. `accepted` is today's policy on evidence."""

    card: Source
    algorithms: tuple[str, ...]
    proof_algorithm: str
    accepted: frozenset[Evidence]
    production: str | None
    cancel: Cancel
    unsettled: Mapping[tuple[str, bytes], Sequence[Unsettled]]
    """Readings that this station remembers as not finished, or by what they found wrong."""
    journal: ReadingJournal
    """Where a drive that does not answer is put down."""


def look_at_roll_folder(io: Io, asked: Asked, at: DriveAtWork) -> None:
    """Fill in the plan of a drive, its handle and lock, and what speaks against starting. Raises Interrupted."""
    try:
        handle = open_below(io, at.base_handle, at.relative)
    except FileNotFoundError:
        at.plan = plan_drive(asked.card.snapshot, None, at.volume.limits, drive=at.drive, covered={}, suspects=())
        return
    except OSError as failure:
        at.findings.append(
            error(
                Kind.DIFFERENT_CONTENT,
                f"what stands where the roll folder should be cannot be used ({said(failure)}); links are not followed",
                path=shown(at.relative),
                drive=at.drive,
                remedy="move it away, or give the roll another name with --roll NAME",
            )
        )
        return
    try:
        at.handle = handle
        if not is_on_the_drive(io, at, handle):
            at.findings.append(elsewhere_finding(at.drive, at.relative))
            return
        if not try_lock(io, handle):
            at.findings.append(locked_finding(at.drive, at.relative))
            return
        _Found(io, asked, at).look()
    except OSError as failure:
        at.findings.append(
            error(
                Kind.DRIVE_FAILED,
                f"what is in the roll folder already cannot be read ({said(failure)})",
                path=shown(at.relative),
                drive=at.drive,
                remedy="check cable and drive, then run the command again; if it fails twice, take another drive",
            )
        )
    except BaseException:
        at.handle = -1
        with contextlib.suppress(OSError):
            io.close(handle)
        raise


class _Found:
    """One roll folder that is there, under its lock."""

    def __init__(self, io: Io, asked: Asked, at: DriveAtWork) -> None:
        self._io = io
        self._asked = asked
        self._at = at
        files, lacking = asked.card.snapshot.files, asked.card.lacking
        self._on_card = FilesByPath(files if not lacking else FileTable((*files, *lacking)).in_byte_order())

    def look(self) -> None:
        """Fill in the plan and the findings."""
        io, at, card = self._io, self._at, self._asked.card
        there = take_snapshot(io, at.handle, card.rules.for_copy(), cancel=self._asked.cancel)
        at.findings += _odd(there, at.drive)
        if card.lacking:  # what this copy of the roll has lost may well stand there, from another one
            lacking = {entry.path for entry in card.lacking}
            there = replace(there, files=tuple(entry for entry in there.files if entry.path not in lacking))
        marker = read_marker(io, at.handle)
        at.unfinished = marker is not None
        serials = {marker.card_serial} if marker is not None and marker.card_serial else set()
        self._look_at_history(unfinished=at.unfinished)
        covered: Mapping[bytes, tuple[int, int, str]] = {}
        rows: Mapping[bytes, FileRow] = {}
        if _has(io, at.handle, RECORDS_FOLDER):
            rows, covered = self._look_at_records(serials)
        if card.known_as.serial is not None and any(serial != card.known_as.serial for serial in serials):
            self._say("the roll folder on the drive belongs to another card of this name", shown(at.relative))
        at.plan = plan_drive(
            card.snapshot,
            there,
            at.volume.limits,
            drive=at.drive,
            covered=covered,
            suspects=self._suspects(marker, there, rows),
        )
        at.findings += at.plan.findings

    def _say(self, detail: str, path: str, *, count: int = 1, remedy: str = _NAME_ANOTHER) -> None:
        self._at.findings.append(
            error(Kind.DIFFERENT_CONTENT, detail, path=path, drive=self._at.drive, remedy=remedy, count=count)
        )

    # --- the open standard's history

    def _look_at_history(self, *, unfinished: bool) -> None:
        """A damaged history is said now, not after hours of copying; what a crash leaves is mended by the next run."""
        io, at = self._io, self._at
        if not _has(io, at.handle, ASCMHL_FOLDER):
            return
        left_by_crash = {Kind.MANIFEST_NOT_IN_CHAIN}
        if unfinished and not self._has_chain():
            left_by_crash.add(Kind.CHAIN_BROKEN)
        at.findings += [
            replace(
                finding,
                drive=at.drive,
                remedy=finding.remedy or f"compare with another drive with this roll, or {_NAME_ANOTHER}",
            )
            for finding in history_findings(read_history(io, at.handle), read_chain(io, at.handle, drive=at.drive))
            if finding.severity is Severity.ERROR and finding.kind not in left_by_crash
        ]

    def _has_chain(self) -> bool:
        try:
            folder = self._io.open_folder(ASCMHL_FOLDER, self._at.handle)
        except OSError:
            return True  # whatever it is, no crash of ours leaves it
        try:
            return _has(self._io, folder, CHAIN_NAME)
        finally:
            self._io.close(folder)

    # --- our own records

    def _look_at_records(
        self, serials: set[str]
    ) -> tuple[Mapping[bytes, FileRow], Mapping[bytes, tuple[int, int, str]]]:
        """What the records of an earlier offload say, and what of it is proof on this device, in this folder."""
        io, at, asked = self._io, self._at, self._asked
        chain = read_chain(io, at.handle, roll=asked.card.roll, drive=at.drive)
        at.findings += [finding for finding in chain.findings if finding.severity is Severity.ERROR]
        at.records_read, at.founded_by = chain.digests, founder_of(chain)
        word = newest_word(chain)
        at.newest_word = word.sha256 if word is not None else ""
        headers = [link.header for link in chain.links if isinstance(link.header, OffloadHeader)]
        offloads = [header for header in headers if not header.of_copy]
        newest = offloads[-1] if offloads else None
        if newest is not None and newest.source.serial:
            serials.add(newest.source.serial)
        self._look_at_production(chain)
        found = standing(io, at.handle, chain, at.volume, accepted=asked.accepted)
        try:
            rows = found.files()
        except UntrustedInput as problem:
            at.findings.append(
                error(
                    Kind.BAD_RECORD,
                    f"a record in the roll folder cannot be read through: {problem.message}",
                    path=shown(at.relative),
                    drive=at.drive,
                    remedy=f"compare with another drive with this roll, or {_NAME_ANOTHER}",
                )
            )
            return {}, {}
        at.recorded = _WithHashes(rows)
        self._look_for_changes(rows, newest)
        if found.state != "proven" or not chain.whole or not self._speaks_of_here(chain, found):
            return rows, {}
        unsettled = asked.unsettled.get((DriveIdentity.of(at.volume).text, at.folder_on_volume), ())
        if must_be_read_anew(unsettled):
            return rows, {}
        at.proven_by = found.proven_record
        at.proven_readback = found.readback
        return rows, _Covered(rows, frozenset(asked.algorithms), asked.proof_algorithm)

    def _look_at_production(self, chain: Chain) -> None:
        """The records of one chain are all of one production: what it began with is gone on with."""
        headers = [link.header for link in chain.links if link.header is not None]
        if not headers:
            return
        theirs, ours = headers[-1].production, self._at.production
        self._at.production = theirs
        if theirs is not None and ours is not None and theirs != ours:
            self._say(f"the roll folder on the drive belongs to another production: {inert(theirs)}", "")

    def _look_for_changes(self, rows: Mapping[bytes, FileRow], newest: OffloadHeader | None) -> None:
        on_card = self._on_card
        # a file that failed has no proof that could be mixed up: it may have changed while it was copied
        changed = [
            path for path, row in rows.items() if row.state != "failed" and not _is_as_recorded(on_card.get(path), row)
        ]
        if changed:
            first = shown(changed[0])
            more = f" and {len(changed) - 1:,} more" if len(changed) > 1 else ""
            detail = f"the card no longer holds what is recorded for this roll: {first}{more}"
        elif (
            newest is not None
            and len(on_card) > len(rows)
            and not _surely_the_card(newest.source, self._asked.card.known_as)
        ):
            first = ""
            detail = "the card has files that are new, and cannot be shown to be the recorded one"
        else:
            return
        remedy = "the card was probably used again: give the new roll its own name with --roll NAME"
        self._say(detail, first, count=max(len(changed), 1), remedy=remedy)

    def _speaks_of_here(self, chain: Chain, found: Standing) -> bool:
        """Whether the proving record was written for this very folder: a roll that was copied on its own drive by
        other means has records that speak of the drive, and copies that nobody has read."""
        header = next((link.header for link in chain.links if link.name == found.proven_record), None)
        copy: CopyBlock | None = getattr(header, "copy_", None)
        return copy is not None and copy.folder == to_text(self._at.folder_on_volume)

    # --- suspects

    def _suspects(self, marker: Marker | None, there: Snapshot, rows: Mapping[bytes, FileRow]) -> set[bytes]:
        """Files that an earlier run of ours wrote and then distrusted. The marker is no evidence: a file that does not
        look as it was written, or that a record speaks well of, is never one."""
        if marker is None:
            return set()
        limits = self._at.volume.limits
        standing_there = FilesByPath(there.files)
        same_card = is_of_card(marker, self._asked.card.known_as)
        suspects: set[bytes] = set()
        for path, (size, modified_ns) in marker.suspects.items():
            entry, row, now = standing_there.get(path), rows.get(path), self._on_card.get(path)
            if entry is None or now is None or (row is not None and (row.proven or row.state in (None, "copied"))):
                continue
            as_written = entry.size == size and same_time(entry.modified_ns, modified_ns, limits)
            as_on_card = now.size == size and now.modified_ns == modified_ns
            if as_written and (same_card or as_on_card):
                suspects.add(path)
        return suspects


class _WithHashes(Container[bytes]):
    """The paths of which some record holds a hash."""

    def __init__(self, rows: Mapping[bytes, FileRow]) -> None:
        self._rows = rows

    def __contains__(self, path: object) -> bool:
        row = self._rows.get(path) if isinstance(path, bytes) else None
        return row is not None and bool(row.hashes)


class _Covered(Mapping[bytes, tuple[int, int, str]]):
    """Size, modification time and hash of every file that is proven with all algorithms wanted, by path."""

    def __init__(self, rows: Mapping[bytes, FileRow], wanted: frozenset[str], algorithm: str) -> None:
        self._rows = rows
        self._wanted = wanted
        self._algorithm = algorithm

    def __getitem__(self, path: bytes) -> tuple[int, int, str]:
        row = self._rows[path]
        if not (row.proven and self._wanted <= row.hashes.keys()):
            raise KeyError(path)
        return row.size, row.modified_ns, row.hashes[self._algorithm]

    def __iter__(self) -> Iterator[bytes]:
        return (path for path in self._rows if path in self)

    def __len__(self) -> int:
        return sum(1 for _ in self)


def is_of_card(marker: Marker, card: Volume) -> bool:
    """Whether a marker was surely written for this card."""
    if marker.card_serial is not None or card.serial is not None:
        return marker.card_serial == card.serial
    return marker.card_session is not None and marker.card_session == card_session(card)


def _odd(there: Snapshot, drive: str) -> list[Finding]:
    """What no offload of ours leaves in a roll folder: links, pipes, folders that cannot be read."""
    ours = (Kind.NOT_FINISHED, Kind.CARD_IS_A_COPY)
    return [
        replace(finding, drive=drive, remedy=finding.remedy or f"look into the roll folder, or {_NAME_ANOTHER}")
        for finding in there.findings
        if finding.severity is Severity.ERROR and finding.kind not in ours
    ]


def _is_as_recorded(entry: FileEntry | None, row: FileRow) -> bool:
    return entry is not None and (entry.size, entry.modified_ns) == (row.size, row.modified_ns)


def _has(io: Io, folder: int, name: bytes) -> bool:
    try:
        io.stat(name, folder)
    except OSError as error:
        if error.errno == errno.ENOENT:
            return False
        raise
    return True


def _surely_the_card(recorded: SourceBlock, now: Volume) -> bool:
    """By its volume serial; where one has none, by never having been away: same boot, same medium in the same slot."""
    if recorded.serial is not None and now.serial is not None:
        return recorded.serial == now.serial
    then = (recorded.boot_id, recorded.disk_sequence, recorded.number, recorded.device.key)
    return then == (now.boot_id, now.device.disk_sequence, now.st_dev, now.device.key) and None not in then
