"""The station's memory of rolls, copies and records: an index that can be rebuilt from the drives, never the truth.

One `Ledger` per process is enough; several processes may have one each. Every `remember_…` is one transaction: it is
there completely when the call returns, flushed, or not at all.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from types import TracebackType
from typing import Literal, Self

from sqlalchemy import Connection, Engine, select, true
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from rollproof.ledger import (
    asking,
    asking_cards,
    asking_rolls,
    begun,
    drive_places,
    identities,
    readings,
    remembering,
    remembering_offloads,
    tables,
)
from rollproof.ledger.entries import (
    BadNews,
    BegunNote,
    ClipNote,
    CopyNote,
    CopyState,
    DriveIdentity,
    FileNote,
    HistoryLine,
    KnownBegun,
    KnownCopy,
    KnownDrive,
    KnownFile,
    KnownOffload,
    KnownPlace,
    KnownRoll,
    OffloadNote,
    PaceNote,
    PermitNote,
    PlaceNote,
    ReadingNote,
    RecordNote,
)
from rollproof.ledger.station_file import StationFile
from rollproof.ledger.trouble import LedgerProblem, is_damaged, is_locked
from rollproof.ledger.trust import Trust
from rollproof.models.findings import Finding, Kind
from rollproof.models.requests import Person
from rollproof.models.volumes import Evidence
from rollproof.proof.clock import ClockFacts
from rollproof.proof.histories import RecordFact
from rollproof.proof.identity import Seen
from rollproof.proof.readings import Unsettled

WRITES = "rollproof_writes"
"""Execution option of a connection whose transactions take the write lock at once."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """What `remember_offload` made: ids for later calls; `copies` in the order of the note's copies."""

    roll_id: int
    offload_id: int
    copies: tuple[int, ...]


