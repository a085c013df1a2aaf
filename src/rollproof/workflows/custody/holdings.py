"""Which rolls a drive that is handed over lacks, by what this station remembers of its productions."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Sequence

from rollproof.copies.filling import Filling, lack_finding
from rollproof.drives.interface import Drives
from rollproof.ledger.entries import DriveIdentity, KnownCopy, KnownRoll
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.production.drives import folder_on, named_drive
from rollproof.production.model import Production
from rollproof.proof.holdings import DriveFacts, RollFacts, lacking
from rollproof.storage.io import Io
from rollproof.workflows.custody.rolls import RollSeen


class LackingRolls:
    """Compares a drive with the rolls that this station knows of the productions on it."""

    def __init__(self, io: Io, drives: Drives, production: Production | None) -> None:
        self._io = io
        self._drives = drives
        self._production = production

    def of(self, ledger: Ledger, path: bytes, volume: Volume, rolls: Sequence[RollSeen]) -> list[Finding]:
        """At most one finding. Raises LedgerProblem."""
        there = {(seen.production, seen.roll) for seen in rolls}
        productions = {production for production, _ in there if production is not None}
        if self._production is not None:
            productions &= {self._production.name}
        known = [roll for roll in ledger.rolls() if roll.production in productions and roll.copies]
        facts = [
            RollFacts(number, frozenset({0} if (roll.production, roll.name) in there else ()), roll.unit or "")
            for number, roll in enumerate(known)
        ]
        drive = named_drive(self._production, path, volume) if self._production is not None else None
        units = frozenset(roll.unit or "" for roll in known if (roll.production, roll.name) in there)
        asked = DriveFacts(0, units=units)
        if drive is not None:
            asked = DriveFacts(0, named=True, said=drive.holds, takes_turns=len(drive.volume) > 1)
        base = folder_on(drive, volume) if drive is not None else path
        name = inert(volume.label) or shown(os.path.basename(os.path.realpath(path)))
        if drive is not None and drive.role.casefold() != name.casefold():
            name = f"{inert(drive.role)} ({name})"
        out = []
        for lack in lacking([asked], facts):
            attached = [each for each in self._drives.volumes() if each.st_dev != volume.st_dev]
            short = [self._filling(ledger, known[number], attached) for number in lack.rolls]
            out.append(lack_finding(name, lack.severity, short, len(known), base))
        return out

    def _filling(self, ledger: Ledger, roll: KnownRoll, attached: Iterable[Volume]) -> Filling:
        for copy in ledger.copies_of(roll.id):
            for volume in attached:
                path = _path(copy, volume)
                if copy.state == "proven" and copy.gone_at is None and path is not None and self._is_there(path):
                    drive = named_drive(self._production, path, volume) if self._production is not None else None
                    base = folder_on(drive, volume) if drive is not None else volume.mount_point
                    below = path.startswith(base.rstrip(b"/") + b"/")
                    return Filling(roll.name, path, base if below else volume.mount_point, roll.production)
        return Filling(roll.name)

    def _is_there(self, path: bytes) -> bool:
        with contextlib.suppress(OSError):
            self._io.close(self._io.open_root(path))
            return True
        return False


def _path(copy: KnownCopy, volume: Volume) -> bytes | None:
    """Where a remembered copy lies on an attached volume; None when it is another volume, or that part of it is not
    mounted."""
    if copy.drive.identity.text != DriveIdentity.of(volume).text:
        return None
    root = volume.mount_root.strip(b"/")
    if root and not copy.folder.startswith(root + b"/"):
        return None
    return os.path.join(volume.mount_point, copy.folder[len(root) + 1 if root else 0 :])
