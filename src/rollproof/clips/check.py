"""A look into clips: are they whole, and what do they say of themselves? A few reads per file, several files at once.

Health comes from the structure of the essence files; facts (duration, timecode …) are for people and never needed for
a proof. A device that does not answer ends the look, never the command.
"""

from __future__ import annotations

import contextlib
import queue
import re
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

from rollproof.card.layouts import all_layouts
from rollproof.media.facts import Facts, read_facts
from rollproof.media.health import FileHealth, examine
from rollproof.media.problems import Problem
from rollproof.media.segments import examine_segments
from rollproof.media.sequence import examine_sequence
from rollproof.media.sidecar_xml import read_sidecar
from rollproof.media.source import FileSource, Source, TooMuch
from rollproof.media.zeros import least_bytes, zero_problem
from rollproof.models.counting import count_of
from rollproof.models.errors import Interrupted
from rollproof.models.names import shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import Clip, Snapshot
from rollproof.models.volumes import Volume
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.tree.suffixes import is_essence

WORKERS = 4
_WORKERS_ON_SPINNING = 2
_STALL_SECONDS = 30.0
_TICK_SECONDS = 0.1
_NUMBER = re.compile(rb"([0-9]+)[^0-9]*\Z")
_NOT_IN_TIME = "the medium did not answer in time"
_NOT_REACHED = "not looked at: the time for it was used up"
_XML = b".xml"
_TRACK_GONE = "a picture or sound file of this clip is not on this medium"


@cache
def _tracks_named() -> frozenset[str]:
    """Ids of the layouts whose metadata counts up the files of a clip."""
    return frozenset(layout.id for layout in all_layouts() if layout.tracks_named)


@dataclass(frozen=True, slots=True)
class ClipProblem:
    """A problem of one file of a clip. `path` is relative to the top; empty when it is about the clip as a whole."""

    path: bytes
    problem: Problem


@dataclass(frozen=True, slots=True)
class ClipLook:
    """What a look into one clip found.

    `clip.health` is the word for records, about pictures and sound alone: `sound`, `damaged` or `unknown`; `state` is
    about sidecars too and tells *odd* apart. `note` says why the state is not known.
    """

    clip: Clip
    state: str = "unknown"
    problems: tuple[ClipProblem, ...] = ()
    facts: Facts = field(default_factory=Facts)
    container: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Looks:
    """All clips, in the order given. `hangs` is whether a read still waits for the medium: then its handles must not
    be closed. `complete` is whether every clip was looked at."""

    looks: list[ClipLook]
    hangs: bool = False
    complete: bool = True


def workers_for(volume: Volume) -> int:
    """How many files are looked into at once: few on a spinning disk."""
    return _WORKERS_ON_SPINNING if volume.device.rotational and volume.device.kind == "disk" else WORKERS


@dataclass(frozen=True, slots=True)
class LookHow:
    """How clips are looked into. `told(done, of, look)` is called in the calling thread after each. With `seconds` the
    look ends by then, whatever is left; a medium that answers nothing for `stall_seconds` ends it too."""

    workers: int = WORKERS
    facts: bool = True
    sidecars: bool = True
    cancel: Cancel | None = None
    seconds: float | None = None
    told: Callable[[int, int, ClipLook], None] = lambda done, of, look: None
    stall_seconds: float = _STALL_SECONDS


def look_at_clips(io: Io, root: int, snapshot: Snapshot, clips: Sequence[Clip], how: LookHow | None = None) -> Looks:
    """Look into every clip. Raises Interrupted when `how.cancel` is set, never OSError."""
    how = how if how is not None else LookHow()
    looks: list[ClipLook | None] = [None] * len(clips)
    pending: Iterator[int] = iter(range(len(clips)))
    lock, stop = threading.Lock(), threading.Event()
    answers: queue.SimpleQueue[tuple[int, ClipLook]] = queue.SimpleQueue()
    looker = _Looker(io, root, snapshot, facts=how.facts, sidecars=how.sidecars)

    def work() -> None:
        while not stop.is_set():
            with lock:
                number = next(pending, None)
            if number is None:
                return
            answers.put((number, looker.look(clips[number])))

    threads = [threading.Thread(target=work, name="look", daemon=True) for _ in range(min(how.workers, len(clips)))]
    for thread in threads:
        thread.start()
    began = answered = time.monotonic()
    done, note = 0, ""
    while done < len(clips):
        if how.cancel is not None and how.cancel.is_set():
            stop.set()
            raise Interrupted("Stopped while looking into the clips.")
        try:
            number, look = answers.get(timeout=_TICK_SECONDS)
        except queue.Empty:
            if time.monotonic() - answered > how.stall_seconds:
                note = _NOT_IN_TIME
                break
        else:
            answered = time.monotonic()
            looks[number] = look
            done += 1
            how.told(done, len(clips), look)
        if how.seconds is not None and time.monotonic() - began > how.seconds:
            note = _NOT_REACHED
            break
    stop.set()
    deadline = time.monotonic() + (1.0 if note else 5.0)
    for thread in threads:
        thread.join(max(deadline - time.monotonic(), 0))
    hangs = any(thread.is_alive() for thread in threads)
    found = [look if look is not None else ClipLook(clip, note=note) for clip, look in zip(clips, looks, strict=True)]
    return Looks(found, hangs, done == len(clips))


