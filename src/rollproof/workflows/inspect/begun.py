"""Offloads of what is inspected that this station began and did not finish."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from rollproof.copies.begun import BegunOffload, begun_finding, begun_offloads, with_command
from rollproof.models.findings import Finding, Severity
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Volume
from rollproof.station.ledger import StationLedger


def told_of_card(station: StationLedger, snapshot: Snapshot, volume: Volume) -> list[Finding]:
    """Those of a card, as far as they are not left over. Nothing is wrong with the card: warnings."""
    serial = volume.serial if volume.is_mount_root else None
    return [
        replace(begun_finding(each), severity=Severity.WARNING)
        for each in _begun(station)
        if each.state != "left over" and each.is_of_card(snapshot.listing_digest, serial)
    ]


def told_of_copy(station: StationLedger, found: Iterable[Finding], volume: Volume, folder: bytes) -> list[Finding]:
    """The findings about a copy, where it was not finished with the command that finishes it."""
    return with_command(found, next((each for each in _begun(station) if each.is_at(volume, folder)), None))


def _begun(station: StationLedger) -> list[BegunOffload]:
    """A ledger that cannot be had is no trouble here."""
    found = station.tell(lambda ledger: begun_offloads(ledger, station.at_work))
    station.findings()
    return found or []
