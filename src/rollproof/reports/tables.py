"""The report's tables as CSV (RFC 4180), safe to open in a spreadsheet.

A cell that a spreadsheet would take for a formula (it begins with `=`, `+`, `-` or `@`, blanks aside) gets an
apostrophe before it. Control characters are shown, never written.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from rollproof.models.names import inert
from rollproof.reports.model import Report

_ACTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What begins a formula, in the full-width forms too."""

ROLLS: tuple[str, ...] = (
    "production",
    "day",
    "unit",
    "camera",
    "roll",
    "state",
    "proven_copies",
    "copies_required",
    "clips",
    "files",
    "bytes",
    "duration_seconds",
    "durations_unknown",
    "first_clip",
    "last_clip",
    "offloaded_at",
    "offloaded_by",
    "card",
    "card_volume",
    "permit",
    "permit_at",
    "drives",
    "findings_errors",
)
CLIPS: tuple[str, ...] = (
    "production",
    "day",
    "roll",
    "camera",
    "clip",
    "health",
    "timecode",
    "duration",
    "duration_seconds",
    "frame_rate",
    "resolution",
    "codec",
    "files",
    "bytes",
    "hash",
    "path",
)


def cell(value: object) -> str:
    """One value as it may stand in a spreadsheet; nothing for what is not known."""
    if value is None:
        return ""
    if isinstance(value, int | float):
        return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
    text = inert(str(value))
    return "'" + text if text.lstrip().startswith(_ACTS) else text


def rolls_csv(report: Report) -> str:
    """One line per roll."""
    return _csv(
        ROLLS,
        (
            (
                roll.production,
                roll.day,
                roll.unit,
                roll.camera,
                roll.roll,
                roll.state,
                roll.devices_proven,
                roll.copies_required,
                roll.clips_count,
                roll.files,
                roll.bytes,
                roll.duration_seconds,
                roll.durations_unknown,
                roll.first_clip,
                roll.last_clip,
                roll.offloaded_at.isoformat(),
                roll.offloaded_by.name or roll.offloaded_by.role,
                roll.card.label if roll.card else None,
                roll.card.serial if roll.card else None,
                roll.permit.state if roll.permit else None,
                roll.permit.at.isoformat() if roll.permit else None,
                "; ".join(f"{copy.drive}: {copy.state}" for copy in roll.copies),
                sum(finding.severity == "error" for finding in roll.findings),
            )
            for roll in report.rolls
        ),
    )


def clips_csv(report: Report) -> str:
    """One line per clip."""
    return _csv(
        CLIPS,
        (
            (
                roll.production,
                roll.day,
                roll.roll,
                roll.camera,
                clip.name,
                clip.health,
                clip.timecode,
                clip.duration,
                clip.duration_seconds,
                clip.frame_rate,
                clip.resolution,
                clip.codec,
                clip.files,
                clip.bytes,
                clip.hash,
                clip.path,
            )
            for roll in report.rolls
            for clip in roll.clips
        ),
    )


def _csv(head: Sequence[str], lines: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(head)
    writer.writerows([cell(value) for value in line] for line in lines)
    return out.getvalue()
