"""Roll folders without records and without a history, of which a plain checksum file speaks: in them, or beside them.

A checksum file names the algorithm in its own name (`A003.md5`, `SHA256SUMS`, `day1.xxhash`). Its paths begin at the
folder it lies in, at a folder beside it that is called as it is, or at the folder above: whichever of these holds more
of what it names. It is the word of whoever wrote it, so it is compared, never taken for a record of ours.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rollproof.ascmhl.model import Action, Expected
from rollproof.copies.likeness import named_like_a_roll
from rollproof.copies.location import place_on
from rollproof.copies.recorded import Recorded, opened_copy, recorded_files
from rollproof.hashing.checksum_lines import algorithm_in_name
from rollproof.models.counting import count_are, count_of
from rollproof.models.errors import UntrustedInput, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.grouped import other_names
from rollproof.models.names import shown, to_text
from rollproof.models.requests import Cancel
from rollproof.models.tree import Snapshot
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.audit.parts import part_files
from rollproof.workflows.audit.sums import Sums
from rollproof.workflows.audit.walk import Loose, Walked
from rollproof.workflows.verify.against import ChecksumFile, Hashes, read_checksum_file

_NAMED = 5
"""Files of one kind in one copy that are said one by one."""


def look_at_listed(io: Io, place: Place, walked: Walked, cancel: Cancel) -> tuple[list[CopyLook], list[Told]]:
    """The copies that checksum files on a drive speak of, and what is odd about these files.

    What is told so is taken out of `walked.loose`; a checksum file that speaks of none of it is put there among the
    files that nothing knows. Raises Interrupted; OSError when a folder cannot be listed.
    """
    lists = sorted({path for loose in walked.loose for path in loose.lists})
    if not lists:
        return [], []
    _alone(place, walked)
    found = _Lists(io, place, walked, cancel)
    for path in lists:
        found.take(path)
    return found.copies(), found.told


def _alone(place: Place, walked: Walked) -> None:
    """A roll folder that was named by itself: all that is loose in it is the roll."""
    own = os.path.basename(os.path.realpath(place.path))
    essence = sum(loose.essence for loose in walked.loose)
    if walked.rolls or not essence or not named_like_a_roll(own):
        return
    if any(loose.essence and named_like_a_roll(loose.folder) for loose in walked.loose):
        return
    lists = [path for loose in walked.loose for path in loose.lists]
    first = min((loose.first for loose in walked.loose if loose.files), default=b"")
    walked.loose[:] = [Loose(b"", "no record", sum(loose.files for loose in walked.loose), essence, first, lists=lists)]


@dataclass(slots=True)
class _Spoken:
    """A loose folder, what lies in it, and the lists that speak of it with the folder their names begin at."""

    loose: Loose
    there: Snapshot
    paths: frozenset[bytes]
    lists: list[tuple[bytes, bytes]] = field(default_factory=list)


class _Lists:
    def __init__(self, io: Io, place: Place, walked: Walked, cancel: Cancel) -> None:
        self._io = io
        self._place = place
        self._walked = walked
        self._cancel = cancel
        self._used: set[bytes] = set()
        self._spoken = [self._listed(loose) for loose in walked.loose if loose.essence]
        self.told: list[Told] = []

    def _listed(self, loose: Loose) -> _Spoken:
        there = _snapshot(self._io, _below(self._place.path, loose.folder), self._cancel)
        return _Spoken(loose, there, frozenset(_below(loose.folder, entry.path) for entry in there.files))

    def take(self, path: bytes) -> None:
        """See of which folders one list speaks."""
        try:
            named = read_checksum_file(self._io, _below(self._place.path, path))
        except UsageProblem as problem:
            self._say(path, Severity.WARNING, f"{problem.message}", "look who put it there")
            return
        base = _base(path, named.files, [spoken.paths for spoken in self._spoken])
        for spoken in self._spoken:
            if any(_is_below(_below(base, name), spoken.loose.folder) for name in named.files):
                spoken.lists.append((path, base))
                self._used.add(path)
        if path in self._used:
            self.told += [Told("custody", odd) for odd in named.findings]
            self._nowhere(path, base, named)

    def _nowhere(self, path: bytes, base: bytes, named: ChecksumFile) -> None:
        """What a list names outside of all folders it speaks of, and that is not there: a whole roll may be gone."""
        folders = [*(spoken.loose.folder for spoken in self._spoken), *self._walked.rolls]
        listed: dict[bytes, frozenset[bytes]] = {}
        gone = []
        for name in named.files:
            target = _below(base, name)
            if any(_is_below(target, folder) for folder in folders):
                continue
            parent, _, last = target.rpartition(b"/")
            if parent not in listed:
                listed[parent] = self._names(parent)
            if last not in listed[parent]:
                gone.append(target)
        if gone:
            more = f" and {len(gone) - 1:,} more" if len(gone) > 1 else ""
            detail = f"{shown(path)} names {shown(min(gone))}{more}, which is not there"
            remedy = "look on the other drives; keep every copy, and the card"
            finding = error(
                Kind.MISSING, detail, path=shown(min(gone)), drive=self._place.name, remedy=remedy, count=len(gone)
            )
            self.told.append(Told("completeness", finding))

    def _names(self, folder: bytes) -> frozenset[bytes]:
        with contextlib.suppress(OSError):
            root = self._io.open_root(self._place.path)
            try:
                handle = open_below(self._io, root, folder)
                try:
                    return frozenset(name for name, _ in self._io.list_folder(handle))
                finally:
                    self._io.close(handle)
            finally:
                self._io.close(root)
        return frozenset()

    def _say(self, path: bytes, severity: Severity, detail: str, remedy: str) -> None:
        finding = Finding(Kind.BAD_MANIFEST, severity, shown(path), detail, self._place.name, remedy)
        self.told.append(Told("custody", finding))

    def copies(self) -> list[CopyLook]:
        """The copies; what is left of the loose files stays loose."""
        spoken = [each for each in self._spoken if each.lists]
        done = {id(each.loose) for each in spoken}
        left = []
        for loose in self._walked.loose:
            for path in loose.lists:
                if path not in self._used:
                    loose.files += 1
                    loose.first = min(loose.first or path, path)
            if id(loose) not in done and (loose.files or loose.what == "empty"):
                left.append(loose)
        self._walked.loose[:] = left
        return [_copy(self._io, self._place, each) for each in spoken]


def _base(path: bytes, names: Iterable[bytes], there: Sequence[frozenset[bytes]]) -> bytes:
    home = path.rpartition(b"/")[0]
    beside = _below(home, os.path.splitext(path.rpartition(b"/")[2])[0])
    counts = {
        base: sum(any(_below(base, name) in paths for paths in there) for name in names)
        for base in (home, beside, home.rpartition(b"/")[0])
    }
    return max(counts, key=lambda base: counts[base])


def _copy(io: Io, place: Place, spoken: _Spoken) -> CopyLook:
    loose = spoken.loose
    path = _below(place.path, loose.folder)
    copy = CopyLook(place, loose.folder, path, shown(os.path.basename(os.path.realpath(path))))
    copy.on_volume, copy.lists = to_text(place_on(place.volume, path)), tuple(spoken.lists)
    sums, missing, unknown = Sums(), [], []
    wanted = _named_by_lists(io, copy)
    sizes = {entry.path: entry.size for entry in spoken.there.files}
    for entry in _recorded(wanted, sizes):
        sums.add(entry)
        if entry.path not in sizes:
            missing.append(entry.path)
    unknown = [name for name in sizes if name not in wanted and not is_checksum_file(name)]
    copy.files, copy.size_bytes, copy.moving, copy.sound = sums.files, sums.size_bytes, sums.moving, sums.sound
    copy.digests, copy.keys = sums.texts(), sums.keys
    by = " and ".join(shown(name.rpartition(b"/")[2]) for name, _ in copy.lists[:3])
    copy.state, copy.why = "listed", f"it has no records; {by} names its files"
    if missing:
        copy.state, copy.why = "incomplete", f"{count_are(len(missing), 'file')} not there, named in {by}"
    again = "audit again with --reread to compare its content"
    named = count_of(sums.files, "file")
    detail = f"{shown(loose.folder) or copy.roll} has no records and no history; {by} names {named} in it"
    drive = shown(copy.path)
    note = Finding(Kind.FILES_WITHOUT_RECORD, Severity.NOTE, "", detail, place.name, again)
    copy.told = [Told("copies", note, copy.roll)]
    copy.told += _each(copy, Kind.MISSING, Severity.ERROR, missing, "is named in a checksum file and not there", drive)
    copy.told += _each(copy, Kind.UNKNOWN_FILE, Severity.WARNING, unknown, "is in no checksum file", drive)
    return copy


def _each(
    copy: CopyLook, kind: Kind, severity: Severity, paths: Sequence[bytes], what: str, drive: str
) -> Iterator[Told]:
    topic, remedy = (
        ("strangers", "look who put it there")
        if kind is Kind.UNKNOWN_FILE
        else ("copies", "keep the other copies and the card")
    )
    named = paths if len(paths) <= _NAMED else paths[:1]
    for path in named:
        count = 1 if len(named) == len(paths) else len(paths)
        more = f" (and {count - 1:,} more like it)" if count > 1 else ""
        detail = f"{shown(path)} {what}{more}"
        yield Told(
            "strangers" if topic == "strangers" else "copies",
            Finding(kind, severity, shown(path), detail, drive, remedy, count, other_names(paths) if count > 1 else ()),
            copy.roll,
        )


def is_checksum_file(path: bytes) -> bool:
    """Whether a file's name says that it is a list of hashes."""
    return algorithm_in_name(path.rpartition(b"/")[2]) is not None


