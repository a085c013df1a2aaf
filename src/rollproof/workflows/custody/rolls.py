"""The rolls of a drive that changes hands: which there are, and whether each is whole, by a look or by reading it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from rollproof.copies.card_findings import OnTheCard, add_clip, as_warnings, on_the_card
from rollproof.copies.find import find_rolls
from rollproof.copies.history import (
    Expectation,
    copy_rules,
    read_expectation,
    speaks_against,
    unfinished_finding,
)
from rollproof.copies.location import place_on
from rollproof.copies.nesting import Around, mounted_inside, nesting, not_on_this_drive
from rollproof.copies.outer_history import OuterHistories, in_order
from rollproof.copies.recorded_tree import RulesAround
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.copying.plan import same_time
from rollproof.drives.interface import Drives
from rollproof.models.errors import Interrupted, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import MARKER_NAME, shown, to_text
from rollproof.models.requests import Cancel, Person, VerifyRequest
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.on_the_card import ClipContents, clip_name_twice, outstanding, same_names
from rollproof.proof.policy import Rules
from rollproof.records.chain import Chain, Link, read_chain
from rollproof.records.models import LookedHeader, OffloadHeader
from rollproof.records.standing import standing
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.files import exists
from rollproof.storage.io import Io
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.verify.copy import CopyVerifier

State = Literal["proven", "copied", "unproven"]


@dataclass(slots=True)
class RollSeen:
    """One roll and what was found of it. `folder` is relative to the drive's folder, `path` from where we stand.

    `chain` is as it was found, before a re-reading appended to it.
    """

    folder: bytes
    path: bytes
    chain: Chain
    roll: str
    production: str | None = None
    role: str = ""
    state: State = "unproven"
    files: int = 0
    size_bytes: int = 0
    why: str = ""
    readback: Evidence | None = None
    findings: list[Finding] = field(default_factory=list)
    differ: set[str] = field(default_factory=set)
    """Files, as text, that reading found to be other than recorded, or could not read."""
    around: Around | None = None
    """Where it is no roll but a history around rolls, with files of its own."""

    @property
    def links(self) -> tuple[Link, ...]:
        """Its records. Beside a history around rolls there may lie those of the drive's handovers, which are not its
        own."""
        return tuple(link for link in self.chain.links if link.kind not in ("handover", "receive"))

    @property
    def looked_at_by(self) -> str:
        """Who last said to have looked at its pictures; empty where nobody did."""
        words = [link.header for link in self.chain.links if isinstance(link.header, LookedHeader)]
        return words[-1].by.name if words else ""

    @property
    def head(self) -> Link | None:
        """The newest record, if its bytes could be read."""
        newest = self.links[-1] if self.links else None
        return newest if newest is not None and newest.sha256 else None

    @property
    def proven(self) -> bool:
        """Whether it is whole and proven."""
        return self.state == "proven" and not any(found.severity is Severity.ERROR for found in self.findings)


@dataclass(slots=True)
class FoundRolls:
    """What lies on a drive that changes hands; folders are relative to it."""

    inner: dict[bytes, tuple[bytes, ...]]
    """Every roll, and the histories of the open standard inside it, relative to it."""
    around: list[Around]
    findings: list[Finding]
    """What was left out, because it lies on another drive or could not be searched."""

    @property
    def folders(self) -> list[bytes]:
        """The rolls, and the histories around them that speak of files of their own: all that has records."""
        return sorted([*self.inner, *(each.folder for each in self.around if each.has_files)])


class RollLook:
    """Looks at the rolls below one folder, one after the other."""

    def __init__(self, io: Io, drives: Drives, cancel: Cancel, rules: Rules | None = None) -> None:
        self._io = io
        self._rules = rules
        self._drives = drives
        self._cancel = cancel

    def folders(self, root: int, path: bytes) -> FoundRolls:
        """The rolls below the open folder at `path`, and what lies inside and around them. What another drive holds
        that is mounted in it is not looked at, and said. OSError when the drive cannot be asked."""
        mounted = mounted_inside(self._drives, path)
        unread: list[tuple[bytes, str]] = []
        histories = find_rolls(self._io, root, self._cancel, unread, outer=True, elsewhere=frozenset(mounted))
        name = b"" if self._drives.volume_of(path).is_mount_root else os.path.basename(os.path.realpath(path))
        found = nesting(self._io, root, list(histories), name=name)
        self._stop_if_asked()
        inner = {
            roll: tuple(below[len(roll) + 1 if roll else 0 :] for below in sets) for roll, sets in found.rolls.items()
        }
        findings = not_on_this_drive(path, mounted)
        findings += [_not_searched(path, folder, why) for folder, why in unread]
        return FoundRolls(inner, found.around, findings)

    def check_around(self, drive: bytes, found: FoundRolls, person: Person) -> list[Finding]:
        """What the histories around rolls miss of what they know. Nothing is appended."""
        outer = OuterHistories(self._io, self._drives, person)
        return [odd for each in found.around for odd in outer.check(os.path.join(drive, each.folder), each.inner)]

    def around(self, drive: bytes, found: FoundRolls) -> list[RollSeen]:
        """The histories around rolls that speak of files of their own, as rolls are seen."""
        seen = [self.chain(drive, each.folder) for each in found.around if each.has_files]
        for each, around in zip(seen, (each for each in found.around if each.has_files), strict=True):
            each.around = around
        return seen

    def chain(self, drive: bytes, folder: bytes) -> RollSeen:
        """What the records say; nothing else is looked at. OSError when the folder cannot be opened."""
        path = os.path.join(drive, folder) if folder else drive
        handle = self._io.open_root(path)
        try:
            return _seen(folder, path, read_chain(self._io, handle, drive=shown(path)))
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)

    def quick(self, seen: RollSeen) -> None:
        """Chain whole, every file there at its recorded size and date, and what the records make of it all."""
        handle = self._io.open_root(seen.path)
        drive = shown(seen.path)
        try:
            volume = self._drives.volume_of(seen.path)
            if not try_lock(self._io, handle):
                seen.findings.append(locked_finding(drive, os.path.basename(seen.path)))
                return
            here = place_on(volume, seen.path)
            papers = read_expectation(self._io, handle, volume, drive, folder=here, rules=self._rules)
            rules, hidden = copy_rules(papers, drive)
            if seen.around is not None:
                rules, hidden = RulesAround(inner=seen.around.inner), []
            there = take_snapshot(self._io, handle, rules, cancel=self._cancel)
            self._stop_if_asked()
            seen.findings += papers.findings + hidden
            seen.findings += [found for found in there.findings if speaks_against(found)]
            if exists(self._io, handle, MARKER_NAME) is not None:
                seen.findings.append(unfinished_finding(drive))
            seen.findings += [
                odd
                for odd in _compared(papers, there, volume, drive)
                if seen.around is None or odd.kind is not Kind.UNKNOWN_FILE
            ]
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)
        seen.files, seen.size_bytes = len(papers.files), sum(wanted.size or 0 for wanted in papers.files.values())
        seen.why, seen.readback = " ".join(papers.standing.why), papers.standing.readback
        bad = any(found.severity is Severity.ERROR for found in seen.findings)
        seen.state = "unproven" if bad else papers.standing.state
        if seen.state != "proven" and not bad:
            remedy = papers.standing.remedy
            if papers.newest is None:
                seen.why = "It has a history, and no record of an offload."
                remedy = "do this again with --reread: that compares every file with its history"
            detail = f"every file is there, yet the copy is not proven: {seen.why}"
            seen.findings.append(warning(Kind.NOT_PROVEN, detail, drive=drive, remedy=remedy))
        seen.findings = grouped(seen.findings)

    def cards(self, rolls: Sequence[RollSeen]) -> None:
        """Add what was wrong with the cards of these rolls already and nobody has accepted: warnings, for the copies
        are as good as the cards were."""
        seen = [each for each in rolls if each.around is None]
        cards = [self._card(each) for each in seen]
        still = [outstanding(card.findings, card.acceptances) for card, _ in cards]
        clips = [(each.production, contents) for each, (_, contents) in zip(seen, cards, strict=True)]
        for name, numbers in same_names(clips):
            twice = clip_name_twice(name, (seen[number].roll for number in numbers))
            given = [acceptance for number in numbers for acceptance in cards[number][0].acceptances]
            if outstanding([twice], given):
                still[numbers[0]].append(twice)
        for each, found in zip(seen, still, strict=True):
            each.findings += grouped(as_warnings(found, shown(each.path)))

    def _card(self, seen: RollSeen) -> tuple[OnTheCard, ClipContents]:
        clips = ClipContents()
        try:
            handle = self._io.open_root(seen.path)
        except OSError:
            return OnTheCard(), clips  # what looked at it before has told it
        try:
            chain = read_chain(self._io, handle)
            found = on_the_card(self._io, handle, chain, seen.roll)
            for row in standing(self._io, handle, chain, self._drives.volume_of(seen.path)).iter_files():
                if row.size:
                    add_clip(clips, row.path, row.hashes)
        except (UntrustedInput, OSError):
            return OnTheCard(), clips  # that has its own finding
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)
        return found, clips

    def _stop_if_asked(self) -> None:
        if self._cancel.is_set():
            raise Interrupted("interrupted before anything was written")


class Rereading:
    """Reads rolls again with the machinery of `verify`, which appends what it found to each roll's own histories."""

    def __init__(self, ctx: Context, person: Person, rules: Rules | None = None) -> None:
        self._outer = OuterHistories(ctx.io, ctx.drives, person)
        self._verifier = CopyVerifier(ctx, VerifyRequest(paths=(), person=person), rules=rules)

    def outer(self, drive: bytes, found: FoundRolls) -> list[Finding]:
        """Go on with the histories around rolls that speak of nothing else, after these were read."""
        return [
            odd
            for each in found.around
            if not each.has_files
            for odd in self._outer.verify(os.path.join(drive, each.folder), each.inner)
        ]

    def run(self, seen: RollSeen, inside: Sequence[bytes]) -> None:
        """Read one roll, and the histories of the open standard inside it; of a history around rolls, which were read
        before, the files of its own. Raises Interrupted."""
        clean = True
        try:
            if seen.around is not None:
                inside = seen.around.inner
            for folder, within in in_order(inside if seen.around is None else ()):
                nested = self._verifier.run(os.path.join(seen.path, folder), within)
                seen.findings += nested.findings
                seen.differ |= {f"{to_text(folder)}/{path}" for path in nested.differ}
                clean = clean and nested.verdict == "proven"
            copy = self._verifier.run(seen.path, inside)
            seen.findings += copy.findings
            seen.differ |= {*copy.differ, *(found.path for found in copy.findings if found.severity == "error")}
            seen.files, seen.size_bytes = copy.files, copy.bytes
            seen.readback = Evidence(copy.readback) if copy.readback is not None else None
        except OSError as failure:
            seen.findings.append(
                error(
                    Kind.DRIVE_GONE,
                    f"the roll folder {shown(seen.path)} cannot be read ({said(failure)})",
                    drive=shown(seen.path),
                    remedy="reconnect the drive and do this again",
                )
            )
            return
        bad = any(found.severity is Severity.ERROR for found in seen.findings)
        if copy.verdict == "proven" and clean and not bad:
            seen.state = "proven"
        else:
            seen.state = "unproven" if bad else "copied"
            seen.why = next((found.detail for found in seen.findings if found.severity is not Severity.NOTE), "")


