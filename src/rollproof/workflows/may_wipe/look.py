"""Looking for all copies of some rolls: on the drives that are attached, and in this station's memory of the others.

A copy counts only by what is read from the drive now, or, while it is absent, by this station's own fresh memory. What
is found wrong with an attached copy is remembered: it must not count again by being unplugged.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from rollproof.copies.attached import mounts_of
from rollproof.copies.examine import Examination, OpenCopy, open_copy
from rollproof.copies.ledger_update import remember_chain
from rollproof.ledger.entries import BAD, DriveIdentity, KnownCopy
from rollproof.ledger.ledger import Ledger
from rollproof.models.names import shown
from rollproof.models.volumes import Volume
from rollproof.proof.copy import looks_to_wipe
from rollproof.proof.copy_facts import CopyFacts, MemoryFacts
from rollproof.proof.devices import share_a_device
from rollproof.proof.policy import Rules
from rollproof.records.chain import newest_word
from rollproof.records.row_table import RowTable
from rollproof.records.rows import FileRow
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.may_wipe.copies import CopyInView, lies_on_card

_SEEN_LATELY = timedelta(minutes=10)
_COMMAND = "may-wipe --reread-copies"


@dataclass(slots=True)
class CopyLook:
    """Looks at copies, one after the other, and tells the ledger what it found where that is news."""

    ctx: Context
    ledger: Ledger
    rules: Rules
    card: Volume
    now: datetime
    silent: set[int] = field(default_factory=set)
    """File systems that do not answer."""
    attached: list[Volume] = field(default_factory=list)
    """All volumes that were attached when `all_of` looked."""

    def all_of(self, rolls: Iterable[int], found: list[CopyInView]) -> None:
        """Every copy of these rolls that the ledger knows is added to `found`, attached ones with their lock held.

        Raises LedgerProblem and Interrupted; whatever is wrong with a copy is in the copy.
        """
        volumes = self.ctx.drives.volumes(everything=True)
        seen: set[tuple[int, bytes]] = set()
        for roll_id in dict.fromkeys(rolls):
            for known in self.ledger.copies_of(roll_id):
                places = list(mounts_of(known, volumes))
                keys = {(volume.st_dev, known.folder) for volume, _ in places}
                if not seen.isdisjoint(keys):
                    continue  # the same folder, known under two rolls: its records have told of both
                seen |= keys
                view = self._attached(known, places) if places else self._absent(known, volumes)
                found.append(view)
        self.attached = volumes
        self.ledger.remember_attached([DriveIdentity.of(volume) for volume in volumes], self.now)

    # --- attached copies

    def _attached(self, known: KnownCopy, places: Sequence[tuple[Volume, bytes]]) -> CopyInView:
        """An attached copy; a drive that does not answer is waited for once, and asked nothing more."""
        volume, below = places[0]
        facts = CopyFacts(True, known.name or known.drive.drive or shown(volume.mount_point), self._memory(known))
        path = os.path.join(volume.mount_point, below)
        view = CopyInView(known, self.rules, facts, path, volume.device, volume, seen_at=self.now)
        if any(volume.st_dev in self.silent for volume, _ in places):
            return self._left_behind(view)
        guard, ctx = self.ctx.guarded()
        try:
            opened, facts = guard.run(lambda: self._open_and_examine(ctx, view, places))
        except NoAnswer:
            self.silent |= {volume.st_dev for volume, _ in places}
            return self._left_behind(view)
        if opened is None:
            view.facts = facts
            if known.gone_at is None:  # its proof is withdrawn until a verify
                self.ledger.remember_gone(known.id, self.now)
            return view
        view.take_in(opened, facts)
        self._tell(view)
        return view

    def _open_and_examine(
        self, ctx: Context, view: CopyInView, places: Sequence[tuple[Volume, bytes]]
    ) -> tuple[OpenCopy | None, CopyFacts]:
        try:
            opened = open_copy(ctx.io, places)
        except OSError as trouble:
            return None, replace(view.facts, not_opened=said(trouble))
        try:
            facts = replace(view.facts, on_card=lies_on_card(opened.volume.device, self.card))
            return opened, self._examination(ctx).examine(opened, facts, view.known)
        except BaseException:
            with contextlib.suppress(OSError):
                ctx.io.close(opened.handle)
            raise

    def look_again(self, view: CopyInView, before: Callable[[Io], bool]) -> None:
        """Do `before` with an attached copy and, if that is True, judge it anew. Raises LedgerProblem, Interrupted."""
        opened = view.opened
        if opened is None or view.handle < 0:
            return
        guard, ctx = self.ctx.guarded()
        try:
            if not guard.run(lambda: before(ctx.io)):
                return
            known = next((copy for copy in self.ledger.copies_of(view.roll_id) if copy.id == view.known.id), view.known)
            fresh = CopyFacts(True, view.drive, self._memory(known), on_card=view.facts.on_card)
            facts = guard.run(lambda: self._examination(ctx).examine(opened, fresh, known))
        except NoAnswer:
            view.left_behind(self.ctx.settings.stall_seconds)
            return
        view.known = known
        view.take_in(opened, facts)
        self._tell(view)

    def _examination(self, ctx: Context) -> Examination:
        return Examination(ctx, self.ledger, self.rules, looks_to_wipe(self.rules), _COMMAND)

    def _left_behind(self, view: CopyInView) -> CopyInView:
        """What is found wrong is remembered: it must not count again by being unplugged."""
        view.left_behind(self.ctx.settings.stall_seconds)
        why = view.verdict.why
        self.ledger.remember_verify(view.known.id, state="unproven", readback=None, at=self.now, why=why)
        return view

    def _tell(self, view: CopyInView) -> None:
        """Tell the ledger what was found, where that is news."""
        known, verdict, chain = view.known, view.verdict, view.chain
        if view.founder is not None and view.founder != known.founder:
            self.ledger.remember_founder(known.id, view.founder)
        state = verdict.remembered
        if state is None:
            return
        word = newest_word(chain) if chain is not None else None
        if state == "proven" and any(each.why for each in known.unsettled) and word is not None:
            self.ledger.settle_by_word(known.drive.identity, known.folder, word.sha256)
        fresh = known.seen_here and known.seen_at is not None and self.now - known.seen_at < _SEEN_LATELY
        if state == known.state and (fresh or state != "proven") and known.gone_at is None:
            return
        if state == "copied" and known.state in BAD:
            return
        self.ledger.remember_verify(known.id, state=state, readback=view.readback, at=self.now, why=verdict.why)
        if chain is not None and state in ("proven", "copied"):
            remember_chain(self.ledger, known.id, chain)

    # --- absent copies

    def _absent(self, known: KnownCopy, volumes: Sequence[Volume]) -> CopyInView:
        identity = known.drive.identity
        device = identity.device
        # formatted anew, or its partition is not mounted: this device was seen without the roll
        here = any(share_a_device(device, volume.device) for volume in volumes)
        if here and known.gone_at is None:
            self.ledger.remember_gone(known.id, self.now)
        drive = known.name or known.drive.drive or identity.volume_label or "a drive"
        facts = CopyFacts(False, drive, on_card=lies_on_card(device, self.card))
        view = CopyInView(known, self.rules, facts, known.folder, device, seen_at=known.seen_at)
        self._rows_from_memory(view)
        memory = replace(self._memory(known), device_here=here, files_known=bool(view.rows))
        view.facts = replace(facts, memory=memory)
        return view

    def _memory(self, known: KnownCopy) -> MemoryFacts:
        return MemoryFacts(
            known.state,
            known.state in BAD,
            known.why,
            known.readback,
            self.now - known.seen_at if known.seen_at is not None else None,
            known.seen_here,
            known.gone_at is not None,
            known.unsettled,
        )

    def _rows_from_memory(self, view: CopyInView) -> None:
        known = view.known
        offloads = {offload.id: offload for offload in self.ledger.offloads_of(known.roll_id)}
        proven: list[int] = []
        for offload_id, state in sorted(known.states.items()):
            offload = offloads.get(offload_id)
            if offload is None:
                continue
            view.roll, view.production = offload.roll, offload.production
            view.copies_required = max(view.copies_required, offload.copies_required)
            if state == "proven":
                proven.append(offload_id)
        view.rows = RowTable(row for offload_id in proven for row in self._rows_of(offload_id))

    def _rows_of(self, offload_id: int) -> Iterator[FileRow]:
        for file in self.ledger.files_of(offload_id):
            if file.hash_text is not None:
                yield FileRow(file.path, file.size, file.modified_ns, {file.algorithm: file.hash_text}, True)
