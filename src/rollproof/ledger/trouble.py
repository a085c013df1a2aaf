"""What can go wrong with the ledger itself. None of it touches footage, and no workflow may die of it."""

from __future__ import annotations

from rollproof.models.errors import ExitStatus, RollproofError


class LedgerProblem(RollproofError):
    """The ledger cannot be used now: its folder is not writable, the disk is full, it is too new."""

    status = ExitStatus.NOT_FINISHED
    id = "ledger"


class LedgerBusy(LedgerProblem):
    """Another process holds the ledger; the message says which one."""

    id = "ledger-busy"
