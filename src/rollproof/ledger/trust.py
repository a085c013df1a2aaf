"""What a ledger can vouch for on its own word."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trust:
    """What this ledger can vouch for on its own word. `machine` is this station's identity."""

    machine: str
    made_here: bool = False
    restored_at: int = 0

    def vouches(self, seen_by: str, seen_at: int | None) -> bool:
        """Whether an observation counts as this station's own: made by it, in a ledger of its own, and not before an
        older ledger was put back (what that one forgot nobody knows)."""
        ours = self.made_here and bool(self.machine) and seen_by == self.machine
        return ours and seen_at is not None and seen_at > self.restored_at
