"""Reading files of one tree, the card or a copy: from the medium, hashed, with the evidence of every file."""

from __future__ import annotations

import operator
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

from rollproof.copies.reading_journal import Reading
from rollproof.copies.tree_hashes import HashesByPath
from rollproof.copying.plan import same_time
from rollproof.models.errors import Interrupted
from rollproof.models.events import Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.evidence import evidence_of, rank_of
from rollproof.proof.readings import Agreement, agreement
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass, PassSettings
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import Stopped
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.station.context import Context
from rollproof.storage.medium import MediumAccess

_UNREAD = 255


@dataclass(slots=True)
class TreeRead:
    """What came of reading some files of one tree, by their numbers; `hashes` and `faults` also by path, where the
    files were in byte order of their paths."""

    hashes: HashesByPath
    _ranks: bytearray
    faults: dict[bytes, Finding] = field(default_factory=dict)
    lost: Finding | None = None

    def evidence(self, number: int) -> Evidence | None:
        """What reading a file was worth; None when it was not read to its end."""
        rank = self._ranks[number]
        return evidence_of(rank) if rank != _UNREAD else None


@dataclass(frozen=True, slots=True)
class TreeToRead:
    """The files to read below an open folder of a volume. `drive` is what people call it, empty for a card."""

    root: int
    files: Sequence[FileEntry]
    volume: Volume
    drive: str = ""


def read_tree(
    ctx: Context,
    tree: TreeToRead,
    algorithms: Sequence[str],
    leg: Leg,
    *,
    alike: Callable[[int, int], bool] | None = None,
    at_once: Callable[[int, str | None], None] = lambda number, text: None,
) -> TreeRead:
    """Read and hash files below an open folder. Raises Interrupted when the end was asked for; nothing else.

    `at_once` is told of every file when it is known: its hash by the first algorithm, None for one that could not be
    read.
    """
    io, settings, emit = ctx.io, ctx.settings, ctx.emit
    root, files, volume, drive = tree.root, tree.files, tree.volume, tree.drive
    result = TreeRead(HashesByPath(files), bytearray([_UNREAD]) * len(files))
    emit(LegStarted("", leg, drive, len(files), sum(entry.size for entry in files)))

    def hashed(number: int, texts: dict[str, str], evidence: Evidence) -> None:
        result.hashes.take_in(number, texts)
        result._ranks[number] = rank_of(evidence)
        at_once(number, texts.get(algorithms[0]))

    def fault(number: int, finding: Finding) -> None:
        result.faults[files[number].path] = finding
        at_once(number, None)

    def moved(size: int, count: int, number: int) -> None:
        emit(Moved("", leg, drive, size, count, shown(files[number].path)))

    access = MediumAccess(io, volume.way, volume.source, at_once=settings.files_on(volume))
    reader = TreeReader(io, OpenTree(root, files, access, drive, same_time=alike or operator.eq), settings)
    ok = False
    try:
        HashPass(
            BufferPool(settings.block_bytes),
            reader,
            tuple(algorithms),
            settings,
            PassSettings("may-wipe", ctx.cancel.is_set, settings.reads_on(volume.device, settings.read_depth)),
        ).run(range(len(files)), hashed, fault, moved)
        ok = True
    except Stopped:
        raise Interrupted("the question was interrupted: KEEP the card") from None
    except TreeLost as lost:
        result.lost = lost.finding
    finally:
        emit(LegEnded("", leg, drive, ok))
    return result


def hashes_hold(
    ctx: Context,
    tree: TreeToRead,
    algorithm: str,
    expected: Callable[[bytes], str],
    accepted: Collection[Evidence],
    reading: Reading | None = None,
) -> Agreement:
    """Whether every one of these files of a copy, read now with accepted evidence, has the hash it should have. What is
    wrong is put down in `reading` when it is found."""
    entries = tree.files

    def at_once(number: int, text: str | None) -> None:
        path = entries[number].path
        if reading is not None and text is None:
            reading.unread(path)
        elif reading is not None and text != expected(path):
            reading.differs(path)

    read = read_tree(
        ctx,
        tree,
        (algorithm,),
        Leg.READ_BACK,
        alike=lambda one, other: same_time(one, other, tree.volume.limits),
        at_once=at_once,
    )
    if reading is not None and read.lost is not None:
        reading.lost(read.lost.detail)
    texts = [read.hashes.of(number).get(algorithm) for number in range(len(entries))]
    evidences = {found for number in range(len(entries)) if (found := read.evidence(number)) is not None}
    return agreement(
        differs=any(
            text is not None and text != expected(entry.path) for entry, text in zip(entries, texts, strict=True)
        ),
        unread=read.lost is not None or bool(read.faults) or None in texts,
        evidences=evidences,
        accepted=accepted,
    )
