"""What is on a card, in a copy, on a drive, in a clip: clips with their facts, whether they are whole, and what of it
this station knows to be proven.

Only reads. What is found wrong never keeps anybody from offloading: a damaged clip is copied like every other.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rollproof.card.across import across_findings, index_findings
from rollproof.card.clips import CardContents, natural_key, read_card
from rollproof.card.named_parts import entries_of, find_named_parts, part_findings
from rollproof.card.roll_name import guess_roll
from rollproof.clips.check import ClipLook, LookHow, look_at_clips, workers_for
from rollproof.clips.words import clip_out, health_findings
from rollproof.copies.find import find_rolls
from rollproof.copies.location import place_on
from rollproof.drives.interface import Drives
from rollproof.media.containers import suffix_of
from rollproof.media.sidecar_xml import read_sidecar
from rollproof.media.source import FileSource
from rollproof.models.errors import CouldNotFinish, ExitStatus, Refused, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.grouped import grouped
from rollproof.models.inspect_results import NOT_CERTAIN, ClipOut, InspectedRoll, InspectResult, RecordOut
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel, InspectRequest
from rollproof.models.tree import Clip, Snapshot
from rollproof.models.volumes import Volume
from rollproof.records.rows import FileRow
from rollproof.station.context import Context
from rollproof.station.ledger import StationLedger
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.inspect.begun import told_of_card, told_of_copy
from rollproof.workflows.inspect.known import Known, known_of
from rollproof.workflows.inspect.posters import write_posters
from rollproof.workflows.inspect.record import word_of_record
from rollproof.workflows.may_wipe.asked_for import AskedFor
from rollproof.workflows.may_wipe.card import CardInHand, about_space

Told = Callable[[str, int, int], None]
"""Progress: which roll, how many clips were looked into, of how many."""


def inspect(request: InspectRequest, ctx: Context, *, told: Told = lambda roll, done, of: None) -> InspectResult:
    """Look at what lies at a path. Status 1 when a clip is damaged, or a folder could not be read.

    Raises UsageProblem when there is nothing at the path, CouldNotFinish when the medium does not answer, Interrupted.
    """
    began = time.monotonic()
    if request.posters is not None:
        refuse_inside(request.posters, [request.path], "posters")
    with ctx.station:
        looked = inspected(request, ctx, told)
    findings = [finding for each in looked for finding in each.findings]
    wrong = any(finding.severity is Severity.ERROR for finding in findings)
    return InspectResult(
        path=shown(request.path),
        roll=looked[0].out.roll if len(looked) == 1 else None,
        rolls=[each.out for each in looked],
        clips=[clip for each in looked for clip in each.clips],
        findings=grouped_by_roll(looked),
        seconds=round(time.monotonic() - began, 3),
        status=ExitStatus.ANSWER_IS_NO if wrong else ExitStatus.DONE,
    )


def inspected(request: InspectRequest, ctx: Context, told: Told) -> list[Inspected]:
    """Everything at the path of the request. Raises as `inspect`: no call on the medium is waited for much longer than
    `settings.stall_seconds`."""
    guard, inside = ctx.guarded()
    look = Inspection(inside.io, inside.drives, request, ctx.cancel, told, ctx.station)
    return guard.run_or_end(lambda: [*look.run()], request.path, "nothing was written to it")


@dataclass(slots=True)
class Inspected:
    """One roll: for the result, and for what is made of it elsewhere."""

    out: InspectedRoll
    clips: list[ClipOut]
    looks: list[ClipLook]
    snapshot: Snapshot
    findings: list[Finding]
    folder: bytes
    rows: Mapping[bytes, FileRow]
    """What the records of an offloaded roll say of each file."""
    changed: frozenset[bytes]
    """Files of another size or date than recorded."""


def grouped_by_roll(looked: Sequence[Inspected]) -> list[Finding]:
    """All findings, the damaged clips of all rolls first."""
    found = [finding for each in looked for finding in each.findings]
    order = [Severity.ERROR, Severity.WARNING, Severity.NOTE]
    found.sort(key=lambda each: (order.index(each.severity), each.kind is not Kind.DAMAGED_CLIP))
    return found


@dataclass(slots=True)
class Inspection:
    """Looks at everything at one path."""

    io: Io
    drives: Drives
    request: InspectRequest
    cancel: Cancel
    told: Told
    station: StationLedger
    hangs: bool = False

    def run(self) -> Iterator[Inspected]:
        """Everything at the path."""
        path = self.request.path
        file = b""
        try:
            root = self.io.open_root(path)
        except OSError as error:
            folder, _, file = path.rpartition(b"/")
            root = self._folder_of_file(folder or b".", file, path, error)
            path = folder or b"."
        try:
            volume = self.drives.volume_of(path)
            rolls = [] if file else [*find_rolls(self.io, root, self.cancel)]
            outer = [each for each in rolls if not any(_below(each, other) for other in rolls)]
            if not outer:
                yield self._one(root, path, volume, "clip" if file else "card", only=file)
            for below in outer:
                yield self._below(root, path, below, volume)
        except OSError as error:
            raise CouldNotFinish(
                f"{shown(path)} could not be read ({said(error)})",
                hint="check the medium and its reader, and try again",
            ) from error
        finally:
            if not self.hangs:  # else a read that hangs still uses it
                with contextlib.suppress(OSError):
                    self.io.close(root)

    def _folder_of_file(self, folder: bytes, file: bytes, path: bytes, why: OSError) -> int:
        """One file was named: its folder, when the file is there."""
        try:
            root = self.io.open_root(folder)
        except OSError:
            raise _nothing_there(path, why) from why
        try:
            if self.io.stat(file, root).kind is not EntryKind.FILE:
                raise why
        except OSError:
            with contextlib.suppress(OSError):
                self.io.close(root)
            raise _nothing_there(path, why) from why
        return root

    def _below(self, root: int, path: bytes, below: bytes, volume: Volume) -> Inspected:
        if not below:
            return self._one(root, path, volume, "roll")
        handle = open_below(self.io, root, below)
        try:
            return self._one(handle, os.path.join(path, below), volume, "roll")
        finally:
            if not self.hangs:
                with contextlib.suppress(OSError):
                    self.io.close(handle)

    def _one(
        self, root: int, path: bytes, volume: Volume, what: Literal["card", "roll", "clip"], only: bytes = b""
    ) -> Inspected:
        snapshot = take_snapshot(self.io, root, IgnoreRules(of_copy=what == "roll"), cancel=self.cancel)
        contents = read_card(snapshot)
        if not contents.regions.by_folder:  # a part of a card is told by what lies above it
            contents = read_card(snapshot, [part for part in os.path.realpath(path).split(b"/")[-4:] if part])
        clips = sorted(contents.clips, key=lambda clip: (natural_key(clip.name), clip.files[0]))
        if only:
            clips = [clip for clip in clips if any(snapshot.files[index].path == only for index in clip.files)]
            if not clips:
                raise UsageProblem(
                    f"{shown(only)} belongs to no clip", hint="name a file with pictures or sound, or a folder"
                )
        record, record_findings, rows, changed = (
            word_of_record(self.io, root, snapshot, volume, place_on(volume, path))
            if what == "roll"
            else (None, [], {}, frozenset())
        )
        roll, where, candidates = self._name(snapshot, clips, path, volume, record)
        seen = look_at_clips(
            self.io,
            root,
            snapshot,
            clips,
            LookHow(
                workers_for(volume), cancel=self.cancel, told=lambda done, of, look: self.told(roll or "", done, of)
            ),
        )
        self.hangs |= seen.hangs
        known = Known() if what == "clip" else known_of(self.station, snapshot, roll, volume, is_copy=what == "roll")
        if what == "roll":
            record_findings = told_of_copy(self.station, record_findings, volume, place_on(volume, path))
        elif what == "card":
            record_findings = told_of_card(self.station, snapshot, volume)
        findings = [
            *health_findings(seen.looks),
            *_not_said_of_clips(snapshot.findings, seen.looks, what),
            *record_findings,
            *known.findings,
        ]
        if what != "clip":
            findings += across_findings(snapshot, contents, time.time_ns())
            findings += self._indexes(root, snapshot, contents)
        if what == "card":
            parts = find_named_parts(self.io, root, entries_of(snapshot), volume.file_system, cancel=self.cancel)
            findings += part_findings(parts, volume.file_system)
        if what == "card" and volume.is_mount_root:
            findings += self._space(root, path, volume, snapshot, clips)
        outs = [clip_out(look, snapshot, roll or "") for look in seen.looks]
        if self.request.posters is not None and not self.hangs:
            outs, trouble = write_posters(self.io, root, snapshot, seen.looks, outs, self.request.posters, self.cancel)
            findings += trouble
        findings = grouped(findings)
        return Inspected(
            out=InspectedRoll(
                path=shown(path),
                what=what,
                roll=roll,
                roll_from=where,
                roll_candidates=candidates,
                layouts=_layouts(contents, clips),
                label=volume.label if volume.is_mount_root else "",
                whole_volume=volume.is_mount_root and what == "card",
                capacity_bytes=volume.capacity_bytes,
                free_bytes=volume.free_bytes,
                files=len(snapshot.files) if not only else sum(len(clip.files) for clip in clips),
                bytes=snapshot.size_bytes if not only else sum(clip.size_bytes for clip in clips),
                clips=len(clips),
                damaged=sum(look.state == "damaged" for look in seen.looks),
                odd=sum(look.state == "odd" for look in seen.looks),
                unknown=sum(look.state == "unknown" for look in seen.looks),
                duration_seconds=round(sum(out.duration_seconds or 0 for out in outs), 3),
                record=record,
                known_copies=known.copies,
                findings=list(findings),
            ),
            clips=outs,
            looks=seen.looks,
            snapshot=snapshot,
            findings=findings,
            folder=path,
            rows=rows,
            changed=changed,
        )

    def _name(
        self, snapshot: Snapshot, clips: list[Clip], path: bytes, volume: Volume, record: RecordOut | None
    ) -> tuple[str | None, str, list[str]]:
        """The roll's name, how it was recognised, and every other candidate."""
        if record is not None and record.roll:
            return record.roll, "its records", []
        top = os.path.basename(os.path.realpath(path))
        guess = guess_roll(snapshot, clips, top, volume.label if volume.is_mount_root else "")
        others = [f"{name} ({why})" for name, why in guess.candidates]
        if guess.best is None:
            return None, "nothing on it tells its name", []
        if guess.disagree:
            return guess.best, NOT_CERTAIN + ", ".join(others), others
        return guess.best, guess.candidates[0][1], others

    def _indexes(self, root: int, snapshot: Snapshot, contents: CardContents) -> Iterator[Finding]:
        for index in contents.indexes:
            path = snapshot.files[index].path
            if suffix_of(path) != b"xml":
                continue
            folder, _, name = path.rpartition(b"/")
            try:
                parent = open_below(self.io, root, folder)
                try:
                    handle = self.io.open_read(name, parent, direct=False)
                finally:
                    self.io.close(parent)
                try:
                    sidecar = read_sidecar(FileSource(self.io, handle, self.io.fstat(handle).size))
                finally:
                    self.io.close(handle)
            except OSError as failure:
                yield error(Kind.UNREADABLE, f"the card's index could not be read ({said(failure)})", path=shown(path))
                continue
            for problem in sidecar.health.problems:
                yield warning(
                    Kind.INDEX_DISAGREES,
                    f"the card's own index is not whole: {inert(problem.detail)}",
                    path=shown(path),
                    remedy="the index was perhaps not written to its end; look at the last clips",
                )
            if sidecar.health.state == "sound":
                yield from index_findings(snapshot, contents, index, sidecar.references, sidecar.clip_names)

    def _space(
        self, root: int, path: bytes, volume: Volume, snapshot: Snapshot, clips: list[Clip]
    ) -> Iterator[Finding]:
        """What `may-wipe` calls a reason to KEEP is a hint here."""
        for finding in about_space(self.io, CardInHand(path, root, volume, snapshot, clips, asked=AskedFor(path))):
            remedy = "look at the card in its camera before it is wiped"
            yield warning(finding.kind, finding.detail, remedy=remedy)


