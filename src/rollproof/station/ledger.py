"""The station's ledger for the length of one command: opened when first needed, its troubles said, never fatal.

The ledger is an index: whatever goes wrong with it is a warning, and records and copies on the drives are not touched.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Self, TypeVar

from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.ledger.station_file import FILE_NAME
from rollproof.ledger.trouble import LedgerBusy
from rollproof.models.errors import RollproofError
from rollproof.models.findings import Finding, Kind, warning
from rollproof.station.at_work import AtWork
from rollproof.storage.station import station_home

_Result = TypeVar("_Result")
_REBUILD = "Attach the drives and run `rollproof ledger rebuild DRIVE …`: records and footage on them are whole."


class StationLedger:
    """One per command, for any thread. `given` is a ledger that is open already and stays so."""

    def __init__(self, given: Ledger | None = None) -> None:
        self._given = given
        self._lock = threading.RLock()
        self._ledger = given
        self._asked = given is not None
        self._told: list[Finding] = list(given.findings) if given is not None else []
        self.trouble: Finding | None = None
        """Why there is no ledger to be had, once it was asked for."""
        self.at_work = AtWork()
        """The volumes that this command is at work on, for the other runs of this station."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def ledger(self) -> Ledger | None:
        """The ledger, opened now if need be; None when it cannot be had. What was odd waits in `findings`."""
        if not self._asked:
            self._asked = True
            try:
                self._ledger = open_ledger()
                self._told += self._ledger.findings
            except RollproofError as problem:
                self.trouble = ledger_finding(problem)
                self._told.append(self.trouble)
        return self._ledger

    @property
    def is_there(self) -> bool:
        """Whether this station has a ledger, usable now or not."""
        if self._ledger is not None:
            return True
        try:
            return (station_home() / FILE_NAME).exists()
        except OSError:
            return True

    def findings(self) -> list[Finding]:
        """What was odd since the last call: each is said once."""
        with self._lock:
            told, self._told = self._told, []
        return told

    def tell(self, work: Callable[[Ledger], _Result]) -> _Result | None:
        """Do something with the ledger. None when there is none, or when it failed; why waits in `findings`."""
        with self._lock:
            ledger = self.ledger
            if ledger is None:
                return None
            try:
                return work(ledger)
            except (RollproofError, OSError, ValueError) as problem:
                self._told.append(ledger_finding(problem))
                return None

    @property
    def ledger_if_any(self) -> Ledger | None:
        """As `ledger`, for a question: where this station has no ledger yet, none is made for it."""
        try:
            if not self._asked and not (station_home() / FILE_NAME).exists():
                return None
        except OSError:
            return None
        return self.ledger

    def ask(self, work: Callable[[Ledger], _Result]) -> _Result | None:
        """As `tell`, for a question: see `ledger_if_any`."""
        return self.tell(work) if self.ledger_if_any is not None else None

    def peek(self, work: Callable[[Ledger], _Result]) -> _Result | None:
        """As `ask`, where another call will say what is wrong with the ledger: nothing is said here."""
        try:
            ledger = self.ledger_if_any
            return work(ledger) if ledger is not None else None
        except (RollproofError, OSError, ValueError):
            return None

    def close(self) -> None:
        """Let go of a ledger that was opened here, and of all volumes."""
        self.at_work.close()
        if self._ledger is not None and self._given is None:
            self._ledger.close()
        self._ledger = self._given


def ledger_finding(problem: Exception) -> Finding:
    """The warning for a ledger that could not be used or written."""
    message = problem.message if isinstance(problem, RollproofError) else str(problem)
    kind = Kind.LOCKED if isinstance(problem, LedgerBusy) else Kind.LEDGER_DAMAGED
    hint = problem.hint if isinstance(problem, RollproofError) and problem.hint else _REBUILD
    detail = f"this station's ledger does not know of this: {message}"
    return warning(kind, detail, remedy=hint)
