"""Event streams of made-up offloads, for the tests of the screen and for looking at it.

    python tests/cli/replay.py [clean|trouble|behind|two] [--faster N] [any option of `rollproof offload`]

plays one in real time (or N times as fast) through the real command line, with a stand-in for the workflow.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from rollproof.copying.falling_behind import fell_behind, had_fallen_behind
from rollproof.models.errors import ExitStatus
from rollproof.models.events import (
    CardFree,
    DriveDone,
    DrivePlan,
    Event,
    FindingRaised,
    Leg,
    LegEnded,
    LegStarted,
    Moved,
    RollPlanned,
    StillNeeded,
)
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.requests import OffloadRequest
from rollproof.models.results import CopyState, DestinationResult, OffloadResult, RollResult
from rollproof.station.context import Context

Timed = tuple[float, Event]
GB = 1_000_000_000
GONE = Finding(
    Kind.DRIVE_GONE,
    Severity.ERROR,
    "",
    "the drive does not answer any more; 9 files on it are whole, but not proven",
    drive="shuttle",
    remedy="connect the drive again, then run the same command again",
)


@dataclass(frozen=True)
class Roll:
    """A made-up card. Speeds in bytes per second; `lost` drives go away half way through writing."""

    name: str = "A003"
    card: str = "/media/A003"
    clips: int = 23
    size_bytes: int = 64 * GB
    read: float = 0.8 * GB
    write: dict[str, float] = field(
        default_factory=lambda: {"primary": 0.8 * GB, "backup": 0.7 * GB, "shuttle": 0.5 * GB}
    )
    read_back: dict[str, float] = field(
        default_factory=lambda: {"primary": 1.2 * GB, "backup": 1.0 * GB, "shuttle": 0.6 * GB}
    )
    lost: frozenset[str] = frozenset()
    behind: dict[str, float] = field(default_factory=dict)
    """Drives that the others go on without once this part of the roll is on them."""
    needed: StillNeeded | None = None
    """Who needs the drives after this roll."""

    def clip(self, done: float) -> str:
        """The file at a fraction of the roll."""
        number = min(int(done * self.clips) + 1, self.clips)
        return f"CLIPS/{self.name}C{number:03d}_260514_R7QK/{self.name}C{number:03d}_260514_R7QK.mov"

    def plan(self) -> RollPlanned:
        """What stands before the first byte."""
        drives = tuple(
            DrivePlan(
                drive=drive,
                role=drive,
                path=f"/mnt/{drive}/the-bell-foundry/2026-05-14/{self.name}",
                write_files=self.clips,
                write_bytes=self.size_bytes,
                read_back_files=self.clips,
                read_back_bytes=self.size_bytes,
                already_proven_files=0,
            )
            for drive in self.write
        )
        first, last = (f"{self.name}C{number:03d}_260514_R7QK" for number in (1, self.clips))
        return RollPlanned(
            self.name, self.card, self.clips, self.clips, self.size_bytes, 2, drives, "CONTENTS/CLIPS",
            roll_from="the names of the clips", first_clip=first, last_clip=last,
        )  # fmt: skip

    def events(self, start: float = 0.0, step: float = 0.25) -> list[Timed]:
        """Every event with its second, in order."""
        out: list[Timed] = [(start, self.plan())]
        first = self._leg(Leg.READ_CARD, "", start, self.size_bytes / self.read, step)
        second = self._leg(Leg.READ_CARD_AGAIN, "", first[-1][0], self.size_bytes / self.read, step)
        out += [*first, *second, (second[-1][0], CardFree(self.name))]
        for drive, speed in self.write.items():
            if drive in self.lost:
                out += self._lost(drive, start, speed, step)
                continue
            if drive in self.behind:
                out += self._behind(drive, start, step)
                continue
            write = self._leg(Leg.WRITE, drive, start, self.size_bytes / speed, step)
            back = self._leg(Leg.READ_BACK, drive, write[-1][0] + 0.5, self.size_bytes / self.read_back[drive], step)
            record = self._leg(Leg.RECORD, drive, max(back[-1][0], second[-1][0]), 0.5, step, size_bytes=0)
            done = record[-1][0] + 0.1
            caught_up = max((self._caught_up(slow, start) for slow in self.behind), default=start)
            out += [
                *write,
                *back,
                *record,
                (
                    done,
                    DriveDone(
                        self.name, drive, "proven", StillNeeded.SLOWER_DRIVE if caught_up > done else self.needed
                    ),
                ),
            ]
            if caught_up > done:
                out.append((caught_up, DriveDone(self.name, drive, "proven", self.needed)))
        return sorted(out, key=lambda timed: timed[0])

    def _leg(
        self,
        leg: Leg,
        drive: str,
        start: float,
        seconds: float,
        step: float,
        *,
        size_bytes: int | None = None,
    ) -> list[Timed]:
        total = self.size_bytes if size_bytes is None else size_bytes
        out: list[Timed] = [(start, LegStarted(self.name, leg, drive, self.clips, total))]
        steps = max(int(seconds / step), 1)
        files = 0
        for number in range(1, steps + 1):
            at, done = start + seconds * number / steps, number / steps
            bytes_now = total * number // steps - total * (number - 1) // steps
            files_now = int(done * self.clips) - files
            files += files_now
            out.append((at, Moved(self.name, leg, drive, bytes_now, files_now, self.clip(done))))
        out.append((start + seconds, LegEnded(self.name, leg, drive, True)))
        return out

    def _first_flushed(self, start: float) -> float:
        return min(start + self.size_bytes / speed for drive, speed in self.write.items() if drive not in self.behind)

    def _caught_up(self, drive: str, start: float) -> float:
        return self._first_flushed(start) + self.size_bytes * (1 - self.behind[drive]) / self.write[drive]

    def _behind(self, drive: str, start: float, step: float) -> list[Timed]:
        """Writing until it is let go of, waiting for the first other drive, catching up, and then as usual."""
        size = int(self.size_bytes * self.behind[drive])
        let_go = start + size / self.write[drive]
        write = self._leg(Leg.WRITE, drive, start, let_go - start, step, size_bytes=size)
        write[0] = start, LegStarted(self.name, Leg.WRITE, drive, self.clips, self.size_bytes)
        write.insert(-1, (let_go, FindingRaised(self.name, fell_behind(drive))))
        begins, ends = self._first_flushed(start), self._caught_up(drive, start)
        rest = self._leg(Leg.CATCH_UP, drive, begins, ends - begins, step, size_bytes=self.size_bytes - size)
        rest[0] = let_go, rest[0][1]
        back = self._leg(Leg.READ_BACK, drive, ends + 0.5, self.size_bytes / self.read_back[drive], step)
        record = self._leg(Leg.RECORD, drive, back[-1][0], 0.5, step, size_bytes=0)
        done = DriveDone(self.name, drive, "proven", self.needed)
        return [*write, *rest, *back, *record, (record[-1][0] + 0.1, done)]

    def _lost(self, drive: str, start: float, speed: float, step: float) -> list[Timed]:
        whole = self._leg(Leg.WRITE, drive, start, self.size_bytes / speed, step)
        out = whole[: len(whole) // 2]
        at = out[-1][0]
        return [
            *out,
            (at, FindingRaised(self.name, GONE)),
            (at, LegEnded(self.name, Leg.WRITE, drive, False)),
            (at, DriveDone(self.name, drive, "failed")),
        ]

    def result(self, seconds: float) -> RollResult:
        """How it ends."""
        proven = [drive for drive in self.write if drive not in self.lost]
        return RollResult(
            roll=self.name,
            card_path=self.card,
            verdict="not proven" if self.lost else "proven",
            enough_copies=len(proven) >= 2,
            copies_required=2,
            copies_counted=len(proven),
            files=self.clips,
            bytes=self.size_bytes,
            clips=self.clips,
            source_reads=2,
            source_evidence=["medium", "medium"],
            destinations=[self._destination(drive) for drive in self.write],
            findings=[],
            seconds={"total": seconds},
            status=ExitStatus.NOT_FINISHED if self.lost else ExitStatus.DONE,
        )

    def _destination(self, drive: str) -> DestinationResult:
        lost, behind = drive in self.lost, drive in self.behind
        state: CopyState = "failed" if lost else "proven"
        return DestinationResult(
            path=f"/mnt/{drive}/the-bell-foundry/2026-05-14/{self.name}",
            drive=drive,
            role=drive,
            state=state,
            files_proven=0 if lost else self.clips,
            files_copied=9 if lost else self.clips,
            files_total=self.clips,
            readback=None if lost else "medium",
            findings=[GONE] if lost else [had_fallen_behind(drive)] if behind else [],
        )


SCENARIOS: dict[str, list[Roll]] = {
    "clean": [Roll()],
    "trouble": [Roll(lost=frozenset({"shuttle"}))],
    "behind": [
        Roll(write={"primary": 0.8 * GB, "backup": 0.7 * GB, "shuttle": 0.1 * GB}, behind={"shuttle": 0.05}),
    ],
    "two": [
        Roll(size_bytes=16 * GB, needed=StillNeeded.MORE_ROLLS),
        Roll("B002", "/media/B002", 11, size_bytes=12 * GB),
    ],
}


def timeline(rolls: list[Roll]) -> Iterator[Timed]:
    """The rolls one after the other."""
    start = 0.0
    for roll in rolls:
        last = start
        for at, event in roll.events(start):
            last = at
            yield at, event
        start = last + 1.0


def result_of(rolls: list[Roll]) -> OffloadResult:
    """The result of the whole."""
    results = [roll.result(seconds=roll.events()[-1][0]) for roll in rolls]
    return OffloadResult(
        verdict="proven" if all(result.verdict == "proven" for result in results) else "not proven",
        rolls=results,
        status=max(result.status for result in results),
    )


def player(rolls: list[Roll], wait: Callable[[float], None]) -> Callable[..., OffloadResult]:
    """A stand-in for the offload workflow that plays the rolls; `wait` is told the second each event belongs to."""

    def offload(request: OffloadRequest, ctx: Context) -> OffloadResult:
        for at, event in timeline(rolls):
            wait(at)
            if ctx.cancel.is_set():
                return _stopped(rolls)
            ctx.emit(event)
        return result_of(rolls)

    return offload


def _stopped(rolls: list[Roll]) -> OffloadResult:
    result = result_of(rolls[:1]).rolls[0]
    changes = {"verdict": "not proven", "interrupted": True, "status": ExitStatus.INTERRUPTED}
    destinations = [
        each.model_copy(update={"state": "incomplete", "files_proven": 0, "files_copied": 7, "readback": None})
        for each in result.destinations
    ]
    return OffloadResult(
        verdict="not proven",
        rolls=[result.model_copy(update={**changes, "destinations": destinations})],
        status=ExitStatus.INTERRUPTED,
    )


def main() -> None:
    """Play a scenario on this terminal."""
    from rollproof.cli.boundary import run  # noqa: PLC0415 - the tests need none of this
    from rollproof.cli.session import Session  # noqa: PLC0415

    arguments = sys.argv[1:]
    scenario = arguments.pop(0) if arguments and arguments[0] in SCENARIOS else "clean"
    faster = float(arguments.pop(1)) if arguments[:1] == ["--faster"] else 1.0
    arguments = arguments[1:] if arguments[:1] == ["--faster"] else arguments
    began = time.monotonic()

    def wait(at: float) -> None:
        time.sleep(max(began + at / faster - time.monotonic(), 0.0))

    rolls = SCENARIOS[scenario]
    session = Session(
        replaced={"offload": player(rolls, wait)},
        clock=lambda: (time.monotonic() - began) * faster,
    )
    cards = [roll.card for roll in rolls]
    sys.exit(run(["offload", *cards, "--to", "/mnt/primary", *arguments], session))


if __name__ == "__main__":
    main()
