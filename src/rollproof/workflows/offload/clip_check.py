"""The look into a card's clips beside its offload: told the moment something is damaged, written into the records.

It never keeps a file from being copied, never changes what is proven, and never holds an offload up for long. Where
reading beside the passes could weaken their evidence (pages that must be shown to be gone), it is done before them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence

from rollproof.clips.check import ClipLook, LookHow, Looks, look_at_clips, with_zeros, workers_for
from rollproof.clips.words import duration_text, health_findings, rate_text
from rollproof.copying.zero_watch import ZeroWatch
from rollproof.media.zeros import SHORTEST_BYTES
from rollproof.models.errors import Interrupted
from rollproof.models.events import Emit, FindingRaised
from rollproof.models.findings import Finding, Severity
from rollproof.models.names import inert
from rollproof.models.requests import Cancel
from rollproof.models.volumes import MediumWay
from rollproof.records.rows import CLIP_HEALTH, ClipRow
from rollproof.storage.io import Io
from rollproof.workflows.offload.source import Source

_BESIDE_IS_HARMLESS = frozenset((MediumWay.DIRECT, MediumWay.WINDOWS_UNBUFFERED, MediumWay.NONE))
"""Direct reads of these pass by whatever another read left in the page cache; with no way there is nothing to lose."""

_BEFORE_SECONDS = 120.0
_AFTER_SECONDS = 10.0
_TICK_SECONDS = 0.05


class CardLook:
    """One card's look. `begin` before the first pass; `settle` when records are about to be written; then `close`."""

    def __init__(self, io: Io, card: Source, emit: Emit, *, stall_seconds: float) -> None:
        self._io = io
        self._card = card
        self._emit = emit
        self._stall_seconds = stall_seconds
        self._cancel = Cancel()
        self._lock = threading.Lock()
        self._looks: dict[int, ClipLook] = {}
        """By the clip's first file."""
        self._settled = False
        self._thread: threading.Thread | None = None
        self.zeros = ZeroWatch(SHORTEST_BYTES)
        """To be shown the first read of the card."""
        self.hangs = False
        """Whether a read still waits for the card: then its handles must not be closed."""

    def begin(self, cancel: Cancel) -> None:
        """Look now where that must come first, else start to look beside the passes, one file at a time."""
        if self._card.volume.way in _BESIDE_IS_HARMLESS:
            self._thread = threading.Thread(target=self._run, args=(1, None, self._cancel), name="looks", daemon=True)
            self._thread.start()
        else:
            self._run(workers_for(self._card.volume), _BEFORE_SECONDS, cancel)

    def _run(self, workers: int, seconds: float | None, cancel: Cancel) -> None:
        def told(_done: int, _of: int, look: ClipLook) -> None:
            self._note(look)

        card = self._card
        try:
            looks: Looks = look_at_clips(
                self._io, card.root, card.snapshot, list(card.clips),
                LookHow(workers, cancel=cancel, seconds=seconds, told=told, stall_seconds=self._stall_seconds),
            )  # fmt: skip
        except Interrupted:
            return
        self.hangs |= looks.hangs

    def _note(self, look: ClipLook) -> None:
        with self._lock:
            if self._settled:
                return
            self._looks[look.clip.files[0]] = look
        for finding in health_findings([look]) if look.state in ("damaged", "odd") else ():
            if finding.severity is not Severity.NOTE:
                self._emit(FindingRaised(self._card.roll, finding))

    def catch_up(self, cancel: Cancel) -> None:
        """Wait a little for a look that is still under way: the card is needed for it, and must not be called free."""
        until = time.monotonic() + min(_AFTER_SECONDS, self._stall_seconds / 2)
        while self._thread is not None and self._thread.is_alive() and time.monotonic() < until and not cancel.is_set():
            self._wait(_TICK_SECONDS)
        self._judge_zeros(cancel)

    def _judge_zeros(self, cancel: Cancel) -> None:
        """Clips whose picture data has long stretches of zeros are odd. Damaged ones were told already."""
        with self._lock:
            looks = [] if self._settled or not self.zeros else list(self._looks.values())
        for look in looks:
            stretches = self.zeros.of(look.clip.essence)
            if not stretches or look.state == "damaged" or cancel.is_set():
                continue
            odd = with_zeros(self._io, self._card.root, self._card.snapshot, look, stretches)
            if odd is not look:
                self._note(odd)

    def settle(self) -> None:
        """From here on nothing changes: what is not known by now stays unknown. The wait for it is short."""
        with self._lock:
            if self._settled:
                return
        self._wait(min(_AFTER_SECONDS, self._stall_seconds / 2))
        with self._lock:
            if not self._settled:
                self._settled = True
                self._card.clips[:] = [look.clip for look in self._all()]

    def _wait(self, seconds: float) -> None:
        if self._thread is not None:
            self._thread.join(seconds)

    def _all(self) -> list[ClipLook]:
        return [self._looks.get(clip.files[0]) or ClipLook(clip, note="not looked at") for clip in self._card.clips]

    def findings(self) -> list[Finding]:
        """What is wrong with clips, damaged first. After `settle`."""
        return health_findings(self._all()) if self._settled else []

    def rows(self) -> Iterator[ClipRow]:
        """The clips for a record. After `settle`."""
        for look in self._all():
            clip, facts = look.clip, look.facts
            yield ClipRow(
                clip.name,
                len(clip.files),
                clip.size_bytes,
                duration=duration_text(facts.duration_seconds),
                timecode=inert(facts.start_timecode) or None,
                frame_rate=rate_text(facts.frame_rate),
                health=clip.health if clip.health in CLIP_HEALTH else "unknown",
                state=look.state if look.state == "odd" else None,
                resolution=f"{facts.width}x{facts.height}" if facts.width and facts.height else None,
                codec=inert(facts.codec) or None,
            )

    def metadata(self) -> Mapping[int, Mapping[str, str]]:
        """What the open standard's `metadata` may say of a clip's first original, by index. After `settle`."""
        found: dict[int, Mapping[str, str]] = {}
        for look, row in zip(self._all(), self.rows(), strict=True):
            if look.clip.essence:
                told = {
                    "name": inert(row.name), "health": row.health, "duration": row.duration, "timecode": row.timecode,
                    "framerate": row.frame_rate, "resolution": row.resolution, "codec": row.codec,
                }  # fmt: skip
                found[look.clip.essence[0]] = {name: text for name, text in told.items() if text}
        return found

    def close(self) -> None:
        """End the look. Waits a moment for the read that is under way."""
        self._cancel.set()
        self._wait(1.0)
        self.hangs |= self._thread is not None and self._thread.is_alive()


def layout_words(ids: Sequence[str]) -> str:
    """The layouts of these ids as people know them, each once."""
    from rollproof.card.layouts import all_layouts  # noqa: PLC0415 - ten small files, only where they are asked for

    words = {layout.id: layout.words for layout in all_layouts()}
    return "; ".join(dict.fromkeys(words[each] for each in ids if each in words))
