"""A card as the source of an offload: open it, list it, name its roll, look again after the last read."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from rollproof.card.across import across_findings
from rollproof.card.clips import read_card
from rollproof.card.expectation import expectation_findings
from rollproof.card.named_parts import entries_of, find_named_parts, part_findings
from rollproof.card.roll_name import FROM_FOLDER, RollGuess, guess_roll, roll_name_problem
from rollproof.drives.interface import Drives
from rollproof.hashing import chosen
from rollproof.models.errors import Refused
from rollproof.models.findings import Finding, Kind, error, note, warning
from rollproof.models.names import inert, shown, to_text
from rollproof.models.requests import OffloadRequest
from rollproof.models.tree import Clip, FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.proof.board import ProofBoard
from rollproof.proof.source_rule import TwoReads
from rollproof.records.models import SourceKind
from rollproof.station.context import Context
from rollproof.storage.errors import is_too_many_files, said
from rollproof.storage.io import Io
from rollproof.storage.watch import NoAnswer
from rollproof.tree.differences import card_changes
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.offload.carried import Carried
from rollproof.workflows.offload.earlier import earlier_day
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.preflight import looking_at_drives
from rollproof.workflows.offload.source import Destinations

T = TypeVar("T")


@dataclass(slots=True)
class CardSource:
    """A card, opened read-only and listed: see `Source`."""

    path: bytes
    root: int
    volume: Volume
    rules: IgnoreRules
    snapshot: Snapshot
    clips: list[Clip]
    roll: str
    findings: list[Finding]
    roll_from: str = ""
    passes: int = 2
    rule: TwoReads = field(default_factory=TwoReads)
    counts: bool = False
    lacking: tuple[FileEntry, ...] = ()

    @property
    def kind(self) -> SourceKind:
        """As `Source.kind`."""
        return "card"

    @property
    def known_as(self) -> Volume:
        """As `Source.known_as`: a card is known by itself."""
        return self.volume

    @property
    def dates_are_recorded(self) -> bool:
        """As `Source.dates_are_recorded`."""
        return False

    @property
    def copied_around(self) -> frozenset[Kind]:
        """As `Source.copied_around`."""
        return frozenset((Kind.LINK, Kind.SPECIAL_FILE, Kind.UNREADABLE, Kind.UNREADABLE_FOLDER))

    @property
    def place(self) -> tuple[int, int]:
        """As `Source.place`."""
        return (0, 0)

    @property
    def copy_folder(self) -> bytes | None:
        """As `Source.copy_folder`."""
        return None

    @property
    def carried(self) -> Carried | None:
        """As `Source.carried`."""
        return None

    def production(self, order: Order) -> str | None:
        """As `Source.production`: the one at work now."""
        return order.production_name

    def day_and_unit(self, order: Order, day: str | None) -> tuple[str | None, str | None]:
        """As `Source.day_and_unit`."""
        return day or order.day_text, order.unit

    def destinations(self, order: Order, ctx: Context) -> Destinations:
        """As `Source.destinations`: by the production's template, or where an earlier day left this roll unfinished."""
        wanted = order.destinations(self.roll, self.clips)
        with contextlib.suppress(NoAnswer):  # the preflight names the drive that does not answer
            return looking_at_drives(ctx.cancel).run_whole(lambda: earlier_day(ctx.io, order, self, wanted))
        return Destinations(wanted, [])

    def algorithms(self, asked: Iterable[str]) -> tuple[str, ...]:
        """As `Source.algorithms`."""
        return chosen(tuple(asked))

    def settle(self, board: ProofBoard, ctx: Context) -> Sequence[Finding]:
        """As `Source.settle`: is it still the same medium with the same files? Files that changed lose their proof."""
        problem = _another_medium(ctx.io, ctx.drives, self)
        after = None
        if problem is None:
            try:
                after = take_snapshot(ctx.io, self.root, self.rules, cancel=ctx.cancel)
            except OSError as failure:
                problem = f"it cannot be listed any more ({said(failure)})"
        if problem is not None or after is None:
            finding = error(
                Kind.CARD_CHANGED,
                f"the card cannot be shown to be the one that was read: {problem}",
                remedy="keep the card; put it back and run the same command again",
            )
            for number in range(len(self.snapshot.files)):
                board.source_fault(number, finding)
            return [finding]
        changes = card_changes(self.snapshot, after)
        if changes.affected:
            numbers = {entry.path: number for number, entry in enumerate(self.snapshot.files)}
            for path in changes.affected:
                if path in numbers:
                    board.source_fault(numbers[path], changes.findings[0])
        return list(changes.findings)


@dataclass(frozen=True, slots=True)
class CardOpening:
    """A card that is about to be opened: see `roll.Opening`."""

    path: bytes

    @property
    def kind(self) -> SourceKind:
        """As `Opening.kind`."""
        return "card"

    def name(self, order: Order) -> str:
        """As `Opening.name`: until it is listed only what a person said."""
        return order.request.roll or ""

    def open(self, order: Order, ctx: Context) -> CardSource:
        """As `Opening.open`."""
        return open_in_time(ctx, self.path, lambda inside: open_card(self.path, order, inside))


