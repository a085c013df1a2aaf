"""What every job works with, in one value."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from rollproof.drives.interface import Drives
from rollproof.drives.system import system_drives
from rollproof.ledger.ledger import Ledger
from rollproof.models.events import Emit
from rollproof.models.requests import Cancel
from rollproof.reading.settings import Settings
from rollproof.records.signing import KnownKeys, Signer
from rollproof.station.keys import station_known_keys, station_signer
from rollproof.station.ledger import StationLedger
from rollproof.storage.deadline import Guard
from rollproof.storage.io import Io
from rollproof.storage.system import system_io


def _tell_nobody(event: object) -> None:
    pass


def local_now() -> datetime:
    """This moment with the offset of the station's clock."""
    return datetime.now().astimezone()


@dataclass(frozen=True, slots=True)
class Context:
    """What a job works with. Made once by the command line, or by a test; a job hands it on whole."""

    io: Io
    drives: Drives
    station: StationLedger
    settings: Settings
    emit: Emit
    cancel: Cancel
    now: Callable[[], datetime]
    given_signer: Signer | None = None
    given_keys: KnownKeys | None = None

    @property
    def signer(self) -> Signer:
        """Signs with this station's key, unless another one was given."""
        return self.given_signer or station_signer()

    @property
    def known_keys(self) -> KnownKeys:
        """The keys that this station knows, unless others were given."""
        return self.given_keys or station_known_keys()

    @classmethod
    def of(
        cls,
        *,
        emit: Emit = _tell_nobody,
        cancel: Cancel | None = None,
        io: Io | None = None,
        drives: Drives | None = None,
        ledger: Ledger | None = None,
        settings: Settings | None = None,
        now: datetime | None = None,
        signer: Signer | None = None,
        known: KnownKeys | None = None,
    ) -> Context:
        """The context of this computer and this station, but for what is given. With `now` its clock stands still."""
        return cls(
            io or system_io(),
            drives or system_drives(),
            StationLedger(ledger),
            settings or Settings(),
            emit,
            cancel or Cancel(),
            local_now if now is None else lambda: now,
            signer,
            known,
        )

    def guarded(self, stopped: str = "") -> tuple[Guard, Context]:
        """A guard for work on one device, and the context for that work: its calls on the system are timed.

        `stopped` is what is said when the end was asked for and the device keeps it from coming.
        """
        patience = self.settings.patience
        guard = Guard(replace(patience, stopped=stopped) if stopped else patience, self.cancel)
        return guard, replace(self, io=guard.watching(self.io), drives=guard.watching(self.drives))