def named_by_lists(io: Io, copy: CopyLook) -> ChecksumFile:
    """What the lists of a copy say of its files, by path from its own folder. Raises UntrustedInput where one of them
    cannot be read any more."""
    return ChecksumFile(dict(_named_by_lists(io, copy)))


def _named_by_lists(io: Io, copy: CopyLook) -> dict[bytes, Hashes]:
    out: dict[bytes, Hashes] = {}
    for path, base in copy.lists:
        try:
            named = read_checksum_file(io, _below(copy.place.path, path))
        except UsageProblem as problem:
            raise UntrustedInput(problem.message) from None
        for name, hashes in named.files.items():
            target = _below(base, name)
            if _is_below(target, copy.folder):
                own = target[len(copy.folder) + 1 if copy.folder else 0 :]
                out[own] = (*out.get(own, ()), *(each for each in hashes if each not in out.get(own, ())))
    return out


def _recorded(wanted: Mapping[bytes, Hashes], sizes: Mapping[bytes, int]) -> Iterator[Recorded]:
    """As a manifest would have it. A hash that may be of two algorithms is compared by reading only."""
    for path in sorted(wanted):
        sure = {names[0]: raw for raw, names in reversed(wanted[path]) if len(names) == 1}
        shape = tuple((name, Action.ORIGINAL) for name in sorted(sure))
        noted = Expected(sizes.get(path), None, shape, b"".join(sure[name] for name, _ in shape))
        yield Recorded(path, noted.size, None, None, noted)


@contextlib.contextmanager
def copy_files(io: Io, copy: CopyLook) -> Iterator[Iterator[Recorded]]:
    """Open a copy again and go through what it should hold, by its records and manifests, or by the checksum files
    that speak of it. Raises UntrustedInput, OSError."""
    if copy.part_of is not None:
        with part_files(io, copy) as part:
            yield part
        return
    if copy.lists:
        there = _snapshot(io, copy.path, None)
        yield _recorded(_named_by_lists(io, copy), {entry.path: entry.size for entry in there.files})
        return
    with recorded_files(io, copy.path, copy.inner, copy.place.volume) as files:
        yield files


def _snapshot(io: Io, path: bytes, cancel: Cancel | None) -> Snapshot:
    with opened_copy(io, path) as handle:
        return take_snapshot(io, handle, IgnoreRules(of_copy=True), cancel=cancel or Cancel())


def _below(folder: bytes, path: bytes) -> bytes:
    return os.path.join(folder, path) if folder and path else folder or path


def _is_below(path: bytes, folder: bytes) -> bool:
    return not folder or path.startswith(folder + b"/")
