"""Which copies of a report's rolls were seen since as something else, and must not count beside it."""

from __future__ import annotations

from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.identities import numbered_drive
from rollproof.proof.identity import CopyOnDrive, Drive, Seen, Sighting, superseded
from rollproof.workflows.report.rolls import CopyFound, RollFound


class Superseded:
    """Judges copies by what this station saw, `seen`, and by the drives that were looked at now."""

    def __init__(self, seen: Seen | None, numbers: dict[str, int], looked_at: list[DriveIdentity]) -> None:
        self._seen = seen if seen is not None else Seen((), {})
        self._numbers = dict(numbers)
        self._now = [Sighting(self._drive(identity), None) for identity in looked_at]

    def leave_out(self, found: RollFound) -> None:
        """Note in a roll which of its copies do not count."""
        proven = [(key, each, each.on) for key, each in found.proven().items()]
        keys = [key for key, _, on in proven if on is not None]
        copies = [self._copy(each, on) for _, each, on in proven if on is not None]
        here = [
            Sighting(self._drive(each.on), None, frozenset({each.founder or ""}))
            for each in found.copies.values()
            if each.on is not None and each.copy.known_from == "drive"
        ]
        seen = Seen([*self._seen.sightings, *self._now, *here], self._seen.together)
        found.superseded = frozenset(keys[place] for place in superseded(copies, seen))

    def _copy(self, each: CopyFound, on: DriveIdentity) -> CopyOnDrive:
        attached = each.copy.known_from == "drive"
        return CopyOnDrive(self._drive(on), each.founder, attached=attached, seen_at=each.seen_at)

    def _drive(self, identity: DriveIdentity) -> Drive:
        number = self._numbers.setdefault(identity.text, -1 - len(self._numbers))
        return numbered_drive(number, identity)
