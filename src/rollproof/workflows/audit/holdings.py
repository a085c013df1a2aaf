"""Which drive of an audit lacks which roll: the facts for `proof.holdings`, and the finding with the command."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from rollproof.copies.filling import Filling, fill_command, lack_finding
from rollproof.models.findings import Kind
from rollproof.models.names import collision_key, inert
from rollproof.production.drives import folder_on, named_drive
from rollproof.production.model import Production
from rollproof.proof.holdings import DriveFacts, RollFacts, lacking
from rollproof.workflows.audit.copy import COUNTED, CopyLook, Place, Told
from rollproof.workflows.audit.rolls import Roll

_NOT_THERE = ("empty",)
"""States of copies of which nothing lies on the drive."""


def missing_on_drives(places: Sequence[Place], rolls: Sequence[Roll], production: Production | None) -> list[Told]:
    """One finding for each drive that lacks rolls. Folders that are only a part of a drive, and drives that could not
    be looked at to the end, lack nothing."""
    chosen = [roll for roll in rolls if _belongs(roll, production)]
    whole = [place for place in places if _is_whole(place, production)]
    facts = [_facts(place, rolls, production) for place in whole]
    on = [RollFacts(number, _lies_on(roll, whole), _unit(roll)) for number, roll in enumerate(chosen)]
    told = []
    for lack in lacking(facts, on):
        place = places[lack.drive]
        base = _base(place, rolls, production)
        removed = [number for number in lack.rolls if _says_removed(chosen[number], place, production, base)]
        short = [_filling(chosen[number], place, production) for number in lack.rolls if number not in removed]
        if not short:
            continue
        finding = lack_finding(_words(place, production), lack.severity, short, len(chosen), base)
        told.append(Told("completeness", finding, short[0].roll if len(short) == 1 else ""))
    return told


def _belongs(roll: Roll, production: Production | None) -> bool:
    """Whether it is a roll of the production of which something lies anywhere."""
    there = any(copy.has_content and copy.state != "record only" for copy in roll.copies)
    return there and (production is None or roll.production in (None, production.name))


def _is_whole(place: Place, production: Production | None) -> bool:
    if place.lost:
        return False
    if place.volume.is_mount_root:
        return True
    named = named_drive(production, place.path, place.volume) if production is not None else None
    return named is not None and os.path.realpath(place.path) == os.path.realpath(folder_on(named, place.volume))


def _unit(roll: Roll) -> str:
    return f"{roll.production or ''}/{roll.unit or ''}"


def _facts(place: Place, rolls: Sequence[Roll], production: Production | None) -> DriveFacts:
    drive = named_drive(production, place.path, place.volume) if production is not None else None
    if drive is None:
        here = [roll for roll in rolls if any(copy.place is place and copy.has_records for copy in roll.copies)]
        return DriveFacts(place.number, units=frozenset(_unit(roll) for roll in here))
    return DriveFacts(place.number, named=True, said=drive.holds, takes_turns=len(drive.volume) > 1)


def _lies_on(roll: Roll, places: Sequence[Place]) -> frozenset[int]:
    """The drives that hold it: two mounts or parts of one device hold what the other holds."""
    held = [copy.place for copy in roll.copies if copy.state not in _NOT_THERE]
    return frozenset(
        place.number for place in places if any(place is each or 0 != place.device == each.device for each in held)
    )


def _says_removed(roll: Roll, place: Place, production: Production | None, base: bytes) -> bool:
    """Whether an error says already that a copy of the roll was there once; it gets the command."""
    for number, told in enumerate(roll.told):
        finding = told.finding
        if finding.kind is Kind.COPY_MISSING and finding.drive == place.name:
            command = fill_command([_filling(roll, place, production)], base)
            also = f". If it is to lie there again: {command}" if command else ""
            roll.told[number] = replace(told, finding=replace(finding, remedy=f"{finding.remedy}{also}"))
            return True
    return False


def _filling(roll: Roll, place: Place, production: Production | None) -> Filling:
    able = [copy for copy in roll.copies if copy.state in COUNTED and copy.place is not place and not copy.apart]
    if not able:
        return Filling(roll.name)
    best = min(able, key=lambda copy: (not copy.was_a_card, copy.place.lost, copy.place.number))
    return Filling(roll.name, best.path, _start(best, production), roll.production)


def _start(copy: CopyLook, production: Production | None) -> bytes:
    """The folder for the production's copies on the drive of a copy; the drive itself where the file says none."""
    drive = named_drive(production, copy.place.path, copy.place.volume) if production is not None else None
    base = folder_on(drive, copy.place.volume) if drive is not None else copy.place.path
    return base if copy.path.startswith(base.rstrip(b"/") + b"/") else copy.place.path


def _base(place: Place, rolls: Sequence[Roll], production: Production | None) -> bytes:
    """The folder for copies on a drive: as the production file says, else where its other copies begin."""
    drive = named_drive(production, place.path, place.volume) if production is not None else None
    if drive is not None:
        return folder_on(drive, place.volume)
    above: Counter[bytes] = Counter()
    for roll in rolls:
        key = collision_key((roll.production or "").encode("utf-8", "surrogateescape"))
        for copy in roll.copies:
            parts = copy.folder.split(b"/")
            keys = [collision_key(part) for part in parts]
            if copy.place is place and key and key in keys:
                above[b"/".join(parts[: keys.index(key)])] += 1
    return os.path.join(place.path, above.most_common(1)[0][0]).rstrip(b"/") if above else place.path


def _words(place: Place, production: Production | None) -> str:
    """The drive as the production calls it, and its own name."""
    drive = named_drive(production, place.path, place.volume) if production is not None else None
    if drive is None or drive.role.casefold() == place.name.casefold():
        return place.name
    return f"{inert(drive.role)} ({place.name})"