def with_zeros(
    io: Io, root: int, snapshot: Snapshot, look: ClipLook, stretches: Mapping[int, Sequence[tuple[int, int]]]
) -> ClipLook:
    """The look, with what stretches of zeros (first byte, end; by file) in its essence mean; itself when they mean
    nothing. Never raises OSError."""
    essence_bytes = sum(snapshot.files[number].size for number in look.clip.essence)
    least = least_bytes(look.facts, essence_bytes)
    if least is None:
        return look
    looker = _Looker(io, root, snapshot, facts=False, sidecars=False)
    found = tuple(looker.zeros(number, told, least) for number, told in stretches.items())
    problems = tuple(problem for problem in found if problem is not None)
    if not problems:
        return look
    # first, for of several only the first is told in full: a sidecar's trouble is the lesser one
    return replace(look, state=_worst([look.state, "odd"]), problems=(*problems, *look.problems))


class _Looker:
    """Looks into one clip at a time; used by several threads at once."""

    def __init__(self, io: Io, root: int, snapshot: Snapshot, *, facts: bool, sidecars: bool) -> None:
        self._io = io
        self._root = root
        self._files = snapshot.files
        self._facts = facts
        self._sidecars = sidecars

    def look(self, clip: Clip) -> ClipLook:
        """Everything about one clip. Never raises."""
        with _Folders(self._io, self._root) as folders:
            return self._look(clip, folders)

    def _look(self, clip: Clip, folders: _Folders) -> ClipLook:
        problems: list[ClipProblem] = []
        states: list[str] = []
        notes: list[str] = []
        container = ""
        gathered = Facts()
        try:
            if clip.kind == "frames" and len(clip.essence) > 1:
                health = self._sequence(clip, folders)
                problems += [ClipProblem(b"", problem) for problem in health.problems]
                states.append(health.state)
                notes.append(health.note)
                container = health.container
                gathered = self._facts_of(clip.essence[0], folders) if self._facts else gathered
                if gathered.frame_rate is not None and gathered.duration_seconds is None:
                    gathered = replace(gathered, duration_seconds=len(clip.essence) / gathered.frame_rate)
            else:
                for index in clip.essence:
                    health, facts = self._file(index, folders)
                    path = self._files[index].path
                    problems += [ClipProblem(path, problem) for problem in health.problems]
                    states.append(health.state)
                    notes.append(health.note)
                    container = container or health.container
                    gathered = _joined(gathered, facts, clip) if index != clip.essence[0] else facts
            for problem in examine_segments(clip.parts) if clip.parts else ():
                problems.append(ClipProblem(b"", problem))
                states.append(problem.state)
            essence = _worst(states)
            if self._sidecars:
                for index in clip.files:
                    if index not in clip.essence[:50] and self._files[index].path.lower().endswith(_XML):
                        states += self._sidecar(index, problems, folders)
                        if clip.layout in _tracks_named():
                            states += self._tracks(index, clip, problems, folders)
        except OSError as error:
            essence = "unknown"
            states.append("unknown")
            notes.append(f"it could not be read ({said(error)})")
        state = _worst(states)
        word = essence if essence in ("sound", "damaged") else "unknown"
        note = next((note for note in notes if note), "")
        return ClipLook(replace(clip, health=word), state, tuple(problems), gathered, container, note)

    def zeros(self, index: int, stretches: Sequence[tuple[int, int]], least: int) -> ClipProblem | None:
        """The problem that stretches of zeros in one file are, if any. Never raises OSError."""
        path = self._files[index].path
        try:
            with _Folders(self._io, self._root) as folders, self._opened(index, folders) as source:
                problem = zero_problem(source, path, stretches, least)
        except (OSError, TooMuch):
            return None  # whoever reads the card says so
        return ClipProblem(path, problem) if problem is not None else None

    def _sidecar(self, index: int, problems: list[ClipProblem], folders: _Folders) -> Iterator[str]:
        """A sidecar that is broken touches no picture: the clip is odd at most."""
        with self._opened(index, folders) as source:
            health = examine(source, self._files[index].path)
        for problem in health.problems:
            problems.append(ClipProblem(self._files[index].path, replace(problem, state="odd")))
            yield "odd"

    def _tracks(self, index: int, clip: Clip, problems: list[ClipProblem], folders: _Folders) -> Iterator[str]:
        """Whether the files of picture and sound that the clip's own metadata counts up are there."""
        with self._opened(index, folders) as source:
            told = read_sidecar(source)
        here = {self._files[each].path.rpartition(b"/")[2].lower() for each in clip.essence}
        named = {each.encode().replace(b"\\", b"/").rpartition(b"/")[2] for each in told.references}
        gone = sorted(name for name in named if is_essence(name) and name.lower() not in here)
        missing = max(len(gone), told.tracks - len(here))
        if missing > 0:
            detail = (
                f"its metadata tells of {count_of(told.tracks or len(here) + len(gone), 'file')} of picture or sound"
            )
            which = f": {shown(gone[0])}" if gone else ""
            problem = Problem("odd", f"{detail}, {len(here)} here{which}", _TRACK_GONE)
            problems.append(ClipProblem(self._files[index].path, problem))
            yield "odd"

    def _file(self, index: int, folders: _Folders) -> tuple[FileHealth, Facts]:
        with self._opened(index, folders) as source:
            health = examine(source, self._files[index].path)
            readable = self._facts and health.state != "damaged"
            return health, read_facts(source, self._files[index].path) if readable else Facts()

    def _facts_of(self, index: int, folders: _Folders) -> Facts:
        with self._opened(index, folders) as source:
            return read_facts(source, self._files[index].path)

    def _sequence(self, clip: Clip, folders: _Folders) -> FileHealth:
        numbered = []
        for index in clip.essence:
            found = _NUMBER.search(self._files[index].path.rpartition(b".")[0].rpartition(b"/")[2])
            if found is not None and len(found[1]) < 19:
                numbered.append((int(found[1]), index))
        frames = [(number, self._files[index].size) for number, index in numbered]

        def one(place: int) -> FileHealth:
            index = numbered[place][1]
            with self._opened(index, folders) as source:
                return examine(source, self._files[index].path)

        return examine_sequence(frames, one)

    @contextlib.contextmanager
    def _opened(self, index: int, folders: _Folders) -> Iterator[Source]:
        folder, _, name = self._files[index].path.rpartition(b"/")
        handle = self._io.open_read(name, folders.handle(folder), direct=False)
        try:
            yield FileSource(self._io, handle, self._io.fstat(handle).size)
        finally:
            # it was only read: nothing can be lost by a close that fails
            with contextlib.suppress(OSError):
                self._io.close(handle)