def _not_said_of_clips(found: Sequence[Finding], looks: Sequence[ClipLook], what: str) -> Iterator[Finding]:
    """What the walk found, without the empty files that are a clip's damage: that is said once."""
    said = {shown(each.path) for look in looks if look.state == "damaged" for each in look.problems}
    for finding in found:
        if finding.kind is not Kind.EMPTY_FILE or (what != "clip" and finding.path not in said):
            yield finding


def _nothing_there(path: bytes, why: OSError) -> UsageProblem:
    return UsageProblem(
        f"nothing can be inspected at {shown(path)} ({said(why)})",
        hint="check the path, and that the card or drive is mounted",
    )


def refuse_inside(target: bytes, paths: Sequence[bytes], what: str) -> None:
    """Nothing is written onto what is looked at. Raises Refused."""
    wanted = os.path.realpath(target)
    for path in paths:
        top = os.path.realpath(path)
        if wanted == top or wanted.startswith(top.rstrip(b"/") + b"/"):
            detail = f"{what} would lie inside {shown(path)}, which is only looked at"
            remedy = "name a place somewhere else"
            kind = Kind.DESTINATION_INSIDE_SOURCE
            raise Refused(detail, [error(kind, detail, path=shown(target), remedy=remedy)], hint=remedy)


def _below(path: bytes, other: bytes) -> bool:
    return path != other and (not other or path.startswith(other + b"/"))


def _layouts(contents: CardContents, clips: Sequence[Clip]) -> list[str]:
    """What was recognised, in words, each once; frame sequences and plain folders are named as such."""
    words = [region.layout.words for region in contents.regions.found()]
    if any(not clip.layout and clip.kind == "frames" for clip in clips):
        words.append("frame sequences")
    if any(not clip.layout and clip.kind != "frames" for clip in clips):
        words.append("clips by folder and name")
    return list(dict.fromkeys(words))
