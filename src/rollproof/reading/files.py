"""Reading some files of a folder again, each with the algorithms it needs: for checksum files and packing lists."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rollproof.models.errors import Interrupted
from rollproof.models.events import Emit, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.reads import Reads
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.evidence import weakest
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass, PassSettings
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import Stalled, Stopped
from rollproof.reading.settings import Settings
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.storage.errors import hanging
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess


@dataclass(slots=True)
class FilesRead:
    """What came of it. A file that could not be read is in no hash; a finding says why."""

    hashes: Reads
    findings: list[Finding] = field(default_factory=list)
    evidences: set[Evidence] = field(default_factory=set)
    hangs: bool = False
    """Whether the drive does not answer: its handles are still in use then, and must not be closed."""

    @property
    def readback(self) -> Evidence | None:
        """The weakest evidence of all reads; None when nothing was read."""
        return weakest(sorted(self.evidences))


@dataclass(frozen=True, slots=True)
class ReadTold:
    """Who is told at once what reading shows. `file` hears of each file by number: all its hashes together, None where
    it could not be read; `lost` why nothing more can be read. Both are called from any thread."""

    file: Callable[[int, Mapping[str, str] | None], None]
    lost: Callable[[str], None]


def _nothing_told(number: int, texts: Mapping[str, str] | None) -> None:
    pass


NOBODY = ReadTold(_nothing_told, lambda why: None)


class FileReader:
    """Reads files of one folder after the other, from the medium where that can be had."""

    def __init__(self, io: Io, settings: Settings, emit: Emit, cancel: Cancel) -> None:
        self._io = io
        self._settings = settings
        self._emit = emit
        self._cancel = cancel
        self._pool = BufferPool(settings.block_bytes)

    def read(
        self,
        handle: int,
        volume: Volume,
        files: Sequence[FileEntry],
        wanted: Mapping[int, tuple[str, ...]],
        *,
        name: str,
        drive: str,
        told: ReadTold = NOBODY,
    ) -> FilesRead:
        """Read the files by number, each with its algorithms. `name` and `drive` are for the events and findings.

        Raises Interrupted when the end was asked for.
        """
        read = FilesRead(Reads(files))
        groups: dict[tuple[str, ...], list[int]] = defaultdict(list)
        for number, algorithms in wanted.items():
            groups[algorithms].append(number)
        self._emit(LegStarted(name, Leg.READ_BACK, drive, len(wanted), sum(files[number].size for number in wanted)))
        ok = False
        try:
            for algorithms, numbers in groups.items():
                self._pass(read, handle, volume, files, algorithms, numbers, name, drive, told)
            ok = True
        except Stopped:
            raise Interrupted("interrupted while reading; no file of a copy was changed") from None
        except TreeLost as lost:
            read.findings.append(replace(lost.finding, drive=drive))
            told.lost(lost.finding.detail)
        except Stalled:
            read.hangs = True
            read.findings.append(hanging(drive, self._settings.stall_seconds))
            told.lost(read.findings[-1].detail)
        finally:
            self._emit(LegEnded(name, Leg.READ_BACK, drive, ok))
        return read

    def _pass(
        self,
        read: FilesRead,
        handle: int,
        volume: Volume,
        files: Sequence[FileEntry],
        algorithms: tuple[str, ...],
        numbers: Sequence[int],
        name: str,
        drive: str,
        told: ReadTold,
    ) -> None:
        access = MediumAccess(self._io, volume.way, volume.source, at_once=self._settings.files_on(volume))
        reader = TreeReader(self._io, OpenTree(handle, files, access, drive), self._settings)

        def hashed(number: int, texts: dict[str, str], evidence: Evidence) -> None:
            read.hashes.add(number, texts)
            read.evidences.add(evidence)
            whole = read.hashes.texts(number)
            if all(algorithm in whole for algorithm in algorithms):  # (slow ones come on their own)
                told.file(number, whole)

        def fault(number: int, finding: Finding) -> None:
            read.findings.append(finding)
            told.file(number, None)

        def moved(size: int, count: int, number: int) -> None:
            self._emit(Moved(name, Leg.READ_BACK, drive, size, count, shown(files[number].path)))

        HashPass(
            self._pool,
            reader,
            algorithms,
            self._settings,
            PassSettings(
                "read",
                self._cancel.is_set,
                self._settings.reads_on(volume.device, self._settings.read_depth),
                self._settings.stall_seconds,
            ),
        ).run(numbers, hashed, fault, moved)