class _Folders:
    """The folder that the last file of a clip lies in, kept open for the next one: a thousand frames lie in one."""

    def __init__(self, io: Io, root: int) -> None:
        self._io = io
        self._root = root
        self._open: tuple[bytes, int] | None = None

    def handle(self, folder: bytes) -> int:
        """A handle of the folder, until another one is asked for. Raises OSError."""
        if self._open is None or self._open[0] != folder:
            self._close()
            self._open = (folder, open_below(self._io, self._root, folder))
        return self._open[1]

    def _close(self) -> None:
        if self._open is not None:
            with contextlib.suppress(OSError):
                self._io.close(self._open[1])
            self._open = None

    def __enter__(self) -> _Folders:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()


def _worst(states: Sequence[str]) -> str:
    for state in ("damaged", "odd", "unknown"):
        if state in states:
            return state
    return "sound" if states else "unknown"


def _joined(first: Facts, more: Facts, clip: Clip) -> Facts:
    """The facts of a clip in several files: parts follow each other, tracks lie beside each other."""
    if clip.kind == "spanned":
        if first.duration_seconds is None or more.duration_seconds is None:
            return replace(first, duration_seconds=None, note=first.note or more.note)
        return replace(first, duration_seconds=first.duration_seconds + more.duration_seconds)
    channels = (first.channels or 0) + (more.channels or 0) or None
    return replace(
        first,
        channels=channels,
        duration_seconds=first.duration_seconds or more.duration_seconds,
        start_timecode=first.start_timecode or more.start_timecode,
        sample_rate=first.sample_rate or more.sample_rate,
        note=first.note or more.note,
    )
