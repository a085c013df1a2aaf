"""What can go wrong with the ledger itself. None of it touches footage, and no workflow may die of it."""

from __future__ import annotations

import sqlite3

from sqlalchemy.exc import SQLAlchemyError

from rollproof.models.errors import ExitStatus, RollproofError


class LedgerProblem(RollproofError):
    """The ledger cannot be used now: its folder is not writable, the disk is full, it is too new."""

    status = ExitStatus.NOT_FINISHED
    id = "ledger"


class LedgerBusy(LedgerProblem):
    """Another process holds the ledger; the message says which one."""

    id = "ledger-busy"


def is_locked(problem: SQLAlchemyError) -> bool:
    """Whether another process holds the ledger."""
    origin = getattr(problem, "orig", None)
    code = getattr(origin, "sqlite_errorcode", 0) or 0
    return isinstance(origin, sqlite3.OperationalError) and code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def is_damaged(problem: SQLAlchemyError) -> bool:
    """Whether the database says of itself that it is damaged."""
    origin = getattr(problem, "orig", None)
    code = getattr(origin, "sqlite_errorcode", 0) or 0
    return isinstance(origin, sqlite3.DatabaseError) and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