def open_card(path: bytes, order: Order, ctx: Context) -> CardSource:
    """Open and list a card. Raises Refused with everything that speaks against it that can be told so far.

    The card is only ever opened for reading.
    """
    io, request, rules = ctx.io, order.request, IgnoreRules(order.ignore)
    try:
        root = io.open_root(path)
    except OSError as failure:
        raise _no_card(path, f"no folder can be opened at {shown(path)} ({said(failure)})") from failure
    try:
        volume = ctx.drives.volume_of(path)
        snapshot = take_snapshot(io, root, rules, cancel=ctx.cancel)
        parts = find_named_parts(io, root, entries_of(snapshot), volume.file_system, cancel=ctx.cancel)
    except OSError as failure:
        with contextlib.suppress(OSError):
            io.close(root)
        raise _no_card(path, f"the folder {shown(path)} opens, and then does not answer ({said(failure)})") from failure
    except BaseException:
        with contextlib.suppress(OSError):
            io.close(root)
        raise
    contents = read_card(snapshot)
    clips = contents.clips
    findings = [*snapshot.findings, *part_findings(parts, volume.file_system)]
    if not snapshot.files:
        findings.append(
            error(
                Kind.NOTHING_TO_COPY,
                f"there is nothing to copy in {shown(path)}",
                path=shown(path),
                remedy=(
                    "check that this is the card's top folder and that the card is mounted;"
                    " if it is a drive to copy to: each drive needs a --to of its own before it"
                ),
            )
        )
    findings += across_findings(snapshot, contents, time.time_ns())
    findings += expectation_findings(clips, request.expect_clips, request.expect_last)
    findings += _writable_note(volume)
    roll, roll_from = _roll_name(request, snapshot, clips, path, volume, findings)
    passes = 1 if request.single_read else 2
    return CardSource(path, root, volume, rules, snapshot, clips, roll, findings, roll_from, passes)


def _silent_card(path: bytes, seconds: float) -> Refused:
    """The refusal for a card whose reader does not answer."""
    return _no_card(path, f"the card at {shown(path)} has not answered for {seconds:.0f} seconds")


def open_in_time(ctx: Context, path: bytes, opening: Callable[[Context], T]) -> T:
    """What the opening gives, which is handed a context whose calls are timed. Raises what it raises; Refused as well
    when the card's reader does not answer, Interrupted."""
    guard, inside = ctx.guarded("Stopped while looking over the card, which does not answer; nothing was copied.")
    try:
        return guard.run(lambda: opening(inside))
    except NoAnswer:
        raise _silent_card(path, ctx.settings.stall_seconds) from None


def _no_card(path: bytes, detail: str) -> Refused:
    finding = error(
        Kind.CARD_MISSING,
        detail,
        path=shown(path),
        remedy="check that the card is in its reader and mounted, and the path",
    )
    return Refused(f"there is no card at {shown(path)}", [finding])


def _writable_note(volume: Volume) -> list[Finding]:
    if volume.read_only:
        return []
    return [
        note(
            Kind.CARD_WRITABLE,
            "the card is mounted writable; this tool only reads it, other programs might not",
            remedy="use the card's write-protect switch or a read-only mount where you can",
        )
    ]


def _roll_name(
    request: OffloadRequest,
    snapshot: Snapshot,
    clips: list[Clip],
    path: bytes,
    volume: Volume,
    findings: list[Finding],
) -> tuple[str, str]:
    """The name, and what told it; whatever speaks against it goes into `findings`."""
    if request.roll is not None:
        problem = roll_name_problem(request.roll)
        if problem:
            findings.append(
                error(
                    Kind.ROLL_NAME,
                    f"the roll cannot be named so: {problem}",
                    path=inert(request.roll),
                    remedy="give another name with --roll NAME",
                )
            )
        return request.roll, ""
    top = os.path.basename(os.path.realpath(path))
    guess: RollGuess = guess_roll(snapshot, clips, top, volume.label if volume.is_mount_root else "")
    if guess.best is not None and not guess.disagree:
        return guess.best, guess.candidates[0][1]
    fallback = to_text(top)
    if guess.best is None and roll_name_problem(fallback) is None:
        findings.append(
            warning(
                Kind.ROLL_NAME,
                f"nothing on the card tells the roll's name; it is called {inert(fallback)} after its folder",
                remedy="give it its own name with --roll NAME, before another card gets the same one",
            )
        )
        return fallback, FROM_FOLDER
    reasons = ", ".join(f"{inert(name)} ({why})" for name, why in guess.candidates)
    detail = f"the roll's name is not certain: {reasons}" if reasons else "nothing on the card tells the roll's name"
    findings.append(error(Kind.ROLL_NAME, detail, remedy="say which it is with --roll NAME"))
    return guess.best or "unnamed", ""


def _another_medium(io: Io, drives: Drives, card: CardSource) -> str | None:
    try:
        fresh = io.open_root(card.path)
    except OSError as error:
        return f"it {'cannot be looked at' if is_too_many_files(error) else 'is no longer there'} ({said(error)})"
    try:
        now, then = io.fstat(fresh), io.fstat(card.root)
        if (now.device, now.inode) != (then.device, then.inode):
            return "it is not mounted there any more, or something else is"
        # never `volume_of` here: it starts a program, and a child that inherits the handle of a hanging drive hangs too
        medium = drives.medium_now(card.volume)
    except OSError as error:
        return f"it does not answer ({said(error)})"
    finally:
        with contextlib.suppress(OSError):  # nothing was written through it
            io.close(fresh)
    if medium != (card.volume.boot_id, card.volume.device.disk_sequence):
        return "another card is in its place"
    return None
