"""How fast a drive was the last time, as this station remembers it: for saying how long a job will take."""

from __future__ import annotations

from dataclasses import dataclass

from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import RollproofError
from rollproof.models.volumes import Volume

_LEAST_SECONDS = 0.05  # what took no time says nothing about a speed


@dataclass(frozen=True, slots=True)
class DrivePace:
    """Bytes per second of the newest copy on a drive: while it was written, and while it was read back."""

    write: float
    read_back: float

    def seconds(self, write_bytes: int, read_back_bytes: int) -> float:
        """How long so much takes at this pace."""
        return write_bytes / self.write + read_back_bytes / self.read_back


def last_pace(ledger: Ledger | None, volume: Volume) -> DrivePace | None:
    """The pace of the newest copy on this volume, None where nothing is remembered of it or can be asked."""
    if ledger is None:
        return None
    try:
        for copy in sorted(ledger.copies_on(DriveIdentity.of(volume)), key=lambda each: each.state_at, reverse=True):
            legs = {pace.leg: pace for pace in ledger.paces_of(copy.roll_id).get(copy.id, [])}
            speeds = {
                leg: pace.size_bytes / pace.seconds
                for leg, pace in legs.items()
                if pace.seconds >= _LEAST_SECONDS and pace.size_bytes
            }
            if {"write", "read back"} <= speeds.keys():
                return DrivePace(speeds["write"], speeds["read back"])
    except RollproofError:
        pass  # an estimate is no reason to stop
    return None
