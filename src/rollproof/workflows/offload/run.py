"""What one roll's copying was and gave, for those who tell of it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.copying.engine import CopyOutcome
from rollproof.proof.board import ProofBoard
from rollproof.workflows.offload.clip_check import CardLook
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.preflight import Preflight
from rollproof.workflows.offload.source import Source


@dataclass(frozen=True, slots=True)
class RollRun:
    """One roll that was copied; the handles of its drives are still open. Records name `day` and `unit`."""

    source: Source
    order: Order
    targets: Preflight
    board: ProofBoard
    outcome: CopyOutcome
    look: CardLook | None
    day: str | None
    unit: str | None
    started_at: datetime


@dataclass(slots=True)
class Laps:
    """How long each step took, in seconds by name, from the moment this was made."""

    seconds: dict[str, float] = field(default_factory=dict)
    _began: float = field(default_factory=time.monotonic)

    def end(self, name: str) -> None:
        """The step of this name has ended."""
        self.seconds[name] = round(time.monotonic() - self._began - sum(self.seconds.values()), 3)

    def all_with(self, others: Mapping[str, float]) -> dict[str, float]:
        """All steps, those measured elsewhere, and `total` until now."""
        seconds = {**self.seconds, **{name: round(value, 3) for name, value in others.items()}}
        return {**seconds, "total": round(time.monotonic() - self._began, 3)}
