"""A small station for workflow tests: a card, drives, and the real workflows on a real file system."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from rollproof.ascmhl.folder import C4Sum
from rollproof.models.events import CardFree, Event, Leg, LegStarted
from rollproof.models.requests import Cancel, OffloadRequest, VerifyRequest
from rollproof.models.results import OffloadResult, RollResult, VerifyResult
from rollproof.reading.settings import Settings
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.workflows.offload import offload
from rollproof.workflows.verify import verify
from support.movies import SMALLEST, whole_movie

CLIPS = {
    "CLIP/A003C001_260514.mov": 300_000,
    "CLIP/A003C001_260514.xml": 120,
    "CLIP/A003C002_260514.mov": 70_001,
    "CLIP/A003C003_260514.mov": 5_000,
    "NOTES.TXT": 12,
}
_WHEN = 1_747_210_000_000_000_000
SMALL = Settings(block_bytes=64 << 10, small_file_bytes=16 << 10, stall_seconds=3, cancel_seconds=1)


def fill(folder: Path, sizes: dict[str, int], *, salt: bytes = b"") -> None:
    """Files of these sizes, all from the same afternoon. Movies are whole, where there is room for an index."""
    for name, size in sizes.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        unit = salt + os.fsencode(name)
        content = (unit * (size // len(unit) + 1))[:size]
        if name.endswith(".mov") and size >= SMALLEST:
            content = whole_movie(size, unit)
        path.write_bytes(content)
        os.utime(path, ns=(_WHEN, _WHEN))


def change_quietly(path: Path, at: int = 1_000) -> None:
    """Other bytes under the same size and date: what only a hash can see."""
    before = path.stat()
    content = bytearray(path.read_bytes())
    content[at] ^= 0x40
    path.write_bytes(bytes(content))
    os.utime(path, ns=(before.st_mtime_ns, before.st_mtime_ns))


def tree(folder: Path, *, own: bool = False) -> dict[str, bytes]:
    """Every file below a folder by relative path; our own histories only with `own`."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and (own or path.relative_to(folder).parts[0] not in ("rollproof", "ascmhl"))
    }


def add_patterns(roll: Path, patterns: list[str]) -> None:
    """What somebody with any tool of the open standard can do: a manifest with more ignore patterns, in the chain."""
    (manifest,) = (roll / "ascmhl").glob("0001_*.mhl")
    extra = "".join(f"<pattern>{pattern}</pattern>" for pattern in patterns)
    text = manifest.read_text().replace("</ignore>", extra + "</ignore>")
    manifest.write_text(text)
    total = C4Sum()
    list(total.over([text.encode()]))
    chain = roll / "ascmhl" / "ascmhl_chain.xml"
    before, _, rest = chain.read_text().partition("<c4>")
    chain.write_text(f"{before}<c4>{total.text}</c4>{rest.partition('</c4>')[2]}")


@dataclass
class Station:
    """One card and two drives below one temporary folder."""

    top: Path
    events: list[Event] = field(default_factory=list)

    def __post_init__(self) -> None:
        fill(self.card, CLIPS)
        for drive in (self.one, self.two):
            drive.mkdir()

    @property
    def card(self) -> Path:
        """The card."""
        return self.top / "A003"

    @property
    def one(self) -> Path:
        """A drive."""
        return self.top / "primary"

    @property
    def two(self) -> Path:
        """Another drive."""
        return self.top / "backup"

    def roll(self, drive: Path) -> Path:
        """The roll folder on a drive."""
        return drive / "A003"

    def offload(
        self,
        *,
        io: Io | None = None,
        drives: Any = None,
        cancel: Cancel | None = None,
        on_event: Callable[[Event], None] = lambda event: None,
        now: datetime | None = None,
        **changes: Any,
    ) -> OffloadResult:
        """Run the workflow."""

        def emit(event: Event) -> None:
            self.events.append(event)
            on_event(event)

        given: dict[str, Any] = {
            "cards": (os.fsencode(self.card),),
            "destinations": (os.fsencode(self.one), os.fsencode(self.two)),
            "working_folder": os.fsencode(self.top),
            **changes,
        }
        return offload(
            OffloadRequest(**given),
            Context.of(emit=emit, cancel=cancel or Cancel(), io=io, drives=drives, settings=SMALL, now=now),
        )

    def offload_interrupted(self) -> OffloadResult:
        """Ctrl-C at the last moment: everything is written on both drives, nothing is sealed on either."""
        cancel = Cancel()
        reading_back: set[str] = set()
        both = threading.Event()

        def on_event(event: Event) -> None:
            if isinstance(event, LegStarted) and event.leg is Leg.READ_BACK:
                reading_back.add(event.drive)
                if len(reading_back) == 2:
                    both.set()
            elif isinstance(event, CardFree):
                assert both.wait(60)
                cancel.set()

        return self.offload(cancel=cancel, on_event=on_event)

    def offload_one(self, **given: Any) -> RollResult:
        """Run the workflow for the one card."""
        return self.offload(**given).rolls[0]

    def verify(self, *paths: Path, **given: Any) -> VerifyResult:
        """Verify folders, both drives by default."""
        chosen = tuple(os.fsencode(path) for path in paths or (self.one, self.two))
        return verify(
            VerifyRequest(paths=chosen, **given), Context.of(emit=self.events.append, cancel=Cancel(), settings=SMALL)
        )

    def records(self, drive: Path) -> list[dict[str, Any]]:
        """All records of the roll on a drive, in order."""
        return [json.loads(path.read_text()) for path in sorted((self.roll(drive) / "rollproof").glob("*.json"))]

    def kinds(self, result: OffloadResult | RollResult | VerifyResult, severity: str = "error") -> set[str]:
        """Kinds of all findings of a severity, wherever they stand."""
        found: set[str] = set()

        def walk(value: Any) -> None:
            if isinstance(value, dict):
                if value.get("severity") == severity:
                    found.add(value["kind"])
                for inner in value.values():
                    walk(inner)
            elif isinstance(value, list):
                for inner in value:
                    walk(inner)

        walk(result.model_dump(mode="json"))
        return found
