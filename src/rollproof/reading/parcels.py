"""Parcels: blocks on their way from one reader to all who need them, in order.

A parcel is one buffer with one or more segments: a piece of a large file, or several whole small files. Several
worker threads fill parcels at once; every consumer (hashers, one writer for each drive) sees all of them in order;
a buffer is used again when its last consumer is done with it. A consumer that falls behind holds the others back
only once the stream's buffers are all in use.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from rollproof.models.findings import Finding
from rollproof.models.volumes import Evidence
from rollproof.reading.buffers import Buffer, BufferPool

_POLL_SECONDS = 0.2


class Stopped(Exception):
    """The stream was stopped before its end."""


class FellBehind(Exception):
    """This consumer was let go of: the others go on without it, and it has to get the rest elsewhere."""


class Stalled(Exception):
    """Nothing was read for too long: the device does not answer."""


@dataclass(slots=True)
class Segment:
    """Bytes `start:start + length` of the buffer are bytes `offset…` of file number `file`.

    `last` marks the end of the file; `evidence` is what reading these bytes was worth. A segment with a `fault` holds
    nothing, and no further segment of that file follows.
    """

    file: int
    start: int
    length: int
    offset: int
    last: bool
    evidence: Evidence = Evidence.CACHE
    fault: Finding | None = None


@dataclass(slots=True)
class Parcel:
    """A filled buffer. Consumers hand it back through `ParcelStream.done`."""

    sequence: int
    buffer: Buffer
    segments: list[Segment]
    pending: set[str] = field(default_factory=set)
    in_use: bool = False
    """A call that hangs may still touch the buffer: it is never used again."""


@dataclass(slots=True)
class Waited:
    """Waits for a free buffer: how many, seconds in sum, the sum of their squares, and the longest one."""

    count: int = 0
    seconds: float = 0.0
    squares: float = 0.0
    longest: float = 0.0

    def longer(self, before: float, spent: float) -> None:
        """A wait that had taken `before` seconds (0: a new one) took `spent` seconds more."""
        now = before + spent
        self.count += not before
        self.seconds += spent
        self.squares += now * now - before * before
        self.longest = max(self.longest, now)


Fill = Callable[[Buffer], list[Segment]]


@dataclass(frozen=True, slots=True)
class ReadAhead:
    """How a stream is read: on `depth` threads called by its `name`, with at most `buffers` at a time. `stop_asked` is
    looked at between two jobs. With `stall_seconds` a read that takes so long ends it; None: somebody else watches."""

    name: str
    depth: int
    buffers: int
    stop_asked: Callable[[], bool]
    stall_seconds: float | None = None


class ParcelStream:
    """Runs the jobs (each fills one buffer) on `depth` threads and hands the parcels to all consumers in order.

    `jobs` yields callables in order; it is only ever advanced under a lock. `consumers` are the names of those who
    will call `parcels`.
    """

    def __init__(
        self,
        pool: BufferPool,
        jobs: Iterator[Fill],
        consumers: list[str],
        ahead: ReadAhead,
    ) -> None:
        self._pool = pool
        self._jobs = jobs
        self._consumers = set(consumers)
        self._room = ahead.buffers
        self._depth = ahead.depth
        self._stop_asked = ahead.stop_asked
        self._name = ahead.name
        self._stall_seconds = ahead.stall_seconds
        self._changed = threading.Condition()
        self._feeding = threading.Lock()
        self._ready: dict[int, Parcel] = {}
        self._next_job = 0
        self._workers_left = ahead.depth
        self._stopped = False
        self._let_go: set[str] = set()
        self._held: dict[str, Parcel] = {}
        self._waited: dict[frozenset[str], Waited] = {}
        self.error: BaseException | None = None

    def start(self) -> None:
        """Begin reading."""
        for number in range(self._depth):
            threading.Thread(target=self._work, name=f"{self._name}-{number}", daemon=True).start()

    def stop(self) -> None:
        """End early: workers stop after their current read, consumers get `Stopped`."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()

    def wait_read(self, timeout: float) -> bool:
        """Wait until every job has been read (consumers may still be busy); False on timeout."""
        with self._changed:
            return self._changed.wait_for(lambda: self._workers_left == 0 or self._stopped, timeout)

    def wait_workers(self, timeout: float) -> bool:
        """Wait until no worker is running any more; False on timeout (one hangs in a read)."""
        with self._changed:
            return self._changed.wait_for(lambda: self._workers_left == 0, timeout)

    def waited(self) -> dict[frozenset[str], Waited]:
        """How long the reading has waited for a free buffer, by those who had anything left to do meanwhile: all other
        consumers were idle for want of it."""
        with self._changed:
            return {busy: replace(waited) for busy, waited in self._waited.items()}

    def let_go(self, consumer: str) -> bool:
        """Go on without a consumer that holds the others back: what it has in hand stays its own, and then `parcels`
        raises FellBehind there. False when it takes part no more, or has come to the end."""
        with self._changed:
            if consumer not in self._consumers:
                return False
            self._consumers.discard(consumer)
            self._let_go.add(consumer)
            held = self._held.get(consumer)
            for parcel in list(self._ready.values()):
                if parcel is not held:
                    self._settle(parcel, consumer)
            self._changed.notify_all()
            return True

    def drop(self, consumer: str, *, holds: Parcel | None = None) -> None:
        """A consumer leaves (its drive failed or hangs): nothing waits for it any more.

        `holds` is the parcel it may still be using: that buffer is never used again, because a call that hangs
        in the kernel may still touch it.
        """
        with self._changed:
            self._consumers.discard(consumer)
            for parcel in list(self._ready.values()):
                if parcel is holds and consumer in parcel.pending:
                    parcel.in_use = True
                self._settle(parcel, consumer)
            self._changed.notify_all()

    def parcels(self, consumer: str) -> Iterator[Parcel]:
        """All parcels in order for one consumer; hand each back by `done` before asking for the next.

        Raises Stopped when the stream was stopped or its end asked for, Stalled when nothing came for too long,
        FellBehind after `let_go`, or the error that ended the reading.
        """
        sequence = 0
        while True:
            with self._changed:
                self._wait_for(sequence, consumer)
                if consumer in self._let_go and not self._stopped:
                    raise FellBehind
                if self._stopped or consumer not in self._consumers:
                    raise Stopped
                parcel = self._ready.get(sequence)
                if parcel is None:
                    if self.error is not None:
                        raise self.error
                    self._consumers.discard(consumer)
                    return
                self._held[consumer] = parcel
            yield parcel
            sequence += 1

    def done(self, consumer: str, parcel: Parcel) -> None:
        """The consumer needs this parcel no more."""
        with self._changed:
            self._held.pop(consumer, None)
            self._settle(parcel, consumer)
            self._changed.notify_all()

    # --- inside, under the condition

    def _wait_for(self, sequence: int, consumer: str) -> None:
        """Until a parcel has arrived, or none will. A worker may hang in a read for ever: whoever waits must not."""
        waited_since = time.monotonic()
        while not self._arrived(sequence, consumer):
            if self._stop_asked():
                raise Stopped
            if self._stall_seconds is not None and time.monotonic() - waited_since > self._stall_seconds:
                raise Stalled
            self._changed.wait(_POLL_SECONDS)

    def _arrived(self, sequence: int, consumer: str) -> bool:
        return (
            self._stopped
            or sequence in self._ready
            or consumer not in self._consumers
            or (self._workers_left == 0 and sequence >= self._next_job)
            or (self._workers_left == 0 and self.error is not None)
        )

    def _settle(self, parcel: Parcel, consumer: str) -> None:
        if consumer not in parcel.pending:
            return
        parcel.pending.discard(consumer)
        if not parcel.pending:
            self._ready.pop(parcel.sequence, None)
            if not parcel.in_use:
                self._pool.give_back(parcel.buffer)
            self._room += 1

    # --- the workers

    def _next(self) -> tuple[int, Fill, Buffer] | None:
        with self._feeding:
            with self._changed:
                # wait for room inside the feeding lock: the earliest job always gets the next free buffer
                spell: dict[frozenset[str], float] = {}
                while self._room == 0 and not self._ended():
                    self._wait_for_room(spell)
                if self._ended():
                    return None
            job = next(self._jobs, None)
            if job is None:
                return None
            with self._changed:
                self._room -= 1
                sequence = self._next_job
                self._next_job += 1
            return sequence, job, self._pool.take()

    def _wait_for_room(self, spell: dict[frozenset[str], float]) -> None:
        pending = (parcel.pending for parcel in self._ready.values())
        busy = frozenset(self._consumers).intersection(frozenset().union(*pending))
        began = time.monotonic()
        self._changed.wait(_POLL_SECONDS)
        spent = time.monotonic() - began
        before = spell.get(busy, 0.0)
        spell[busy] = before + spent
        self._waited.setdefault(busy, Waited()).longer(before, spent)

    def _ended(self) -> bool:
        return self._stopped or self.error is not None or self._stop_asked()

    def _work(self) -> None:
        try:
            while (got := self._next()) is not None:
                sequence, job, buffer = got
                segments = job(buffer)
                with self._changed:
                    parcel = Parcel(sequence, buffer, segments, set(self._consumers))
                    if parcel.pending:
                        self._ready[sequence] = parcel
                    else:
                        self._pool.give_back(buffer)
                        self._room += 1
                    self._changed.notify_all()
        except BaseException as error:  # noqa: BLE001 - handed to every consumer, which raises it in its own thread
            with self._changed:
                self.error = self.error or error
        finally:
            with self._changed:
                self._workers_left -= 1
                if self._stop_asked():
                    self._stopped = True
                self._changed.notify_all()
