"""May this card be wiped? One question, one answer; whatever is left out or goes wrong is KEEP."""

from __future__ import annotations

import contextlib
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from rollproof.card.clips import first_and_last
from rollproof.copying.buffers import BufferPool
from rollproof.copying.hashpass import HashPass
from rollproof.copying.parcels import Stopped
from rollproof.copying.settings import Settings
from rollproof.copying.treereader import TreeLost, TreeReader
from rollproof.copying.trouble import said
from rollproof.drives.interface import Drives, system_drives
from rollproof.ledger.entries import KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import ExitStatus, Interrupted, RollproofError, UntrustedInput
from rollproof.models.events import Emit, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.requests import Cancel, MayWipeRequest
from rollproof.models.results import FindingOut, MayWipeResult, WipeCopy, WipeRoll
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.production.load import find, load
from rollproof.records.read import iter_clips
from rollproof.storage.io import Io, system_io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload_result import grouped
from rollproof.workflows.wipe_card import CardInHand, keep, still_the_same, take_in_hand
from rollproof.workflows.wipe_copies import CopyInView, CopyLook, Rules, close_copies, devices_holding
from rollproof.workflows.wipe_permit import write_permits

_LOOKED_UP_AT_ONCE = 500


def may_wipe(
    request: MayWipeRequest,
    *,
    emit: Emit,
    cancel: Cancel,
    io: Io | None = None,
    drives: Drives | None = None,
    ledger: Ledger | None = None,
    settings: Settings | None = None,
    now: datetime | None = None,
    after_offload: bool = False,
) -> MayWipeResult:
    """Judge a card. MAY WIPE only when every rule of docs/guarantees.md, *May a card be wiped*, holds.

    Trouble of any kind comes back as KEEP with its reason; only UsageProblem, ProductionFileProblem and Interrupted
    are raised, and for those the answer is KEEP too.
    """
    io, drives = io or system_io(), drives or system_drives()
    judge = _Judge(io, drives, request, settings or Settings(), emit, cancel, now or datetime.now(UTC))
    with contextlib.ExitStack() as stack:
        if ledger is None:
            try:
                ledger = stack.enter_context(open_ledger(io=io))
            except RollproofError as problem:
                judge.reasons.append(
                    keep(Kind.LEDGER_MISSING, f"this station's ledger cannot be used: {problem.message}", problem.hint)
                )
        try:
            return judge.run(ledger)
        finally:
            judge.close()


