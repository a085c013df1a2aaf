"""An offload is remembered before its first byte is written, until every copy of it is all there."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence

from rollproof.ledger.entries import BegunNote, DriveIdentity
from rollproof.models.command_lines import command_line
from rollproof.station.context import Context
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.run import RollRun
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork


def begin_copies(
    source: Source, targets: Iterable[DriveAtWork], order: Order, day: str | None, ctx: Context
) -> list[BegunNote]:
    """Let the station remember which copies are begun, and the command that finishes them."""
    day, unit = source.day_and_unit(order, day)
    known, now, command = source.known_as, ctx.now(), finishing_command(order)
    notes = [
        BegunNote(
            volume=DriveIdentity.of(at.volume).volume_text,
            folder=at.folder_on_volume,
            drive=at.drive,
            path=os.path.abspath(at.roll_folder),
            roll=source.roll,
            production=source.production(order) or "",
            day=day,
            unit=unit,
            source_kind=source.kind,
            source=os.path.abspath(order.named),
            serial=known.serial,
            listing_digest=source.snapshot.listing_digest,
            command=command,
            run=ctx.station.at_work.run,
            began_at=now,
        )
        for at in targets
        if not at.all_covered
    ]
    if notes:
        ctx.station.tell(lambda ledger: ledger.begin_copies(notes))
    return notes


def end_copies(notes: Sequence[BegunNote], run: RollRun, ctx: Context) -> None:
    """The run has ended: what is all there is no longer remembered as begun."""
    if not notes:
        return
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    finished = [
        os.path.abspath(at.roll_folder)
        for at in run.targets.drives
        if lanes[at.drive].failure is None and lanes[at.drive].state in ("proven", "copied")
    ]
    ctx.station.tell(lambda ledger: ledger.end_copies(notes, finished, ctx.now()))


def finishing_command(order: Order) -> str:
    """The command of this offload for the one card it is about: it works in whatever folder it is given."""
    asked = order.request
    words: list[str | bytes] = ["rollproof", "offload", os.path.abspath(order.named)]
    for folder in asked.destinations:
        words += ["--to", os.path.abspath(folder)]
    given = {
        "--roll": asked.roll,
        "--production": os.path.abspath(order.production_path) if order.production_path is not None else None,
        "--day": asked.day,
        "--unit": asked.unit,
        "--by": asked.person.name,
        "--role": asked.person.role,
        "--expect-clips": str(asked.expect_clips) if asked.expect_clips is not None else None,
        "--expect-last": asked.expect_last,
    }
    for option, value in given.items():
        if value:
            words += [option, value]
    for name in asked.hashes:
        words += ["--hash", name]
    words += ["--single-read"] if asked.single_read else []
    words += ["--system-disk"] if asked.system_disk else []
    return command_line(words)
