"""A drive that fell behind gets the rest from another drive's flushed copy, so that the card is not read for it again.

Every file is hashed while it is read there, and the last of it is written only if the hash is that of the card's first
read: what a drive gave back wrongly never gets a final name on another one. The proof stays what it was, the drive's
own read-back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from rollproof.copying.falling_behind import nobody_to_follow, not_the_cards, not_to_be_had
from rollproof.copying.helping import Donor, Helping
from rollproof.copying.plan import same_time
from rollproof.copying.shared import Shared
from rollproof.copying.writer import CopyWriter
from rollproof.hashing import Hasher, new_hasher
from rollproof.models.errors import DriveFault
from rollproof.proof.board import SourceState
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import ParcelStream, ReadAhead, Segment, Stalled, Stopped
from rollproof.reading.treereader import TreeLost, TreeReader

_POLL_SECONDS = 0.2
_HASH_POLL_SECONDS = 0.05


@dataclass(frozen=True, slots=True)
class CatchUpTold:
    """Whom it tells what: `moved(bytes, whole files, number)` as bytes are written, `busy` and `idle` around the
    writing. `stop_asked` says whether the drive's own end was asked for."""

    stop_asked: Callable[[], bool]
    moved: Callable[[int, int, int], None]
    busy: Callable[[], None]
    idle: Callable[[], None]


class CatchUp:
    """Takes files from donors for one drive, `depth` reads in flight. For the drive's own thread."""

    def __init__(self, shared: Shared, writer: CopyWriter, drive: str, depth: int, told: CatchUpTold) -> None:
        self._io = shared.io
        self._files = shared.files
        self._board = shared.board
        self._pool = shared.pool
        self._settings = shared.settings
        self._writer = writer
        self._drive = drive
        self._depth = depth
        self._stop_asked = told.stop_asked
        self._moved = told.moved
        self._busy = told.busy
        self._idle = told.idle
        self._state: Hasher | None = None
        self._refused = -1
        self._left: list[int] = []
        self._unfinished_names: dict[int, bytes] = {}
        self.hangs = False
        """Whether a read on a donor did not come back: then no handle of it may be closed."""

    def run(self, numbers: Sequence[int], helping: Helping) -> None:
        """Write all these files from whichever drives can give them. What none of them has as the card had it becomes
        a fault of that file. Raises DriveFault when no drive is left, what the writer raises, and Stopped."""
        rest = list(numbers)
        tried: set[str] = set()
        any_lost = False
        self._busy()
        self._writer.begin_again()
        while rest:
            donor = self._next_donor(helping, tried)
            if donor is None:
                break
            tried.add(donor.drive)
            rest, lost = self._take_from(donor, rest)
            any_lost = any_lost or lost
        # without a donor nobody asked for the card's hashes yet
        rest = list(self._given_by_the_card(rest))
        if rest and (any_lost or not tried):
            raise DriveFault(nobody_to_follow(self._drive, len(rest)))
        for number in rest:
            self._board.copy_fault(self._drive, number, not_to_be_had(self._files[number].path, self._drive))

    def _next_donor(self, helping: Helping, tried: set[str]) -> Donor | None:
        self._idle()
        while True:
            if self._stop_asked():
                raise Stopped
            donor, hope = helping.next_donor(self._drive, tried, _POLL_SECONDS)
            if donor is not None or not hope:
                return donor

    def _take_from(self, donor: Donor, numbers: Sequence[int]) -> tuple[list[int], bool]:
        """Write these files from the donor's copies. Returns the numbers that could not be had from it, and whether
        the donor itself is gone."""
        self._unfinished_names = {}
        left, lost = self._pass_over(donor, numbers)
        # the donor may have given a fresh copy its final name just before it was to be read
        moved = [n for n in left if n in self._unfinished_names and donor.where(n) != self._unfinished_names[n]]
        if moved and not lost:
            again, lost = self._pass_over(donor, moved)
            left = sorted({*left}.difference(moved).union(again))
        return left, lost

    def _pass_over(self, donor: Donor, numbers: Sequence[int]) -> tuple[list[int], bool]:
        self._left, self._refused = [], -1
        self._busy()
        self._writer.begin_again()
        self._idle()
        tree = OpenTree(
            donor.root, self._files, donor.access,
            drive=donor.drive, where=lambda number: self._where(donor, number),
            same_time=lambda now, then: same_time(now, then, donor.limits),
        )  # fmt: skip
        reader = TreeReader(self._io, tree, self._settings)
        stream = ParcelStream(
            self._pool,
            reader.jobs(self._given_by_the_card(numbers)),
            [self._drive],
            ReadAhead(
                f"catch-up-{self._drive}",
                self._depth,
                max(self._settings.pass_buffers, self._depth + 1),
                self._stop_asked,
                self._settings.stall_seconds,
            ),
        )
        stream.start()
        done = -1
        lost = False
        try:
            for parcel in stream.parcels(self._drive):
                moved = whole = 0
                for segment in parcel.segments:
                    if self._stop_asked():
                        raise Stopped
                    self._busy()
                    moved += self._take(donor, segment, parcel.buffer.view)
                    whole += segment.last
                    if segment.last or segment.fault is not None:
                        done = segment.file
                self._idle()
                stream.done(self._drive, parcel)
                self._moved(moved, whole, parcel.segments[-1].file)
        except (TreeLost, Stalled):
            lost = True
        finally:
            stream.stop()
            if stream.wait_workers(self._settings.workers_end_seconds):
                reader.close()
            else:
                self.hangs = True
        if self._stop_asked():
            raise Stopped
        rest = [number for number in numbers if number > done] if lost else []
        return [*self._left, *rest], lost

    def _where(self, donor: Donor, number: int) -> bytes:
        path = donor.where(number)
        if path != self._files[number].path:
            self._unfinished_names[number] = path
        return path

    def _take(self, donor: Donor, segment: Segment, view: memoryview) -> int:
        number = segment.file
        if segment.fault is not None:
            self._give_up(segment, view)
            return 0
        if number == self._refused:
            return 0
        if segment.offset == 0 or self._state is None:
            self._state = new_hasher(self._board.proof_algorithm)
        self._state.update(view[segment.start : segment.start + segment.length])
        if segment.last and self._state.text() != self._expected(number):
            self._give_up(replace(segment, fault=not_the_cards(self._files[number].path, donor.drive)), view)
            return 0
        return self._writer.take(segment, view)

    def _give_up(self, segment: Segment, view: memoryview) -> None:
        if segment.file != self._refused:
            self._refused = segment.file
            self._left.append(segment.file)
        self._writer.take(segment, view)

    def _given_by_the_card(self, numbers: Iterable[int]) -> Iterator[int]:
        """Those of the files that the card's first read brought whole: no drive has the others, and a row of files
        that are not there must not look like a donor that went away."""
        return (number for number in numbers if self._expected(number) is not None)

    def _expected(self, number: int) -> str | None:
        """The card's hash; None for a file that the card did not give. Slow hashing may still be on its way."""
        while (text := self._board.source_text(number)) is None:
            if self._board.source_state(number) == SourceState.FAULTY:
                return None
            if self._stop_asked():
                raise Stopped
            threading.Event().wait(_HASH_POLL_SECONDS)
        return text
