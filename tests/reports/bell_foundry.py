"""Reports made up for tests and for a look at the page: The Bell Foundry, as small or as large as wanted."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any

from rollproof.reports.model import (
    CardOfReport,
    ClipOfReport,
    CopyOfReport,
    FindingOfReport,
    PermitOfReport,
    PersonOfReport,
    Report,
    RollOfReport,
    SpeedOfReport,
)
from rollproof.reports.totals import by_day_and_camera, camera_of, drive_of, total_of, totals_by

WHEN = datetime(2026, 5, 14, 20, 15, tzinfo=UTC)
WRANGLER = PersonOfReport(name="", role="data wrangler")
POSTER = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGNgYGAAAAAEAAH2FzhVAAAAAElFTkSuQmCC"
)


def a_clip(number: int = 1, roll: str = "A003", **changes: Any) -> ClipOfReport:
    """A clip of which everything is known."""
    clip = ClipOfReport(
        name=f"{roll}C{number:03}_260514", files=2, bytes=4_000_000_000 + number, health="sound",
        path=f"CLIP/{roll}C{number:03}_260514.mov", hash="xxh128:" + "0123456789abcdef" * 2, duration="00:01:30.000",
        duration_seconds=90.0, timecode="10:42:07:00", frame_rate="25", resolution="3840x2160", codec="ProRes",
    )  # fmt: skip
    return clip.model_copy(update=changes)


def a_copy_of_report(drive: str = "primary", **changes: Any) -> CopyOfReport:
    """A proven copy that was looked at."""
    copy = CopyOfReport(
        drive=drive, role=drive, device="Bell Disk", serial="BD-1", state="proven", proof="medium", why="",
        state_at=WHEN, known_from="drive", folder=f"the-bell-foundry/{drive}/A003", bytes_per_second=412e6,
    )  # fmt: skip
    return copy.model_copy(update=changes)


def a_report_roll(roll: str = "A003", count: int = 3, **changes: Any) -> RollOfReport:
    """A roll with two proven copies and a permit."""
    made = [a_clip(number + 1, roll) for number in range(count)]
    out = RollOfReport(
        roll=roll, production="The Bell Foundry", day="2026-05-14", unit="main", camera=roll[0], state="proven",
        devices_proven=2, copies_required=2, files=count * 2, bytes=sum(clip.bytes for clip in made),
        clips_count=count, duration_seconds=90.0 * count, durations_unknown=0,
        first_clip=made[0].name if made else "", last_clip=made[-1].name if made else "", offloaded_at=WHEN,
        offloaded_by=WRANGLER,
        card=CardOfReport(
            label="A003", serial="1A2B-3C4D", capacity_bytes=256_000_000_000, file_system="exfat",
            reads=["medium", "medium"],
        ),
        copies=[a_copy_of_report(), a_copy_of_report("backup", known_from="ledger")], clips=made, findings=[],
        permit=PermitOfReport(state="given", at=WHEN, by=WRANGLER, detail="basis: reread"),
    )  # fmt: skip
    return out.model_copy(update=changes)


def a_report(*rolls: RollOfReport, **changes: Any) -> Report:
    """The report over these rolls; a proven one when none is given."""
    chosen = list(rolls) or [a_report_roll()]
    footage = {total.name: total.bytes for total in totals_by(chosen, lambda roll: roll.day)}
    drives = [
        drive_of(
            drive="primary", role="primary", device="Bell Disk", serial="BD-1", capacity_bytes=4_000_000_000_000,
            free_bytes=3_000_000_000_000, footage_by_day=footage,
        )
    ]  # fmt: skip
    report = Report(
        scope="day", productions=["The Bell Foundry"], day="2026-05-14", days=sorted(footage), units=["main"],
        people=[WRANGLER], made_at=WHEN, made_by=WRANGLER, station="cart-1", version="0.1.0",
        looked_at=["/mnt/primary"], rolls=chosen, total=total_of("all rolls", chosen),
        per_camera=totals_by(chosen, camera_of), per_day=totals_by(chosen, lambda roll: roll.day),
        cameras_by_day=by_day_and_camera(chosen), drives=drives, speeds=[a_speed()], notes=[],
    )  # fmt: skip
    return report.model_copy(update=changes)


def a_speed(drive: str = "primary", **changes: Any) -> SpeedOfReport:
    """A copy that was read back in 25 seconds."""
    speed = SpeedOfReport(
        drive=drive, roll="A003", started_at=WHEN, seconds=25.0, bytes=10_000_000_000, stretch_seconds=10.0,
        stretches=[4_200_000_000, 4_000_000_000, 1_800_000_000],
    )  # fmt: skip
    return speed.model_copy(update=changes)


def a_production(days: int = 12, rolls: int = 150, seed: int = 1) -> Report:
    """A whole production with some rolls that lack copies; the same for the same seed."""
    chance = Random(seed)
    made, speeds = [], []
    for number in range(rolls):
        day = number * days // rolls
        camera = "AABBS"[number % 5]
        roll = f"{camera}{number // 5 + 1:03}"
        bad = number % 37 == 36
        when = WHEN + timedelta(days=day, minutes=number % 12 * 50 - 600)
        finding = FindingOfReport(
            severity="warning", kind="odd-clip", path="", detail="a clip is odd: its sidecar is cut short", drive=""
        )
        changes: dict[str, Any] = {
            "day": (date(2026, 5, 14) + timedelta(days=day)).isoformat(), "offloaded_at": when,
            "unit": ("main", "second", "aerial")[number % 3], "findings": [finding] if number % 9 == 0 else [],
            "state": "too few copies" if bad else "proven", "devices_proven": 1 if bad else 2,
            "permit": None if bad else PermitOfReport(state="given", at=when, by=WRANGLER, detail="basis: reread"),
        }  # fmt: skip
        made.append(a_report_roll(roll, chance.randint(4, 24), **changes))
        for drive, pace in (("primary", 4e9), ("backup", 1.5e9), ("shuttle", 2.2e9 * (1 - 0.5 * number / rolls))):
            moved = [int(pace * chance.uniform(0.9, 1.05)) for _ in range(3)]
            speeds.append(a_speed(drive, roll=roll, started_at=when, seconds=30.0, bytes=sum(moved), stretches=moved))
    footage = {total.name: total.bytes for total in totals_by(made, lambda roll: roll.day)}
    drives = [
        drive_of(
            drive=drive, role=drive, device="Bell Disk", serial=f"BD-{number}", capacity_bytes=capacity,
            free_bytes=free, footage_by_day=footage,
        )
        for number, (drive, capacity, free) in enumerate(
            [("primary", 16 * 10**12, 6 * 10**12), ("backup", 12 * 10**12, 4 * 10**11), ("shuttle", 8 * 10**12, None)]
        )
    ]  # fmt: skip
    return a_report(
        *made, scope="production", day=None, units=["aerial", "main", "second"], drives=drives, speeds=speeds
    )
