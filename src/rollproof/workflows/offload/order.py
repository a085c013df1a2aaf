"""What is ordered, from the command line and the production file together: where to, by which policy, in whose name."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rollproof.drives.interface import Drives
from rollproof.models.errors import UsageProblem
from rollproof.models.findings import Finding
from rollproof.models.names import shown, to_text
from rollproof.models.requests import OffloadRequest
from rollproof.models.tree import Clip
from rollproof.production.drives import resolve
from rollproof.production.folders import day_text, roll_folder
from rollproof.production.load import FILE_NAME, find, load
from rollproof.production.model import Production
from rollproof.records.models import Policy
from rollproof.workflows.offload.ruling import file_in_place


@dataclass(frozen=True, slots=True)
class Destination:
    """A destination as asked for: the folder on the drive, and the roll folder below it."""

    drive: str
    role: str
    base: bytes
    relative: bytes


@dataclass(frozen=True, slots=True)
class Order:
    """What one command is to do, settled. `request` is what was asked; with `checks_clips` the clips are looked into
    beside the copying."""

    request: OffloadRequest
    checks_clips: bool
    production: Production | None
    targets: tuple[tuple[str, str, bytes], ...]
    """Drive name, role, folder on the drive."""
    findings: tuple[Finding, ...]
    policy: Policy
    ignore: tuple[str, ...]
    hashes: tuple[str, ...]
    now: datetime
    day: str | None
    unit: str | None
    production_path: bytes | None = None
    """The production file that was named or found."""
    ruled_from: tuple[bytes, ...] = ()
    """The sources that it lies on, where it was named: those among them that are cards are refused."""
    named: bytes = b""
    """The card, or the recorded copy, that is being offloaded, as the person named it."""

    @property
    def production_name(self) -> str | None:
        """The production's name, if there is one."""
        return self.production.name if self.production is not None else None

    @property
    def day_text(self) -> str | None:
        """The shooting day as the folder and the record say it; without a production, what `--day` said."""
        if self.production is None:
            return self.day
        return day_text(self.production, day=self.day, now=self.now)

    def destinations(self, roll: str, clips: Sequence[Clip]) -> list[Destination]:
        """Where the roll goes on every drive."""
        relative = os.fsencode(roll)
        if self.production is not None:
            relative = roll_folder(self.production, roll=roll, day=self.day, unit=self.unit, camera=None, now=self.now)
        return [Destination(drive, role, base, relative) for drive, role, base in self.targets]


def read_order(request: OffloadRequest, drives: Drives, now: datetime, *, checks_clips: bool = True) -> Order:
    """Read the production file, if there is one, and settle the destinations.

    Raises ProductionFileProblem, and UsageProblem when nothing says where to copy to.
    """
    path = find(request.working_folder, request.production_file)
    production = load(path) if path is not None else None
    targets: list[tuple[str, bytes]] = [("", folder) for folder in request.destinations]
    findings: list[Finding] = []
    aside: list[Finding] = []
    on_sources: tuple[bytes, ...] = ()
    named, missing = resolve(production, drives.volumes()) if production is not None else ([], [])
    if path is not None:
        places = [folder for _, folder in targets or named]
        place = file_in_place(path, request.cards, places, drives)
        on_sources = place.sources
        if not place.may_rule(named=bool(request.production_file)):
            production, aside = None, [place.not_used()]
    if production is not None:
        if not targets:
            targets = [(role, folder) for role, folder in named]
            findings = list(missing)
        else:
            roles = {os.path.realpath(folder): role for role, folder in named}
            targets = [(roles.get(os.path.realpath(folder), ""), folder) for _, folder in targets]
    if not targets and not findings:
        raise _nowhere(request, aside)
    return Order(
        request=request,
        checks_clips=checks_clips,
        production=production,
        targets=_named(targets),
        findings=(*findings, *aside),
        policy=_policy(production),
        ignore=tuple(production.ignore) if production is not None else (),
        hashes=tuple(production.hashes) if production is not None else (),
        now=now,
        day=request.day,
        unit=request.unit,
        production_path=path,
        ruled_from=on_sources if production is not None else (),
    )


def _nowhere(request: OffloadRequest, aside: Sequence[Finding]) -> UsageProblem:
    """Nothing says where to copy to: no `--to`, and no production file, or only one that is not used (`aside`)."""
    for finding in aside:
        hint = f"{finding.remedy}, or name each drive's folder with --to DIR"
        return UsageProblem(f"nothing says where to copy to: {finding.detail}", hint=hint)
    return UsageProblem(
        f"nothing says where to copy to: no --to, and no {to_text(FILE_NAME)} in {shown(request.working_folder)} or"
        " above it",
        hint="name each drive's folder with --to DIR, or write a production file with `rollproof init`",
    )


def _policy(production: Production | None) -> Policy:
    if production is None:
        return Policy()
    return Policy(
        copies_required=production.copies_required,
        distinct_devices=production.distinct_devices,
        accepted_evidence=tuple(production.accepted_evidence),
    )


def _named(targets: Sequence[tuple[str, bytes]]) -> tuple[tuple[str, str, bytes], ...]:
    """A short name for every drive, each once: its role, else its folder's last name, else as much as it takes."""
    named: list[tuple[str, str, bytes]] = []
    taken: set[str] = set()
    for role, folder in targets:
        parts = [shown(part) for part in os.path.normpath(os.path.abspath(folder)).split(b"/") if part]
        name = role or (parts[-1] if parts else "/")
        depth = 2
        while name in taken and depth <= len(parts):
            name = "/".join(parts[-depth:])
            depth += 1
        number = 2
        unique = name
        while unique in taken:
            unique = f"{name} ({number})"
            number += 1
        taken.add(unique)
        named.append((unique, role, folder))
    return tuple(named)
