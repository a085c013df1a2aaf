"""Opening the ledger: made where there is none, checked, mended by setting aside, brought to today's form."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, select
from sqlalchemy.engine import URL
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from rollproof.ledger import tables
from rollproof.ledger.carrying_over import carry_over
from rollproof.ledger.ledger import WRITES, Ledger
from rollproof.ledger.migrations import MIGRATIONS, Migration, migrate, wants_copy
from rollproof.ledger.soundness import damage, needs_full_check
from rollproof.ledger.station_file import StationFile, home_lock
from rollproof.ledger.trouble import LedgerProblem, is_locked
from rollproof.ledger.trust import Trust
from rollproof.models.findings import Finding, Kind, warning
from rollproof.storage.io import Io
from rollproof.storage.station import make_home, station_home, station_id
from rollproof.storage.system import system_io

WAIT_SECONDS = 10.0
_CACHE_KIB = 32 * 1024
_REBUILD = "Attach the drives and run `rollproof ledger rebuild DRIVE …`: records and footage on them are whole."


def open_ledger(
    where: Path | str | None = None,
    *,
    machine: str | None = None,
    io: Io | None = None,
    wait_seconds: float = WAIT_SECONDS,
    now: datetime | None = None,
    steps: Sequence[Migration] = MIGRATIONS,
) -> Ledger:
    """Open the station's ledger: in the folder `where` (default: the station's home), or at a database URL.

    A missing ledger is made; a damaged one is set aside, never deleted, and a fresh one made; both are said in
    `Ledger.findings`, as is a ledger that was made on another machine (`machine`: this one's identity, as
    `storage.station.station_id` gives it) or restored from a backup. Waits up to `wait_seconds` for another process.

    Raises LedgerBusy when that was not enough, LedgerProblem when there can be no ledger here now.
    """
    identity = station_id() if machine is None else machine
    moment = now or datetime.now(UTC)
    try:
        if isinstance(where, str) and "://" in where:
            return _open_url(where, identity, moment, steps)
        station = StationFile(make_home(Path(where) if where is not None else station_home()))
        with home_lock(io or system_io(), station, wait_seconds):
            return _open_file(station, identity, moment, wait_seconds, steps)
    except OSError as problem:
        raise LedgerProblem(
            f"The ledger cannot be opened: {problem}.",
            hint="Name another folder with ROLLPROOF_HOME. Copies and records on the drives are not touched.",
        ) from None
    except SQLAlchemyError as problem:
        raise LedgerProblem(
            f"The ledger cannot be used: {_reason(problem)}.",
            hint="See whether the disk of this computer is full. Copies and records on the drives are not touched.",
        ) from None


def fresh_ledger(
    home: Path | None = None,
    *,
    machine: str | None = None,
    io: Io | None = None,
    wait_seconds: float = WAIT_SECONDS,
    now: datetime | None = None,
) -> Ledger:
    """A new ledger; the one that is there, whole or not, is set aside. For the rebuild from drives. Of the old one only
    the readings that nothing has settled go over, where it can be read."""
    station = StationFile(make_home(home or station_home()))
    aside: Path | None = None
    with home_lock(io or system_io(), station, wait_seconds):
        if station.path.exists():
            aside = station.set_aside(now or datetime.now(UTC))
        station.note.unlink(missing_ok=True)
    ledger = open_ledger(station.home, machine=machine, io=io, wait_seconds=wait_seconds, now=now)
    if aside is not None and not carry_over(aside, ledger):
        detail = f"what was found wrong by readings that no record tells of could not be read from {aside.name}"
        remedy = "verify the copies before they are counted"
        ledger.findings = (*ledger.findings, warning(Kind.LEDGER_DAMAGED, detail, remedy=remedy))
    return ledger


def _open_file(
    station: StationFile, machine: str, now: datetime, wait_seconds: float, steps: Sequence[Migration]
) -> Ledger:
    findings: list[Finding] = []
    damaged: Path | None = None
    note = station.read_note()
    checked_at = now.timestamp()
    if station.path.exists():
        everything = needs_full_check(station, checked_at)
        if not everything:
            checked_at = station.checked_as_left() or checked_at
        reason = _damage(station, wait_seconds, everything=everything)
        if reason is not None:
            damaged = aside = station.set_aside(now)
            detail = f"The ledger was damaged ({reason}); it was set aside as {aside.name}, and an empty one made."
            findings.append(_finding(Kind.LEDGER_DAMAGED, detail))
            note = None
    elif note is not None:
        detail = f"The ledger that was at {station.path} is gone; an empty one was made."
        findings.append(_finding(Kind.LEDGER_MISSING, detail))
        note = None
    engine = _engine(station, wait_seconds)
    ledger = Ledger(engine, Trust(machine), station=station, wait_seconds=wait_seconds)
    try:
        _keep_copy(ledger, station, now, steps)
        ready = _ready(ledger, machine, now, findings, note, steps)
        ready.checked_at = checked_at
        if damaged is not None:
            carry_over(damaged, ready)  # (what cannot be read is said already: the ledger was damaged)
        return ready
    except BaseException:
        ledger.close()
        raise


def _keep_copy(ledger: Ledger, station: StationFile, now: datetime, steps: Sequence[Migration]) -> None:
    """Keep the ledger as it is before a step that is not to be taken without that. Raises LedgerProblem."""
    with ledger.reading() as connection:
        if not wants_copy(connection, steps):
            return
    try:
        station.keep_copy(now)
    except (OSError, sqlite3.Error) as problem:
        raise LedgerProblem(
            f"The ledger was made by an earlier version, and no copy of it could be kept: {problem}.",
            hint=f"Make room in {station.home}. The ledger was left as it is.",
        ) from None


def _open_url(url: str, machine: str, now: datetime, steps: Sequence[Migration]) -> Ledger:
    ledger = Ledger(create_engine(url), Trust(machine), station=None, wait_seconds=WAIT_SECONDS)
    try:
        return _ready(ledger, machine, now, [], None, steps)
    except BaseException:
        ledger.close()
        raise


def _ready(
    ledger: Ledger,
    machine: str,
    now: datetime,
    findings: list[Finding],
    note: dict[str, Any] | None,
    steps: Sequence[Migration],
) -> Ledger:
    migrate(ledger.reading, lambda: ledger.writing("bringing the ledger to its present form"), steps)
    with ledger.reading() as connection:
        known = _info(connection)
    if "machine" not in known:
        known = {"machine": machine, "made_at": str(int(now.timestamp())), "generation": "0"}
        with ledger.writing("making the ledger") as connection:
            connection.execute(
                tables.info.insert(),
                [{"key": key, "value": value} for key, value in known.items() if key != "generation"],
            )
    remembered = note.get("generation") if note else None
    restored_at = int(known.get("restored_at", "0"))
    if isinstance(remembered, int) and remembered > int(known.get("generation", "0")):
        restored_at = int(now.timestamp())
        with ledger.writing("noting that an older ledger was put back") as connection:
            connection.execute(tables.info.delete().where(tables.info.c.key == "restored_at"))
            connection.execute(tables.info.insert().values(key="restored_at", value=str(restored_at)))
        findings.append(
            _finding(
                Kind.LEDGER_RESTORED,
                "The ledger is older than it was when it was last used: a backup was put back. What it remembers of"
                " drives that are not attached counts for nothing until they are seen again.",
            )
        )
    made_here = bool(machine) and known["machine"] == machine
    if not made_here:
        what = "was made on another machine" if known["machine"] else "does not say on which machine it was made"
        detail = f"The ledger {what}: what it remembers of drives that are not attached counts for nothing."
        findings.append(_finding(Kind.LEDGER_FROM_ELSEWHERE, detail))
    ledger.trust = Trust(machine, made_here=made_here, restored_at=restored_at)
    ledger.findings = tuple(findings)
    return ledger


def _info(connection: Connection) -> dict[str, str]:
    found = connection.execute(select(tables.info.c.key, tables.info.c.value))
    return {row.key: row.value for row in found}


def _finding(kind: Kind, detail: str) -> Finding:
    return warning(kind, detail, remedy=_REBUILD)


def _engine(station: StationFile, wait_seconds: float) -> Engine:
    engine = create_engine(URL.create("sqlite", database=str(station.path)), connect_args={"timeout": wait_seconds})

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # transactions are begun by the listener below, not by the driver
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",  # a permit that was said must still be known after a power cut
            "foreign_keys = ON",
            f"cache_size = -{_CACHE_KIB}",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # a transaction that will write takes the lock at once: it cannot fail half-way because another one wrote
        writes = connection.get_execution_options().get(WRITES, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _damage(station: StationFile, wait_seconds: float, *, everything: bool) -> str | None:
    """See `soundness.damage`. Raises LedgerBusy when it is held."""
    engine = _engine(station, wait_seconds)
    try:
        return damage(engine, station, everything=everything)
    except OperationalError as problem:
        if is_locked(problem):
            raise station.busy(wait_seconds) from None
        raise
    finally:
        engine.dispose()


def _reason(problem: SQLAlchemyError) -> str:
    return str(getattr(problem, "orig", None) or problem)[:200]