class Ledger:
    """See the module. Made by `opening.open_ledger`; close it, or use it in a `with`."""

    def __init__(self, engine: Engine, trust: Trust, *, station: StationFile | None, wait_seconds: float) -> None:
        self._engine = engine
        self._station = station
        self._wait_seconds = wait_seconds
        self.trust = trust
        self.checked_at: float | None = None
        """When all of it was last checked, in seconds since 1970; None where that is not known."""
        self.findings: tuple[Finding, ...] = ()
        """What was odd when it was opened: damaged, missing, from another machine, restored."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file, and note how it was left: see `soundness`."""
        self._engine.dispose()
        if self._station is not None and self.checked_at is not None:
            self._station.note_as_left(self.checked_at)
            self.checked_at = None

    # --- transactions
    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only looks. LedgerProblem when the ledger fails."""
        with self._told(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextlib.contextmanager
    def writing(self, doing: str) -> Iterator[Connection]:
        """A transaction that changes something: all of it or nothing. `doing` is what others hear who wait for it.

        Raises LedgerBusy when another process holds the ledger for longer than the wait, LedgerProblem when the
        ledger fails (a full disk); nothing was changed then.
        """
        generation = 0
        with self._told(), self._engine.connect() as plain:
            connection = plain.execution_options(**{WRITES: True})
            with connection.begin() as transaction, self._named(doing):
                yield connection
                generation = remembering.count_write(connection)
                transaction.commit()
        if self._station is not None and generation:
            self._station.write_note(generation)

    def _named(self, doing: str) -> contextlib.AbstractContextManager[None]:
        return self._station.named_writer(doing) if self._station is not None else contextlib.nullcontext()

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OverflowError:
            raise LedgerProblem(
                "The ledger cannot hold a number as large as this.",
                hint="A record on a drive may hold nonsense. Copies and records on the drives are not touched.",
            ) from None
        except SQLAlchemyError as problem:
            if self._station is not None and isinstance(problem, OperationalError) and is_locked(problem):
                raise self._station.busy(self._wait_seconds) from None
            reason = str(getattr(problem, "orig", None) or problem)[:200]
            if self._station is not None and is_damaged(problem):
                self.checked_at = None
                self._station.distrust()
                raise LedgerProblem(
                    f"The ledger is damaged: {reason}.",
                    hint="Run the command again: the ledger is looked through and set aside. Then attach the drives and"
                    " run `rollproof ledger rebuild DRIVE …`. Copies and records on the drives are not touched.",
                ) from None
            raise LedgerProblem(
                f"The ledger cannot be used: {reason}.",
                hint="See whether this computer's disk is full. Copies and records on the drives are not touched.",
            ) from None

    # --- remembering
    def remember_offload(self, note: OffloadNote, files: Iterable[FileNote]) -> Remembered:
        """Remember a run over a card: the card, its clips and files, every copy with its state and record.

        `files` are streamed, in byte order of their paths. A run over the same listing with the same files as one
        that is known already adds no second set of them.
        """
        with self.writing(f"remembering roll {note.roll}") as connection:
            return Remembered(*remembering_offloads.offload(connection, note, files, self.trust.machine))

    def remember_copy(self, roll_id: int, note: CopyNote, *, offload_ids: Iterable[int] = ()) -> int:
        """Remember a copy of a known roll that was found on a drive, with what it is worth; returns its id.

        `offload_ids` are the runs whose files it holds.
        """
        with self.writing("remembering a copy") as connection:
            return remembering.copy(connection, roll_id, note, tuple(offload_ids), self.trust.machine)

    def remember_verify(
        self,
        copy_id: int,
        *,
        state: CopyState,
        readback: Evidence | None,
        at: datetime,
        why: str = "",
        record: RecordNote | None = None,
        findings: Iterable[Finding] = (),
    ) -> None:
        """The newest word on a copy: after a verify, a receive, or a look at its records. `state` holds for all its
        files, as `records.standing` gives it. Counts as seen by this station at `at`."""
        with self.writing("remembering a verify") as connection:
            remembering.verdict(connection, copy_id, state, readback, at, why, self.trust.machine)
            if record is not None:
                remembering.record(connection, copy_id, record)
                if state == "proven":
                    remembering.proven(connection, copy_id, at)
            remembering.findings(connection, copy_id, findings, at)

    def remember_record(self, copy_id: int, record: RecordNote) -> None:
        """Remember that a copy's chain holds this record, with its digest."""
        with self.writing("remembering a record") as connection:
            remembering.record(connection, copy_id, record)

    def remember_seen(self, copy_id: int, at: datetime) -> None:
        """This station has the copy before its eyes: attached, flushed to or read from."""
        with self.writing("remembering a drive") as connection:
            remembering.seen(connection, copy_id, at, self.trust.machine)

    def remember_places(self, notes: Iterable[PlaceNote], at: datetime) -> None:
        """Each of these drives is at its place now: the next one that is found there is held against it."""
        with self.writing("remembering where drives are") as connection:
            drive_places.remember(connection, notes, at)

    def remember_founder(self, copy_id: int, founder: str) -> None:
        """The identity of a copy, as its records on the drive tell."""
        with self.writing("remembering a copy") as connection:
            connection.execute(tables.copies.update().where(tables.copies.c.id == copy_id).values(founder=founder))

    def remember_attached(self, attached: Sequence[DriveIdentity], at: datetime) -> None:
        """These are all the volumes that are attached at this moment: they are so together, and a device that is there
        with other file systems only no longer holds what it held."""
        with self.reading() as connection:
            found = identities.news(connection, attached, at)
        if found.pairs or found.void:
            with self.writing("remembering which drives are here") as connection:
                identities.see(connection, found, at)

    def confirm_clock(self, person: Person, at: datetime, newest: datetime) -> None:
        """A person says that the clock is right although `newest` was recorded. From now on only what is seen from now
        on counts while it is away."""
        with self.writing("noting that the clock is right") as connection:
            identities.confirm_clock(connection, person, at, newest)

    def remember_gone(self, copy_id: int, at: datetime) -> None:
        """The copy's device was seen without it: its proof is withdrawn until a verify."""
        with self.writing("remembering a missing copy") as connection:
            remembering.gone(connection, copy_id, at)

    def begin_copies(self, notes: Sequence[BegunNote]) -> None:
        """An offload is about to write these copies. Until `end_copies` says otherwise they count as not finished."""
        with self.writing("noting that an offload begins") as connection:
            begun.begin(connection, notes)

    def end_copies(self, notes: Sequence[BegunNote], finished: Iterable[bytes], at: datetime) -> None:
        """The run that began these copies has ended; those at the paths `finished` are all there."""
        with self.writing("noting that an offload ended") as connection:
            begun.end(connection, notes, frozenset(finished), at)

    def begun_copies(self) -> list[KnownBegun]:
        """Copies that an offload has begun and none has finished, oldest first."""
        with self.reading() as connection:
            return begun.known(connection)

    def begin_reading(self, note: ReadingNote) -> int:
        """A reading of copies begins; returns its number. Until `end_reading` it counts as not finished."""
        with self.writing("noting that a reading begins") as connection:
            return readings.begin(connection, note)

    def reading_saw(self, reading_id: int, newest_record: str) -> None:
        """The newest word in the records of what is being read: only a newer one answers what the reading finds."""
        with self.writing("noting that a reading begins") as connection:
            readings.saw(connection, reading_id, newest_record)

    def reading_found(self, reading_id: int, news: BadNews) -> None:
        """Something is wrong with what is being read: no copy at that place is proven from now on."""
        with self.writing("noting what a reading found") as connection:
            readings.found(connection, reading_id, news)

    def end_reading(self, reading_id: int, *, settles: bool) -> None:
        """A reading came to its end. What it found stays; with `settles` everything at its place was read and is as
        recorded, and what earlier readings left there is put behind it."""
        with self.writing("noting that a reading ended") as connection:
            readings.end(connection, reading_id, settles=settles)

    def medium_seen(self, key: str, slept_seconds: float, at: datetime) -> float:
        """How long the computer had slept when this medium was first seen, which may be now."""
        media = tables.media_seen
        query = select(media.c.slept_seconds).where(media.c.key == key)
        with self.reading() as connection:
            known = connection.execute(query).scalar()
        if known is not None:
            return float(known)
        with self.writing("noting a medium") as connection:
            known = connection.execute(query).scalar()
            if known is None:
                values = {"key": key, "slept_seconds": slept_seconds, "first_seen_at": int(at.timestamp())}
                connection.execute(media.insert().values(**values))
        return slept_seconds if known is None else float(known)

    def settle_readings(self, identity: DriveIdentity, folder: bytes, *, only: str) -> None:
        """What the command `only` read there, or left unread, was done again and is proven."""
        with self.writing("settling readings") as connection:
            readings.settle(connection, identity.text, folder, only=only)

    def settle_by_word(self, identity: DriveIdentity, folder: bytes, newest_record: str) -> None:
        """By the record with this SHA-256 the copy there is proven: it answers readings that had not seen it."""
        with self.writing("settling readings") as connection:
            readings.settle_by_word(connection, identity.text, folder, newest_record)

    def remember_permit(self, note: PermitNote) -> int:
        """Write down a permit as `pending`, flushed; returns its id. It means nothing until `settle_permit`."""
        with self.writing("writing a permit") as connection:
            return remembering.permit(connection, note)

    def settle_permit(self, permit_id: int, state: Literal["given", "withdrawn"], *, reason: str = "") -> None:
        """The permit lies on the drives (`given`), or could not be written everywhere (`withdrawn`)."""
        with self.writing("settling a permit") as connection:
            remembering.settle(connection, permit_id, state, reason)

    # --- asking
    def all_offloads(self) -> list[KnownOffload]:
        """Every run over a card, newest first."""
        with self.reading() as connection:
            return asking.offloads(connection, self.trust, true())

    def given_permits(self) -> list[PermitNote]:
        """Every permit that was given and stands, oldest first, with its rolls. Never evidence."""
        with self.reading() as connection:
            return asking_cards.given_permits(connection)

    def card_findings(self, roll_id: int, kinds: Iterable[Kind]) -> list[tuple[str, str]]:
        """What the newest offload of a roll found of these kinds on its card: path and sentence of each."""
        with self.reading() as connection:
            return asking_cards.card_findings(connection, roll_id, kinds)

    def card_trouble(self) -> Counter[int]:
        """How many read errors the card of each roll had, by the roll's id."""
        with self.reading() as connection:
            return asking_cards.card_trouble(connection)

    def looked_at(self) -> dict[int, HistoryLine]:
        """By roll, who last said to have looked at its pictures."""
        with self.reading() as connection:
            return asking_rolls.looked_at(connection)

    def seen(self, attached: Iterable[DriveIdentity]) -> Seen:
        """What this station saw of drives, and when; `attached` are the volumes that are here now."""
        with self.reading() as connection:
            return identities.seen(connection, attached)

    def clock(self) -> ClockFacts:
        """The moments by which the clock is judged."""
        with self.reading() as connection:
            return identities.clock(connection)

    def find_by_listing(self, listing_digest: str) -> list[KnownOffload]:
        """Every run over a card that had exactly this listing, newest first."""
        with self.reading() as connection:
            return asking.offloads(connection, self.trust, tables.offloads.c.listing_digest == listing_digest)

    def offloads_of(self, roll_id: int) -> list[KnownOffload]:
        """Every run of a roll, newest first."""
        with self.reading() as connection:
            return asking.offloads(connection, self.trust, tables.offloads.c.roll_id == roll_id)

    def damaged_clips(self, roll_ids: Iterable[int]) -> set[str]:
        """Names of the clips of these rolls that a health check called damaged in any run."""
        with self.reading() as connection:
            return asking.damaged_clips(connection, sorted(set(roll_ids)))

    def clip_health(self, offload_ids: Iterable[int]) -> dict[str, str]:
        """What these runs called each clip by name: `damaged`, `sound` or `unknown`."""
        with self.reading() as connection:
            return asking.clip_health(connection, list(offload_ids))

    def clips_of(self, offload_id: int) -> list[ClipNote]:
        """The clips of one run, as its record told of them."""
        with self.reading() as connection:
            return asking.clips_of(connection, offload_id)

    def offloads(self, ids: Iterable[int]) -> list[KnownOffload]:
        """These runs, newest first; numbers that mean none are passed over."""
        with self.reading() as connection:
            return asking.offloads(connection, self.trust, tables.offloads.c.id.in_(sorted(set(ids))))

    def algorithms(self) -> tuple[str, ...]:
        """The algorithms by which files are remembered, each once: what a card must be hashed with to be found."""
        with self.reading() as connection:
            return tuple(connection.execute(select(tables.offloads.c.algorithm).distinct()).scalars())

    def find_files(self, algorithm: str, hashes: Iterable[str]) -> list[KnownFile]:
        """Every known file whose hash (text form, of `algorithm`) is among these, in no order. Some thousand at a time
        are looked up in milliseconds. Raises UntrustedInput for text that is no such hash."""
        with self.reading() as connection:
            return asking.files_by_hash(connection, algorithm, hashes)

    def knows_one_of(self, files: Iterable[tuple[bytes, int]]) -> bool:
        """Whether a file of one of these paths and its size, whatever its content, was ever offloaded."""
        with self.reading() as connection:
            return asking.knows_one_of(connection, files)

    def find_files_by_name(self, offload_ids: Iterable[int], paths: Iterable[bytes]) -> list[KnownFile]:
        """The files of these runs that have one of these paths."""
        wanted = set(paths)
        return [file for number in offload_ids for file in self.files_of(number) if file.path in wanted]

    def files_of(self, offload_id: int) -> Iterator[KnownFile]:
        """Every file of a run, in byte order of the paths, streamed."""
        with self.reading() as connection:
            yield from asking.files_of(connection, offload_id)

    def copies_of(self, roll_id: int) -> list[KnownCopy]:
        """Every copy of a roll that was ever seen, with its state, its device, and when it was seen by whom."""
        with self.reading() as connection:
            found = asking.copies(connection, self.trust, tables.copies.c.roll_id == roll_id)
            return _with_readings(found, readings.unsettled(connection))

    def copies_on(self, identity: DriveIdentity) -> list[KnownCopy]:
        """Every copy that this volume on this device is remembered to hold."""
        with self.reading() as connection:
            found = asking.copies(connection, self.trust, tables.devices.c.identity == identity.text)
            return _with_readings(found, readings.unsettled(connection))

    def unsettled_readings(self) -> dict[tuple[str, bytes], list[Unsettled]]:
        """Readings that were not finished, or that found something wrong, by identity of the volume and folder."""
        with self.reading() as connection:
            return readings.unsettled(connection)

    def digests_of(self, copy_id: int, *, kind: str | None = None) -> dict[int, list[str]]:
        """The digests each record of a copy's chain was seen with, by number: for `chain.compare_with_memory`.

        Only from the last clean verify on: what was lost before it, it has put behind the copy. `kind` leaves the
        records of one kind."""
        with self.reading() as connection:
            return asking.digests(connection, copy_id, kind)

    def records_of(self, copy_id: int) -> list[RecordFact]:
        """Every record that a copy's chain was ever seen with, in the order in which this ledger learned of them."""
        with self.reading() as connection:
            return asking.records_of(connection, copy_id)

    def paces_of(self, roll_id: int) -> dict[int, list[PaceNote]]:
        """How fast each copy of a roll was made, by the copy's id, as its own records told; oldest first."""
        with self.reading() as connection:
            return asking.paces(connection, roll_id)

    def drives_like(self, identity: DriveIdentity) -> list[KnownDrive]:
        """Which drive is this? Those with the same device or the same volume, the exact one first."""
        with self.reading() as connection:
            return asking.drives_like(connection, identity)

    def drives_mounted_from(self, source: str, boot_id: str | None, device_number: int) -> list[KnownDrive]:
        """Drives seen in this boot behind this device node, the last seen first: which one hangs there?"""
        with self.reading() as connection:
            return asking.drives_mounted_from(connection, source, boot_id, device_number)

    def last_at_path(self, path: bytes) -> KnownPlace | None:
        """The drive last seen mounted at this absolute path, or at the nearest folder above it."""
        with self.reading() as connection:
            return drive_places.last_at(connection, path)

    def last_in_role(self, production: str, role: str) -> KnownPlace | None:
        """The drive last seen in this role of the production."""
        with self.reading() as connection:
            return drive_places.last_in(connection, production, role)

    def drives_labelled(self, label: str) -> list[KnownDrive]:
        """Drives whose volume has this name, the last seen first: a name tells nobody apart."""
        with self.reading() as connection:
            return asking.drives_labelled(connection, label)

    def rolls(
        self, *, name: str | None = None, day: str | None = None, unit: str | None = None, camera: str | None = None
    ) -> list[KnownRoll]:
        """The list of rolls, oldest first, filtered by what is given."""
        with self.reading() as connection:
            return asking_rolls.rolls(connection, name=name, day=day, unit=unit, camera=camera)

    def history(self, roll_id: int) -> list[HistoryLine]:
        """Everything that is known to have happened to a roll, oldest first."""
        with self.reading() as connection:
            return asking_rolls.history(connection, roll_id)

    def permits_for(self, listing_digest: str) -> list[tuple[datetime, str]]:
        """When permits were given for a card with this listing, and by whom. Never evidence; newest first."""
        with self.reading() as connection:
            return asking_rolls.permits(connection, listing_digest)

    def permits_for_card(self, serial: str | None, listing_digest: str) -> list[PermitNote]:
        """Every permit given for a card of this volume serial or with this listing, newest first. Never evidence."""
        with self.reading() as connection:
            return asking_rolls.permits_for_card(connection, serial, listing_digest)

    def check(self) -> list[str]:
        """A full check of the database (seconds for a million files); empty when it is whole."""
        with self.reading() as connection:
            if connection.dialect.name != "sqlite":
                connection.execute(select(tables.info.c.key)).all()
                return []
            found = connection.exec_driver_sql("PRAGMA integrity_check(10)").scalars().all()
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        lines = [str(line) for line in found if line != "ok"]
        return lines + [f"a row of {row[0]} refers to none of {row[2]}" for row in broken[:10]]


def _with_readings(copies: list[KnownCopy], unsettled: dict[tuple[str, bytes], list[Unsettled]]) -> list[KnownCopy]:
    if not unsettled:
        return copies
    return [
        replace(copy, unsettled=tuple(unsettled.get((copy.drive.identity.text, copy.folder), ()))) for copy in copies
    ]
