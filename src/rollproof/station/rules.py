"""Which production file rules, and what it says. The rules come from the production, never from what is judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rollproof.drives.interface import Drives
from rollproof.models.errors import ProductionFileProblem
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.volumes import Volume
from rollproof.production.load import find, load
from rollproof.production.model import Production
from rollproof.proof.devices import share_a_device
from rollproof.proof.policy import Rules, may_rule


@dataclass(frozen=True, slots=True)
class Ruling:
    """The rules of today and where they come from. `findings` tell of a production file that was not used."""

    rules: Rules = field(default_factory=Rules)
    production: Production | None = None
    path: bytes | None = None
    findings: list[Finding] = field(default_factory=list)


def find_rules(
    working_folder: bytes,
    named: bytes | None,
    drives: Drives,
    *,
    card: bytes | None = None,
    judged: Sequence[bytes] = (),
) -> Ruling:
    """The production file that is named, else the one in the working folder or above it; else what is built in.

    One that lies on the `card` is never used, one that lies on a drive that is `judged` only when it is named. Raises
    ProductionFileProblem, also for one that is named and lies on the card.
    """
    path = find(working_folder, named)
    if path is None:
        return Ruling()
    if card is not None and lies_with(path, card, drives):
        if named:
            raise ProductionFileProblem(
                f"the production file {shown(path)} lies on the card itself: a card never says how it is judged",
                hint="name the production's own file with --production FILE; this one is not used",
            )
        return Ruling(findings=[not_used(path, "the card that is judged")])
    on_drive = any(lies_with(path, drive, drives) for drive in judged) if not named else False
    if not may_rule(named=bool(named), on_card=False, on_drive=on_drive):
        return Ruling(findings=[not_used(path, "a drive that is judged")])
    production = load(path)
    return Ruling(rules_of(production, path), production, path)


def rules_for(working_folder: bytes | None, named: bytes | None, drives: Drives, judged: Sequence[bytes]) -> Ruling:
    """The same, where None for `working_folder` means that no file is looked for, but the one that is named."""
    if working_folder is None and named is None:
        return Ruling()
    return find_rules(working_folder if working_folder is not None else b".", named, drives, judged=judged)


def rules_of(production: Production, path: bytes) -> Rules:
    """What a production file asks for."""
    return Rules(
        copies_required=production.copies_required,
        accepted=tuple(production.accepted_evidence),
        absent_copy_hours=production.absent_copy_hours,
        production=production.name,
        ignore=tuple(production.ignore),
        source=shown(path),
    )


def lies_with(path: bytes, other: bytes, drives: Drives) -> bool:
    """Whether a file lies on the volume or the device of another path; False where it cannot be told."""
    try:
        volume, there = drives.volume_of(path), drives.volume_of(other)
    except OSError:
        return False
    return on_one_device(volume, there)


def on_one_device(one: Volume, other: Volume) -> bool:
    """Whether two volumes are one, or parts of one device."""
    return one.st_dev == other.st_dev or share_a_device(one.device, other.device) is True


def not_used(path: bytes, where: str) -> Finding:
    """The note about a production file that does not rule."""
    return Finding(
        Kind.OTHER_PRODUCTION,
        Severity.NOTE,
        shown(path),
        f"the production file {shown(path)} lies on {where}: it is not used",
        remedy="name the production's own file with --production FILE",
    )
