"""What is said before a card is copied: what its drives are to get, and what keeps the copying from beginning."""

from __future__ import annotations

from rollproof.card.clips import first_and_last
from rollproof.copying.plan import Action
from rollproof.drives.power import on_battery
from rollproof.ledger.ledger import Ledger
from rollproof.models.events import DrivePlan as PlannedDrive
from rollproof.models.events import RollPlanned
from rollproof.models.file_table import size_of
from rollproof.models.findings import Finding, Kind, Severity, note
from rollproof.models.names import shown
from rollproof.station.pace import last_pace
from rollproof.workflows.offload.clip_check import layout_words
from rollproof.workflows.offload.preflight import Preflight
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork


def forbids(finding: Finding, source: Source) -> bool:
    """Errors forbid the start, but for those that are about single things in the source: the rest is still copied."""
    return finding.severity is Severity.ERROR and (bool(finding.drive) or finding.kind not in source.copied_around)


def power_note() -> list[Finding]:
    """A note where this computer runs on its battery."""
    if not on_battery():
        return []
    return [
        note(
            Kind.ON_BATTERY,
            "this computer runs on its battery",
            remedy="plug it in: an offload that stops halfway costs time",
        )
    ]


def planned(card: Source, checked: Preflight, ledger: Ledger | None = None) -> RollPlanned:
    """What every drive is to get, how often the card is read for it, and, from the ledger, how long it will take."""
    files = card.snapshot.files

    def plan(at: DriveAtWork) -> PlannedDrive:
        write = at.plan.numbers(Action.COPY, Action.REPLACE)
        back = at.plan.numbers(Action.COPY, Action.REPLACE, Action.HASH)
        known = last_pace(ledger, at.volume)
        return PlannedDrive(
            at.drive,
            at.role,
            shown(at.roll_folder),
            len(write),
            size_of(files, write),
            len(back),
            size_of(files, back),
            len(at.plan.expected),
            at.volume.free_bytes + at.leftover_bytes if at.volume.capacity_bytes else None,
            known.seconds(size_of(files, write), size_of(files, back)) if known is not None else None,
        )

    ends = first_and_last(card.clips)
    return RollPlanned(
        card.roll,
        shown(card.path),
        len(card.clips),
        len(files),
        card.snapshot.size_bytes,
        card.passes,
        tuple(plan(at) for at in checked.drives),
        layout_words([clip.layout for clip in card.clips]),
        roll_from=card.roll_from,
        first_clip=ends[0].name if ends else "",
        last_clip=ends[1].name if ends else "",
        of_copy=card.kind == "copy",
        number=card.place[0],
        total=card.place[1],
    )