@dataclass(slots=True)
class _Judge:
    io: Io
    drives: Drives
    request: MayWipeRequest
    settings: Settings
    emit: Emit
    cancel: Cancel
    now: datetime
    reasons: list[Finding] = field(default_factory=list)
    notes: list[Finding] = field(default_factory=list)
    card: CardInHand | None = None
    copies: list[CopyInView] = field(default_factory=list)
    basis: str | None = None
    hashes: dict[bytes, dict[str, str]] = field(default_factory=dict)
    rolls: list[WipeRoll] = field(default_factory=list)
    permits: list[str] = field(default_factory=list)
    began: float = field(default_factory=time.monotonic)

    def run(self, ledger: Ledger | None) -> MayWipeResult:
        """From the card in hand to the answer."""
        rules = self._rules()
        if ledger is not None:
            self.notes += ledger.findings
        self.card, findings = take_in_hand(self.io, self.drives, self.request.card, self.request.accepted, self.cancel)
        self._sort(findings)
        if self.card is None or any(found.kind is Kind.NOT_A_CARD_ROOT for found in self.reasons):
            return self._result()
        if not self.card.snapshot.files:
            self._empty()
            return self._result()
        if ledger is None:
            return self._result()
        try:
            self._judge_files(self.card, ledger, rules)
            changed = still_the_same(self.io, self.drives, self.card, self.cancel)
            if changed is not None:
                self.reasons.append(changed)
            if not self.reasons:
                self._permit(self.card, ledger)
        except (OSError, UntrustedInput) as error:
            why = said(error) if isinstance(error, OSError) else error.message
            self.reasons.append(keep(Kind.UNREADABLE, f"the judgement could not be finished: {why}", "ask again"))
        return self._result()

    def _rules(self) -> Rules:
        path = find(self.request.working_folder, self.request.production_file)
        production = load(path) if path is not None else None
        if production is None:
            return Rules(2, (Evidence.MEDIUM, Evidence.SERVER), 24, self.request.reread_copies)
        return Rules(
            production.copies_required,
            tuple(production.accepted_evidence),
            production.absent_copy_hours,
            self.request.reread_copies,
        )

    def _sort(self, findings: Sequence[Finding]) -> None:
        for finding in findings:
            (self.reasons if finding.severity is Severity.ERROR else self.notes).append(finding)

    def _empty(self) -> None:
        self.basis = "listing"
        self.notes.append(Finding(Kind.EMPTY_CARD, Severity.NOTE, "", "the card is empty: there is nothing on it"))

    # --- files

    def _judge_files(self, card: CardInHand, ledger: Ledger, rules: Rules) -> None:
        offloads = self._by_listing(card, ledger)
        if offloads:
            self.basis = "listing"
        else:
            self.basis = "reread"
            offloads = self._by_reread(card, ledger)
        roll_ids = list(dict.fromkeys(offload.roll_id for offload in offloads))
        look = CopyLook(self.io, self.drives, ledger, rules, self.settings, self.cancel, self.now, self.reasons.append)
        self.copies = look.all_of(roll_ids, card.volume)
        for permit_at, who in ledger.permits_for(card.snapshot.listing_digest)[:1]:
            self.notes.append(
                Finding(
                    Kind.PERMIT_BEFORE,
                    Severity.NOTE,
                    "",
                    f"a permit was given for exactly this listing at {permit_at.isoformat()}"
                    + (f" to {who}" if who else "")
                    + "; it is no evidence today",
                )
            )
        self._count(card, ledger, offloads, rules)
        self._health(card)

    def _by_listing(self, card: CardInHand, ledger: Ledger) -> list[KnownOffload]:
        """Offloads by this very station whose card has not been away or changed since; none when a re-read is due."""
        if self.request.reread:
            return []
        boot, sequence = self.drives.medium_now(card.volume)
        found = []
        for offload in ledger.find_by_listing(card.snapshot.listing_digest):
            then = offload.card
            unchanged = (
                offload.ours
                and None not in (boot, sequence, then.serial)
                and (then.boot_id, then.disk_sequence) == (boot, sequence)
                and then.mount_point == card.volume.mount_point
                and then.serial == card.volume.serial
                and then.device_number == card.volume.st_dev
                and sum(read is Evidence.MEDIUM for read in then.reads) >= 2
            )
            if unchanged:
                found.append(offload)
        return found

    def _by_reread(self, card: CardInHand, ledger: Ledger) -> list[KnownOffload]:
        """Read the card from the medium and look the hashes up; by content, never by name."""
        files = card.snapshot.files
        algorithms = ledger.algorithms() or ("xxh128",)
        weak: list[bytes] = []
        total = card.snapshot.size_bytes
        self.emit(LegStarted("", Leg.READ_CARD, "", len(files), total))

        def hashed(number: int, texts: dict[str, str], evidence: Evidence) -> None:
            self.hashes[files[number].path] = texts
            if evidence is not Evidence.MEDIUM:
                weak.append(files[number].path)

        def fault(number: int, finding: Finding) -> None:
            self.reasons.append(finding)

        def moved(size: int, count: int, number: int) -> None:
            self.emit(Moved("", Leg.READ_CARD, "", size, count, shown(files[number].path)))

        access = MediumAccess(self.io, card.volume.way, card.volume.source)
        ok = False
        try:
            HashPass(
                BufferPool(self.settings.block_bytes),
                TreeReader(self.io, card.root, files, access, self.settings),
                algorithms,
                self.settings,
                stop_asked=self.cancel.is_set,
                name="may-wipe-card",
                depth=self.settings.read_depth,
            ).run(range(len(files)), hashed, fault, moved)
            ok = True
        except Stopped:
            raise Interrupted("the question was interrupted: KEEP the card") from None
        except TreeLost as lost:
            self.reasons.append(lost.finding)
        finally:
            self.emit(LegEnded("", Leg.READ_CARD, "", ok))
        if weak:
            self.reasons.append(
                keep(
                    Kind.SOURCE_FROM_CACHE,
                    "the card was read, but a cache may have answered instead of the medium",
                    "take the card out, put it back, and ask again",
                    path=shown(weak[0]),
                    count=len(weak),
                )
            )
        return self._known_by_hash(ledger, algorithms)

    def _known_by_hash(self, ledger: Ledger, algorithms: Sequence[str]) -> list[KnownOffload]:
        found: dict[int, None] = {}
        for algorithm in algorithms:
            texts = sorted({texts[algorithm] for texts in self.hashes.values() if algorithm in texts})
            for start in range(0, len(texts), _LOOKED_UP_AT_ONCE):
                for file in ledger.find_files(algorithm, texts[start : start + _LOOKED_UP_AT_ONCE]):
                    found[file.offload_id] = None
        return ledger.offloads(found)

    # --- counting

    def _count(self, card: CardInHand, ledger: Ledger, offloads: Sequence[KnownOffload], rules: Rules) -> None:
        names = {offload.roll_id: offload for offload in offloads}
        for view in self.copies:
            if not view.roll and view.roll_id in names:
                view.roll, view.production = names[view.roll_id].roll, names[view.roll_id].production
        new: list[FileEntry] = []
        short: dict[tuple[int, int], list[FileEntry]] = defaultdict(list)
        unattached: list[FileEntry] = []
        tallies: dict[int, list[int]] = defaultdict(list)
        used: dict[int, CopyInView] = {}
        required_by_roll: dict[int, int] = defaultdict(lambda: rules.copies_required)
        known_paths = self._recorded_paths(ledger, offloads)
        for entry in card.snapshot.files:
            if entry.path in card.accepted:
                self._accepted(entry)
                continue
            holders = [view for view in self.copies if self._holds(view, entry)]
            required = max([rules.copies_required, *(view.copies_required for view in holders)])
            counted = devices_holding(self.copies, lambda view, entry=entry: self._holds(view, entry))  # type: ignore[misc]
            for view in counted:
                used[id(view)] = view
                tallies[view.roll_id].append(len(counted))
                required_by_roll[view.roll_id] = max(required_by_roll[view.roll_id], required)
            if not counted and entry.path not in known_paths:
                new.append(entry)
            elif len(counted) < required:
                short[len(counted), required].append(entry)
            elif not any(view.attached and view.readback is Evidence.MEDIUM for view in counted):
                unattached.append(entry)
        self._say_new(card, new, offloads)
        self._say_short(short)
        if unattached:
            self.reasons.append(
                keep(
                    Kind.NONE_ATTACHED,
                    "no counted copy that was read back from its medium is attached",
                    "attach one of the proven drives and ask again",
                    path=shown(unattached[0].path),
                    count=len(unattached),
                )
            )
        for roll_id, offload in names.items():
            counts = tallies.get(roll_id, [])
            self.rolls.append(
                WipeRoll(
                    roll=offload.roll,
                    production=offload.production,
                    files=len(counts) and offload.files,
                    copies_counted=min(counts, default=0),
                    copies_required=required_by_roll[roll_id],
                )
            )

    def _recorded_paths(self, ledger: Ledger, offloads: Sequence[KnownOffload]) -> set[bytes]:
        """Files of the card that some offload recorded with this very content, whatever the copies are worth now."""
        known: set[bytes] = set()
        assert self.card is not None
        there = {entry.path: entry for entry in self.card.snapshot.files}
        for offload in offloads:
            for file in ledger.files_of(offload.id):
                entry = there.get(file.path)
                if entry is None or entry.size != file.size or file.hash_text is None:
                    continue
                if self.basis == "listing" or self.hashes.get(file.path, {}).get(file.algorithm) == file.hash_text:
                    known.add(file.path)
        return known

    def _holds(self, view: CopyInView, entry: FileEntry) -> bool:
        row = view.rows.get(entry.path)
        if row is None or not view.counts or row.size != entry.size:
            return False
        if self.basis == "listing":
            return row.modified_ns == entry.modified_ns
        read = self.hashes.get(entry.path, {})
        shared = read.keys() & row.hashes.keys()
        return bool(shared) and all(read[name] == row.hashes[name] for name in shared)

    def _accepted(self, entry: FileEntry) -> None:
        self.notes.append(
            Finding(
                Kind.ACCEPTED,
                Severity.WARNING,
                shown(entry.path),
                f"{shown(entry.path)} is taken upon {self.request.person.name or 'the person asking'}:"
                f" {self.request.reason}",
            )
        )

    def _say_new(self, card: CardInHand, new: Sequence[FileEntry], offloads: Sequence[KnownOffload]) -> None:
        if not new:
            return
        if len(new) == len(card.snapshot.files):
            self.reasons.append(
                keep(
                    Kind.CARD_UNKNOWN,
                    "nothing on this card is known to this station"
                    if not offloads
                    else "nothing on this card is in any record as it is now",
                    "offload the card",
                    path=shown(new[0].path),
                    count=len(new),
                )
            )
            return
        numbers = {entry.path for entry in new}
        clips = [
            clip.name
            for clip in card.clips
            if any(card.snapshot.files[number].path in numbers for number in clip.files)
        ]
        what = f"{len(clips):,} new clip{'s' if len(clips) != 1 else ''}" if clips else f"{len(new):,} new files"
        first = clips[0] if clips else shown(new[0].path)
        self.reasons.append(
            keep(
                Kind.NOT_OFFLOADED,
                f"{what} on the card are in no record, the first is {first}",
                f"offload the {what}",
                path=shown(new[0].path),
                count=len(new),
            )
        )

    def _say_short(self, short: dict[tuple[int, int], list[FileEntry]]) -> None:
        for (counted, required), entries in sorted(short.items()):
            self.reasons.append(
                keep(
                    Kind.TOO_FEW_COPIES,
                    f"{counted} proven cop{'y counts' if counted == 1 else 'ies count'}, {required} are required",
                    self._remedy_for_short(),
                    path=shown(entries[0].path),
                    count=len(entries),
                )
            )
        if short:
            for view in self.copies:
                if not view.counts:
                    self.reasons.append(
                        keep(
                            Kind.COPY_NOT_COUNTED,
                            f"the copy on {view.drive} does not count: {view.not_counted}",
                            view.remedy,
                            drive=view.drive,
                        )
                    )

    def _remedy_for_short(self) -> str:
        proven = [view for view in self.copies if view.counts]
        devices = devices_holding(proven, lambda view: True)
        if len(proven) > len(devices):
            return "copies lie on one device and count once: offload to a drive on a device of its own"
        absent = [view.drive for view in self.copies if not view.attached]
        if absent:
            return f"attach {absent[0]} and ask again"
        return "offload the card to another drive"

    def _health(self, card: CardInHand) -> None:
        """A clip that a health check called damaged keeps the card until somebody takes it upon themselves by name."""
        damaged = {clip.name for clip in card.clips if clip.health == "damaged"}
        for view in self.copies:
            if view.chain is None or view.handle < 0:
                continue
            for link in view.chain.links:
                if link.kind == "offload" and link.header is not None:
                    rows = iter_clips(self.io, view.handle, link.name)
                    damaged |= {clip.name for clip in rows if clip.health == "damaged"}
        for name in sorted(damaged - {*self.request.accepted}):
            self.reasons.append(
                keep(
                    Kind.DAMAGED_CLIP,
                    f"the clip {name} is damaged: the camera team must hear of it now",
                    f"tell them; then --accept {name} --reason TEXT",
                    path=name,
                )
            )

    # --- the end

    def _permit(self, card: CardInHand, ledger: Ledger) -> None:
        counted = devices_holding(self.copies, lambda view: True)
        written, trouble = write_permits(
            self.io,
            card,
            counted,
            ledger,
            basis="listing" if self.basis == "listing" else "reread",
            person=self.request.person,
            accepted=self.request.accepted,
            reason=self.request.reason,
            notes=self.notes,
            now=self.now,
            report=self.notes.append,
        )
        self.permits = written
        if trouble is not None:
            self.reasons.append(trouble)

    def _result(self) -> MayWipeResult:
        card = self.card
        ends = first_and_last(card.clips) if card is not None else None
        reasons = grouped(self.reasons)
        wipe = not reasons
        return MayWipeResult(
            answer="MAY WIPE" if wipe else "KEEP",
            basis="reread" if self.basis == "reread" else "listing" if self.basis == "listing" else None,
            reasons=[f"{found.detail} — {found.remedy}" if found.remedy else found.detail for found in reasons],
            rolls=self.rolls,
            copies=[self._copy(view) for view in self.copies],
            findings=[FindingOut.of(finding) for finding in [*reasons, *grouped(self.notes)]],
            label=card.volume.label if card is not None else "",
            capacity_bytes=card.volume.capacity_bytes if card is not None else 0,
            files=len(card.snapshot.files) if card is not None else 0,
            bytes=card.snapshot.size_bytes if card is not None else 0,
            clips=len(card.clips) if card is not None else 0,
            first_clip=ends[0].name if ends else "",
            last_clip=ends[1].name if ends else "",
            permits=self.permits,
            seconds=round(time.monotonic() - self.began, 3),
            status=ExitStatus.DONE if wipe else ExitStatus.ANSWER_IS_NO,
        )

    def _copy(self, view: CopyInView) -> WipeCopy:
        return WipeCopy(
            path=shown(view.path),
            drive=view.drive,
            role=view.role,
            device=view.device.label or view.device.model,
            roll=view.roll,
            attached=view.attached,
            counted=view.counts and bool(view.rows),
            readback=view.readback.value if view.readback is not None else None,
            why=view.not_counted or view.why,
            seen_at=view.seen_at.isoformat() if view.seen_at is not None else None,
        )

    def close(self) -> None:
        """Let go of the card and all copies."""
        close_copies(self.io, self.copies)
        if self.card is not None:
            with contextlib.suppress(OSError):
                self.io.close(self.card.root)
