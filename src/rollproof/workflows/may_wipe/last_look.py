"""Just before MAY WIPE every counted copy that is attached is listed again: the answer is about now.

Reading the card or a copy takes hours, and what was looked at first may be gone by then.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from datetime import datetime

from rollproof.copies.deadline import InTime
from rollproof.copying.plan import same_time
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind
from rollproof.models.names import shown
from rollproof.records.chain import read_chain
from rollproof.storage.errors import said
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.may_wipe.card import keep
from rollproof.workflows.may_wipe.copies import CopyInView

_REMEDY = "find out who works on that drive; verify that copy, then ask again"


def changed_copies(used: Sequence[CopyInView], ledger: Ledger, in_time: InTime, now: datetime) -> list[Finding]:
    """A reason to KEEP for every counted copy that is not any more what it was when it was looked at. Its proof is
    withdrawn in the ledger first. Raises LedgerProblem and Interrupted."""
    reasons: list[Finding] = []
    for view in used:
        if not view.attached or view.handle < 0:
            continue
        try:
            why = in_time.run(lambda view=view: _changed(in_time.io, view))  # type: ignore[misc]
        except NoAnswer:
            why = "its drive does not answer any more"
            view.hangs = True  # the call that hangs still uses its handle
        if not why:
            continue
        ledger.remember_verify(view.known.id, state="unproven", readback=None, at=now, why=why)
        view.no(why, _REMEDY)
        detail = f"the copy on {view.drive} changed while the card was judged: {why}"
        reasons.append(keep(Kind.COPY_NOT_COUNTED, detail, _REMEDY, drive=view.drive))
    return reasons


def _changed(io: Io, view: CopyInView) -> str:
    """What is not as it was; empty when all is."""
    try:
        there = io.open_root(view.path)
        try:
            now, then = io.fstat(there), io.fstat(view.handle)
            if (now.device, now.inode) != (then.device, then.inode):
                return "another folder lies in its place"
            if read_chain(io, there, drive=view.drive).digests != view.digests:
                return "its records are others"
            return _listed_again(io, there, view)
        finally:
            io.close(there)
    except OSError as error:
        gone = error.errno in (errno.ENOENT, errno.ENOTDIR)
        return f"{shown(os.path.basename(view.path))} is gone" if gone else f"it cannot be read ({said(error)})"
    except UntrustedInput as problem:
        return f"its records cannot be read: {problem.message}"


def _listed_again(io: Io, root: int, view: CopyInView) -> str:
    assert view.volume is not None
    folders = FolderHandles(io, root)
    try:
        for path, row in view.rows.items():
            folder, _, name = path.rpartition(b"/")
            try:
                found = io.stat(name, folders.handle(folder))
            except OSError as error:
                return f"{shown(path)} is not there ({said(error)})"
            same = found.size == row.size and same_time(found.modified_ns, row.modified_ns, view.volume.limits)
            if found.kind is not EntryKind.FILE or not same:
                return f"{shown(path)} is not as recorded in size or date"
    finally:
        folders.close()
    return ""
