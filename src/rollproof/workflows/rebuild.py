"""The ledger again, from the drives alone: every roll's own records are read and taken in.

What the drives tell is believed as far as it goes: the runs are nobody's own, copies count while they are absent only
once this station has seen them itself (`may-wipe` or `verify` with the drive attached), and a card is read again.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rollproof.copies.find import find_rolls
from rollproof.copies.ledger_import import learn_copy
from rollproof.copies.ledger_update import remember_chain
from rollproof.copies.roll_folder import RollFolder
from rollproof.drives.interface import Drives
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import fresh_ledger
from rollproof.models.errors import ExitStatus, Interrupted, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.io import Io


class RebuiltRoll(BaseModel):
    """One roll folder that was looked at. `state` is `unknown` where no record of ours could be taken in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    path: str
    roll: str
    production: str | None
    state: Literal["proven", "copied", "unproven", "unknown"]
    files: int
    records: int
    why: str = ""


class RebuildResult(BaseModel):
    """Everything a rebuild has to say. `kept` is where the ledger before it was set aside, empty when there was
    none."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rolls: list[RebuiltRoll]
    findings: list[Finding]
    drives: int
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


Say = Callable[[str], None]


def rebuild_ledger(paths: Sequence[bytes], ctx: Context, *, say: Say = lambda path: None) -> RebuildResult:
    """Make the ledger anew from these drives; the one that is there is set aside, never deleted.

    A drive that cannot be read is an error finding, and nothing is begun when none can be. Raises LedgerProblem when
    there can be no ledger, Interrupted when the end was asked for (what was imported stays).
    """
    io = ctx.io
    findings: list[Finding] = []
    opened: list[tuple[bytes, int]] = []
    try:
        for path in paths:
            try:
                opened.append((path, io.open_root(path)))
            except OSError as error:
                findings.append(_missing(path, error))
        rolls: list[RebuiltRoll] = []
        if opened:
            with fresh_ledger(now=ctx.now()) as ledger:
                findings += ledger.findings
                rebuilding = _Rebuilding(io, ctx.drives, ledger, ctx.cancel, say, findings)
                for path, handle in opened:
                    rolls += rebuilding.drive(path, handle)
    finally:
        for _, handle in opened:
            io.close(handle)
    errors = any(finding.severity is Severity.ERROR for finding in findings)
    return RebuildResult(
        rolls=rolls,
        findings=grouped(findings),
        drives=len(opened),
        status=ExitStatus.ANSWER_IS_NO if errors else ExitStatus.DONE,
    )


def _missing(path: bytes, error: OSError) -> Finding:
    return Finding(
        Kind.DRIVE_MISSING,
        Severity.ERROR,
        shown(path),
        f"no folder can be opened at {shown(path)} ({said(error)})",
        remedy="attach and mount the drive, and check the path",
    )


@dataclass(slots=True)
class _Rebuilding:
    io: Io
    drives: Drives
    ledger: Ledger
    cancel: Cancel
    say: Say
    findings: list[Finding]

    def drive(self, path: bytes, handle: int) -> list[RebuiltRoll]:
        """Every roll at or below a path."""
        found: list[RebuiltRoll] = []
        for relative in find_rolls(self.io, handle, self.cancel):
            if self.cancel.is_set():
                raise Interrupted("the rebuild was interrupted; what was imported stays", hint="run it again")
            whole = os.path.join(path, relative) if relative else path
            self.say(shown(whole))
            found.append(self._roll(whole, handle, relative))
        if self.cancel.is_set():
            raise Interrupted("the rebuild was interrupted; what was imported stays", hint="run it again")
        if not found:
            self.findings.append(
                warning(
                    Kind.NO_HISTORY,
                    f"there is no roll with records at or below {shown(path)}",
                    path=shown(path),
                    remedy="name a drive or the folder of a production",
                )
            )
        return found

    def _roll(self, path: bytes, drive: int, relative: bytes) -> RebuiltRoll:
        name = inert(os.fsdecode(os.path.basename(path)).encode("utf-8", "replace").decode())
        try:
            handle = open_below(self.io, drive, relative)
            try:
                return self._open_roll(path, handle, name)
            finally:
                self.io.close(handle)
        except (OSError, UntrustedInput) as failure:
            why = said(failure) if isinstance(failure, OSError) else failure.message
            self.findings.append(
                error(
                    Kind.BAD_RECORD,
                    f"the records of {shown(path)} cannot be imported ({why})",
                    path=shown(path),
                    remedy="verify that copy, and compare it with the roll's other copies",
                )
            )
            return RebuiltRoll(
                path=shown(path), roll=name, production=None, state="unknown", files=0, records=0, why=why
            )

    def _open_roll(self, path: bytes, handle: int, name: str) -> RebuiltRoll:
        drive = shown(path)
        roll = RollFolder(self.io, handle, path, self.drives.volume_of(path), drive)
        chain = roll.chain()
        found = roll.standing(chain)
        copies = learn_copy(self.ledger, roll, chain, found, seen_at=None, siblings=True)
        for copy_id in copies:
            remember_chain(self.ledger, copy_id, chain)
        self.findings += [finding for finding in chain.findings if finding.severity is Severity.ERROR]
        if not copies:
            self.findings.append(
                warning(
                    Kind.NO_HISTORY,
                    f"{drive} has no record of an offload that could be imported",
                    path=drive,
                    remedy="the open standard's manifests alone tell of no card; verify still reads such a copy",
                )
            )
        newest = found.newest_offload
        return RebuiltRoll(
            path=drive,
            roll=inert(newest.roll or "") if newest is not None else name,
            production=newest.production if newest is not None else None,
            state=found.state if copies else "unknown",
            files=newest.totals.files if newest is not None else 0,
            records=len(chain.links),
            why=" ".join(found.why),
        )
