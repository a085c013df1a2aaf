"""What all campaigns stand on: a card and two drives on images of different file systems, and what must hold always."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from campaigns.orders import Order
from rollproof.drives.system import system_drives
from support.devices import Devices
from support.invariants import MARKER, PARTIAL, Copy, check_copy
from support.movies import whole_movie
from support.spare_disks import SpareDisks
from support.stage import ROLL, Stage, real_stage
from support.still_drives import StillDrives
from support.sweep import untouched
from support.trees import Blob, Folder, Tree, read

CARD: Tree = {
    "CLIPS/A003C001.mov": whole_movie(1_500_000, Blob(70_000, seed=11).data()),
    "CLIPS/A003C001.xml": b"<clip name='A003C001'/>",
    "CLIPS/A003C002.mov": whole_movie(400_001, Blob(70_000, seed=12).data()),
    "CLIPS/A003C002.xml": b"<clip name='A003C002'/>",
    "CLIPS/A003C003.mov": whole_movie(65_536, Blob(70_000, seed=13).data()),
    "CLIPS/A003C003.xml": b"<clip name='A003C003'/>",
    "CLIPS/EMPTY.bin": b"",
    "CLIPS/RUSHES": Folder(),
    "SOUND/A003S001.mp3": Blob(200_000, seed=14),
    "A003.xml": b"<roll name='A003'/>",
}
"""The Bell Foundry's roll A003 in small: large and small files, an empty file and an empty folder."""

Say = Callable[[str], object]


def silent(text: str) -> None:
    """Say nothing."""


@dataclass
class Figures:
    """What a campaign did: how often each thing happened, and everything that was wrong."""

    name: str
    seed: int
    counts: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def lines(self) -> Iterator[str]:
        """For a terminal."""
        yield f"{self.name}: seed {self.seed}, {self.seconds:.0f} s, {len(self.wrong)} wrong"
        width = max((len(kind) for kind in self.counts), default=0)
        for kind, count in sorted(self.counts.items()):
            yield f"  {kind:<{width}}  {count:>6}"
        for problem in self.wrong[:50]:
            yield f"  WRONG {problem}"


def make_bench(
    devices: Devices, *, one: str = "ext4", two: str = "xfs", tree: Tree = CARD, in_memory: bool = True
) -> Stage:
    """Card on ext4 (writable: that it stays untouched must not be the kernel's doing) and two drives."""
    bench = real_stage(devices, one=one, two=two, tree=tree, in_memory=in_memory)
    bench.media["card"].replug(read_only=False)
    settle(bench)
    return bench


def settle(bench: Stage) -> None:
    """After something was plugged in: ask the system about the drives anew, once."""
    bench.places = StillDrives(SpareDisks(system_drives()))


def offload_order(bench: Stage) -> Order:
    """The offload of every run."""
    return Order("offload", [str(path) for path in bench.drives.values()], card=str(bench.card), roll=ROLL)


def verify_order(bench: Stage) -> Order:
    """The verify of every run."""
    return Order("verify", [str(path) for path in bench.drives.values()])


@dataclass
class Found:
    """What lay on the drives at some moment, to be compared with what lies there later."""

    copies: dict[str, Copy]
    evidence: dict[str, dict[bytes, bytes]]
    """Records, manifests and signatures, byte by byte."""

    @classmethod
    def on(cls, bench: Stage) -> Found:
        """As it is now."""
        copies = bench.copies()
        return cls(copies, {name: _evidence(copy) for name, copy in copies.items()})

    @property
    def longest_chain(self) -> int:
        """The most records any copy has."""
        return max(len(copy.records) for copy in self.copies.values())

    @property
    def pieces(self) -> int:
        """How many records and manifests there are."""
        return sum(len(evidence) for evidence in self.evidence.values())


def _evidence(copy: Copy) -> dict[bytes, bytes]:
    # the chain file of the open standard is written anew each time: the next run judges it
    return {
        path: read(copy.folder, path)
        for path, entry in copy.entries.items()
        if entry.kind == "file"
        and path.startswith((b"rollproof/", b"ascmhl/"))
        and not path.endswith((PARTIAL, b"ascmhl_chain.xml"))
    }


def broken(bench: Stage, before: Found, now: Found) -> Iterator[str]:
    """What must hold after any run, however it ended, and does not.

    Whatever stood under a final name before is right (or was told then): it must be the same file still.
    """
    yield from untouched(bench)
    for name, folder in bench.folders().items():
        yield from (f"{name}: {problem}" for problem in check_copy(folder, bench.known))
        for path in before.copies[name].footage:
            if now.copies[name].inodes.get(path) != before.copies[name].inodes[path]:
                yield f"{name}: {path!r} was right and was written again"
        for path, content in before.evidence[name].items():
            later = now.evidence[name].get(path)
            if later != content:
                yield f"{name}: {path!r} was {'taken away' if later is None else 'changed'}"


def phase(copy: Copy) -> str:
    """How far an offload had come on one drive."""
    if not copy.exists:
        return "before the roll folder"
    if copy.records:
        return "record down, marker still there" if copy.marker else "record down, marker gone"
    if any(path.startswith((b"rollproof/", b"ascmhl/")) for path in copy.entries):
        return "evidence being written"
    if any(path.endswith(PARTIAL) and path != MARKER for path in copy.entries):
        return "in the middle of a file"
    return "files under final names, no evidence" if copy.footage else "roll folder, no file yet"
