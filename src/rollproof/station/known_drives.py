"""Which drive is this? What the station remembers of an attached volume: by device and volume, never by its name."""

from __future__ import annotations

from datetime import datetime

from rollproof.ledger.entries import DriveIdentity, KnownDrive
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.station_file import FILE_NAME
from rollproof.models.names import inert
from rollproof.models.volumes import Volume
from rollproof.station.ledger import StationLedger
from rollproof.storage.station import station_home


def which_drive(ledger: Ledger, volume: Volume) -> str:
    """One sentence, inert, for people: the drive as this station knows it, a clone, formatted anew, or never seen.
    LedgerProblem when the ledger fails."""
    identity = DriveIdentity.of(volume)
    alike = ledger.drives_like(identity)
    exact = next((drive for drive in alike if drive.identity.text == identity.text), None)
    if exact is not None:
        count = len({copy.roll_id for copy in ledger.copies_on(exact.identity)})
        rolls = f"{count:,} roll{'s' if count != 1 else ''}"
        told = f"known here as {_name(exact)}, with {rolls}, {_seen(exact)}"
        twins = [drive for drive in alike if drive is not exact and drive.identity.volume_serial == volume.serial]
        if twins and volume.serial is not None:
            told += f"; the same volume was also seen on another device, {_on(twins[0])}: one is a clone of the other"
        return told
    same_volume = [drive for drive in alike if drive.identity.volume_serial == volume.serial is not None]
    if same_volume:
        return (
            f"not known here, though its volume is that of {_name(same_volume[0])}, {_on(same_volume[0])},"
            f" {_seen(same_volume[0])}: a clone, or that disk in another case; nothing on it is proven until a verify"
        )
    if alike:
        return (
            f"this volume is new here; its device is the one of {_name(alike[0])}, {_seen(alike[0])}:"
            " another partition, or formatted since"
        )
    named = ledger.drives_labelled(volume.label) if volume.label else []
    if named:
        known = named[0]
        return (
            f"not known here; it only has the name of another one, {_name(known)}, volume"
            f" {inert(known.identity.volume_serial or 'without identity')}, {_seen(known)}"
        )
    return "not known here: this station has never seen it"


def which_drive_if_any(volume: Volume, station: StationLedger | None = None) -> str:
    """The same where the station has a ledger; empty, and no ledger made, where it has none or it cannot be used."""
    try:
        if station is None and not (station_home() / FILE_NAME).exists():
            return ""
    except OSError:
        return ""
    if station is not None:
        return station.tell(lambda ledger: which_drive(ledger, volume)) or ""
    with StationLedger() as own:
        return own.tell(lambda ledger: which_drive(ledger, volume)) or ""


def _name(drive: KnownDrive) -> str:
    return inert(drive.drive or drive.identity.volume_label or "a drive without a name")


def _on(drive: KnownDrive) -> str:
    identity = drive.identity
    serial = f", serial {inert(identity.serial)}" if identity.serial else ""
    return f"on {inert(identity.model or identity.kind)}{serial}"


def _seen(drive: KnownDrive) -> str:
    return f"last seen {_day(drive.last_seen_at)}"


def _day(moment: datetime) -> str:
    return moment.astimezone().isoformat(sep=" ", timespec="minutes")[:16]
