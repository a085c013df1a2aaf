"""Looking for all copies of some rolls: on the drives that are attached, and in this station's memory of the others.

A copy counts only by what is read from the drive now, or, while it is absent, by this station's own fresh memory. What
is found wrong with an attached copy is remembered: it must not count again by being unplugged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from rollproof.copies.attached import mounts_of
from rollproof.copies.deadline import InTime
from rollproof.ledger.entries import BAD, DriveIdentity, KnownCopy
from rollproof.ledger.identities import drive_of
from rollproof.ledger.ledger import Ledger
from rollproof.models.names import shown
from rollproof.models.volumes import Volume
from rollproof.proof.devices import share_a_device
from rollproof.proof.policy import Rules
from rollproof.proof.readings import against_absent
from rollproof.records.row_table import RowTable
from rollproof.records.rows import FileRow
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.may_wipe.attached import AttachedLook
from rollproof.workflows.may_wipe.copies import CopyInView, refuse_the_card


@dataclass(slots=True)
class CopyLook:
    """Looks at copies, one after the other."""

    ctx: Context
    ledger: Ledger
    rules: Rules
    now: datetime
    silent: set[int] = field(default_factory=set)
    """File systems that do not answer."""
    attached: list[Volume] = field(default_factory=list)
    """All volumes that were attached when `all_of` looked."""

    def all_of(self, rolls: Iterable[int], card: Volume, found: list[CopyInView]) -> None:
        """Every copy of these rolls that the ledger knows is added to `found`, attached ones with their lock held.

        Raises LedgerProblem and Interrupted; whatever is wrong with a copy is in the copy.
        """
        volumes = self.ctx.drives.volumes(everything=True)
        seen: dict[tuple[int, bytes], CopyInView] = {}
        for roll_id in dict.fromkeys(rolls):
            for known in self.ledger.copies_of(roll_id):
                places = list(mounts_of(known, volumes))
                twin = next((seen[key] for volume, _ in places if (key := (volume.st_dev, known.folder)) in seen), None)
                if twin is not None:
                    continue  # the same folder, known under two rolls: its records have told of both
                view = self._attached(known, places) if places else self._absent(known, volumes)
                view.roll_id = roll_id
                found.append(view)
                seen |= {(volume.st_dev, known.folder): view for volume, _ in places}
                refuse_the_card(view, card)
        self.attached = volumes
        self.ledger.remember_attached([DriveIdentity.of(volume) for volume in volumes], self.now)

    def _attached(self, known: KnownCopy, places: list[tuple[Volume, bytes]]) -> CopyInView:
        """An attached copy; a drive that does not answer is waited for once, and asked nothing more."""
        look, in_time = self._look()
        if any(volume.st_dev in self.silent for volume, _ in places):
            return self._left_behind(look.begin(known, places), known)
        view = look.begin(known, places)
        try:
            return in_time.run(lambda: look.look(view, known, places))
        except NoAnswer:
            look.given_up = True
            self.silent |= {volume.st_dev for volume, _ in places}
            # (the thread that hangs may still write into the other one)
            return self._left_behind(look.begin(known, places), known)

    def look_again(self, view: CopyInView, before: Callable[[Io], bool]) -> None:
        """Do `before` with an attached copy and, if that is True, judge it anew. Raises LedgerProblem, Interrupted."""
        if view.handle < 0:
            return
        look, in_time = self._look()
        try:
            if in_time.run(lambda: before(in_time.io)):
                in_time.run(lambda: look.look_again(view))
        except NoAnswer:
            look.given_up = True
            view.left_behind(self.ctx.settings.stall_seconds)

    def _look(self) -> tuple[AttachedLook, InTime]:
        in_time = InTime(self.ctx.io, self.ctx.drives, self.ctx.settings, self.ctx.cancel)
        look = AttachedLook(
            in_time.io, self.ledger, self.rules, self.ctx.settings, self.ctx.emit, self.ctx.cancel, self.now
        )
        return look, in_time

    def _left_behind(self, view: CopyInView, known: KnownCopy) -> CopyInView:
        """What is found wrong is remembered: it must not count again by being unplugged."""
        view.left_behind(self.ctx.settings.stall_seconds)
        self.ledger.remember_verify(known.id, state="unproven", readback=None, at=self.now, why=view.not_counted)
        return view

    def _absent(self, known: KnownCopy, volumes: list[Volume]) -> CopyInView:
        identity = known.drive.identity
        view = CopyInView(
            known.folder,
            known.name or known.drive.drive or identity.volume_label or "a drive",
            known.role,
            "",
            None,
            identity.device,
            None,
            False,
            readback=known.readback,
            seen_at=known.seen_at,
            known_id=known.id,
            known_on=drive_of(known.drive),
            founder=known.founder,
            proven_at=known.proven_at,
            why=known.why,
        )
        self._rows_from_memory(view, known)
        if any(share_a_device(view.device, volume.device) for volume in volumes):
            # formatted anew, or its partition is not mounted: this device was seen without the roll
            if known.gone_at is None:
                self.ledger.remember_gone(known.id, self.now)
            view.no("its device is attached, and the volume with the roll is not on it", "mount it and verify it")
        else:
            self._judge_memory(view, known)
        return view

    def _judge_memory(self, view: CopyInView, known: KnownCopy) -> None:
        remedy = f"attach the drive {shown(view.drive.encode())} and ask again"
        age = self.now - known.seen_at if known.seen_at is not None else None
        hours = self.rules.absent_copy_hours
        if known.gone_at is not None:
            view.no("its drive was last seen without this roll", "attach it and verify it")
        elif known.seen_at is None:
            view.no("it is absent, and this station has not seen it itself", remedy)
        elif known.state in BAD:
            view.no(f"it is absent, and this station last found: {known.why or known.state}", "attach it and verify it")
        elif (why := against_absent(known.unsettled)) != "":
            view.no(f"it is absent, and {why}", "attach it and verify it")
        elif not known.seen_here or age is None:
            view.no("it is absent, and this station has not seen it itself", remedy)
        elif known.state != "proven" or known.readback not in self.rules.accepted:
            view.no(f"it is absent and was last {known.state}", remedy)
        elif age < timedelta(0):
            view.no("it is absent, and the clock says it was seen in the future", "set the clock; " + remedy)
        elif age > timedelta(hours=hours):
            view.no(f"it is absent and was last seen more than {hours:g} h ago", remedy)
        elif not view.rows:
            view.no("it is absent, and this station does not remember its files", remedy)

    def _rows_from_memory(self, view: CopyInView, known: KnownCopy) -> None:
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