def _not_searched(path: bytes, folder: bytes, why: str) -> Finding:
    name = shown(os.path.join(path, folder) if folder else path)
    detail = f"the folder {name} could not be searched ({why}); rolls in it are not known"
    remedy = "check the drive and who may read that folder, then do this again"
    return error(Kind.UNREADABLE_FOLDER, detail, path=name, drive=shown(path), remedy=remedy)


def _seen(folder: bytes, path: bytes, chain: Chain) -> RollSeen:
    offload = next((link.header for link in reversed(chain.links) if isinstance(link.header, OffloadHeader)), None)
    named = offload or next((link.header for link in reversed(chain.links) if link.header is not None), None)
    seen = RollSeen(folder, path, chain, shown(os.path.basename(os.path.realpath(path))))
    if named is not None:
        seen.roll, seen.production = named.roll or seen.roll, named.production
    if offload is not None:
        seen.role = offload.copy_.role
    return seen


def _compared(papers: Expectation, there: Snapshot, volume: Volume, drive: str) -> list[Finding]:
    """What a look can see: files that are gone, of another size or date, or that nobody recorded."""
    entries = {entry.path: entry for entry in there.files}
    ignored = set(there.ignored)
    out: list[Finding] = []

    def say(kind: Kind, severity: Severity, path: bytes, what: str, remedy: str) -> None:
        out.append(Finding(kind, severity, shown(path), f"{shown(path)} {what}", drive, remedy))

    for path, wanted in sorted(papers.files.items()):
        entry = entries.get(path)
        if entry is None:
            if path not in ignored:
                say(
                    Kind.MISSING,
                    Severity.ERROR,
                    path,
                    "is recorded and not there",
                    "keep the other copies and the card; look whether somebody moved it",
                )
        elif wanted.size is not None and wanted.size != entry.size:
            say(
                Kind.DIFFERS,
                Severity.ERROR,
                path,
                "has another size than recorded",
                "keep the other copies and the card; copy this file from a proven copy into a new folder",
            )
        elif wanted.modified_ns is not None and not same_time(wanted.modified_ns, entry.modified_ns, volume.limits):
            say(
                Kind.DIFFERS,
                Severity.ERROR,
                path,
                "has another date than recorded: only reading it tells whether its content is another too",
                "do this again with --reread, or verify this copy",
            )
    for path in sorted(entries.keys() - papers.files.keys()):
        say(Kind.UNKNOWN_FILE, Severity.WARNING, path, "is not in any record", "look who put it there")
    return out
