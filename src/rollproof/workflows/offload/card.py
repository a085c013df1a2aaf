"""The card's side of an offload: open it, list it, name its roll, look again after the last read."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from rollproof.card.across import across_findings
from rollproof.card.clips import read_card
from rollproof.card.expectation import expectation_findings
from rollproof.card.roll_name import FROM_FOLDER, RollGuess, guess_roll, roll_name_problem
from rollproof.drives.interface import Drives
from rollproof.models.errors import Interrupted, Refused
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown, to_text
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.tree import Clip, FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.proof.board import ProofBoard
from rollproof.reading.settings import Settings
from rollproof.records.models import SourceKind
from rollproof.storage.errors import is_too_many_files, said
from rollproof.storage.io import Io
from rollproof.storage.watch import AskedToStop, CallWatch, NoAnswer, answering, watched
from rollproof.tree.differences import card_changes
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot

T = TypeVar("T")


@dataclass(slots=True)
class CardAtWork:
    """One card, opened read-only and listed. The caller closes `root`.

    `volume` is what is read. `identity` is the card that the roll is known by, where that is another: a roll may be
    copied on from any of its recorded copies. `kind` says which of the two is read.
    """

    path: bytes
    root: int
    volume: Volume
    rules: IgnoreRules
    snapshot: Snapshot
    clips: list[Clip]
    roll: str
    findings: list[Finding]
    identity: Volume | None = None
    kind: SourceKind = "card"
    lacking: tuple[FileEntry, ...] = ()
    """Files of a recorded roll, as recorded, that are not to be read from this copy of it: they are gone or bad."""
    counts: bool = False
    """Whether what is read is itself a proven copy of the roll."""
    roll_from: str = ""
    """What on the card told the roll's name; empty where a person gave it."""

    @property
    def known_as(self) -> Volume:
        """What tells this card from another of its roll's name."""
        return self.identity or self.volume


def open_card(
    io: Io, drives: Drives, path: bytes, request: OffloadRequest, rules: IgnoreRules, cancel: Cancel
) -> CardAtWork:
    """Open and list a card. Raises Refused with everything that speaks against it that can be told so far.

    The card is only ever opened for reading.
    """
    try:
        root = io.open_root(path)
    except OSError as error:
        raise _no_card(path, f"no folder can be opened at {shown(path)} ({said(error)})") from error
    try:
        volume = drives.volume_of(path)
        snapshot = take_snapshot(io, root, rules, cancel=cancel)
    except OSError as error:
        with contextlib.suppress(OSError):
            io.close(root)
        raise _no_card(path, f"the folder {shown(path)} opens, and then does not answer ({said(error)})") from error
    except BaseException:
        with contextlib.suppress(OSError):
            io.close(root)
        raise
    contents = read_card(snapshot)
    clips = contents.clips
    findings = list(snapshot.findings)
    if not snapshot.files:
        findings.append(
            Finding(
                Kind.NOTHING_TO_COPY,
                Severity.ERROR,
                shown(path),
                f"there is nothing to copy in {shown(path)}",
                remedy="check that this is the card's top folder and that the card is mounted",
            )
        )
    findings += across_findings(snapshot, contents, time.time_ns())
    findings += expectation_findings(clips, request.expect_clips, request.expect_last)
    findings += _writable_note(volume)
    roll, roll_from = _roll_name(request, snapshot, clips, path, volume, findings)
    return CardAtWork(path, root, volume, rules, snapshot, clips, roll, findings, roll_from=roll_from)


def _silent_card(path: bytes, seconds: float) -> Refused:
    """The refusal for a card whose reader does not answer."""
    return _no_card(path, f"the card at {shown(path)} has not answered for {seconds:.0f} seconds")


def open_in_time(
    io: Io,
    drives: Drives,
    path: bytes,
    opening: Callable[[Io, Drives], T],
    settings: Settings,
    cancel: Cancel,
) -> T:
    """What the opening gives, which is handed an `io` and `drives` that are watched. Raises what it raises; Refused as
    well when the card's reader does not answer, Interrupted."""
    watch = CallWatch()
    watched_io, watched_drives = watched(io, watch), watched(drives, watch)
    try:
        return answering(
            lambda: opening(watched_io, watched_drives),
            watch,
            seconds=settings.stall_seconds,
            stop_asked=cancel.is_set,
            stop_seconds=settings.cancel_seconds,
        )
    except NoAnswer:
        raise _silent_card(path, settings.stall_seconds) from None
    except AskedToStop:
        raise Interrupted("Stopped while looking over the card, which does not answer; nothing was copied.") from None


def _no_card(path: bytes, detail: str) -> Refused:
    finding = Finding(
        Kind.CARD_MISSING,
        Severity.ERROR,
        shown(path),
        detail,
        remedy="check that the card is in its reader and mounted, and the path",
    )
    return Refused(f"there is no card at {shown(path)}", [finding])


def _writable_note(volume: Volume) -> list[Finding]:
    if volume.read_only:
        return []
    return [
        Finding(
            Kind.CARD_WRITABLE,
            Severity.NOTE,
            "",
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
                Finding(
                    Kind.ROLL_NAME,
                    Severity.ERROR,
                    inert(request.roll),
                    f"the roll cannot be named so: {problem}",
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
            Finding(
                Kind.ROLL_NAME,
                Severity.WARNING,
                "",
                f"nothing on the card tells the roll's name; it is called {inert(fallback)} after its folder",
                remedy="give it its own name with --roll NAME, before another card gets the same one",
            )
        )
        return fallback, FROM_FOLDER
    reasons = ", ".join(f"{inert(name)} ({why})" for name, why in guess.candidates)
    detail = f"the roll's name is not certain: {reasons}" if reasons else "nothing on the card tells the roll's name"
    findings.append(Finding(Kind.ROLL_NAME, Severity.ERROR, "", detail, remedy="say which it is with --roll NAME"))
    return guess.best or "unnamed", ""


def settle_card(io: Io, drives: Drives, card: CardAtWork, board: ProofBoard, cancel: Cancel) -> Sequence[Finding]:
    """After the last read: is it still the same medium with the same files? Files that changed lose their proof."""
    problem = _another_medium(io, drives, card)
    after = None
    if problem is None:
        try:
            after = take_snapshot(io, card.root, card.rules, cancel=cancel)
        except OSError as error:
            problem = f"it cannot be listed any more ({said(error)})"
    if problem is not None or after is None:
        finding = Finding(
            Kind.CARD_CHANGED,
            Severity.ERROR,
            "",
            f"the card cannot be shown to be the one that was read: {problem}",
            remedy="keep the card; put it back and run the same command again",
        )
        for number in range(len(card.snapshot.files)):
            board.source_fault(number, finding)
        return [finding]
    changes = card_changes(card.snapshot, after)
    if changes.affected:
        numbers = {entry.path: number for number, entry in enumerate(card.snapshot.files)}
        for path in changes.affected:
            if path in numbers:
                board.source_fault(numbers[path], changes.findings[0])
    return list(changes.findings)


def _another_medium(io: Io, drives: Drives, card: CardAtWork) -> str | None:
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
