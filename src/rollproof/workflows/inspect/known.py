"""What this station remembers of the files at hand: on which drives they lie, and whether proven there.

By name, size and date, from memory: a help for people, never an answer about wiping. That is `may-wipe`'s.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from rollproof.ledger.entries import KnownCopy, KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.models.file_table import FilesByPath
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.inspect_results import KnownCopyOut
from rollproof.models.names import inert
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.station.ledger import StationLedger

_TIME_SLACK_NS = 2_000_000_000
"""A copy on a coarse file system may be dated up to two seconds off."""


@dataclass(slots=True)
class Known:
    """The copies known of what lies here, and what is odd about that."""

    copies: list[KnownCopyOut] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def known_of(station: StationLedger, snapshot: Snapshot, roll: str | None, volume: Volume, *, is_copy: bool) -> Known:
    """Everything the ledger knows of these files. A ledger that cannot be had is no trouble here."""
    known = station.tell(lambda ledger: _ask(ledger, snapshot, roll, volume, is_copy=is_copy))
    station.findings()  # whether the ledger is well is for the commands that rest on it
    return known if known is not None else Known()


def _ask(ledger: Ledger, snapshot: Snapshot, roll: str | None, volume: Volume, *, is_copy: bool) -> Known:
    known = Known()
    by_listing = ledger.find_by_listing(snapshot.listing_digest)
    rolls = {offload.roll_id for offload in by_listing}
    named = ledger.rolls(name=roll) if roll else []
    there = FilesByPath(snapshot.files)
    strangers = []
    for candidate in dict.fromkeys([*rolls, *(each.id for each in named)]):
        offloads = ledger.offloads_of(candidate)
        here = {offload.id: _shared(ledger, offload, there) for offload in offloads}
        if not any(here.values()):
            strangers.append(candidate)
            continue
        for copy in ledger.copies_of(candidate):
            known.copies.append(_copy(copy, offloads, here))
    if strangers and snapshot.files and not known.copies:
        other = next(each for each in named if each.id == strangers[0])
        known.findings.append(
            warning(
                Kind.ROLL_NAME_USED,
                (
                    f"a roll {inert(other.name)} with other files was offloaded on {other.last_at:%Y-%m-%d}"
                    + (f" for {inert(other.production)}" if other.production else "")
                    + ("" if is_copy else "; this is another card of that name")
                ),
                path=inert(other.name),
                remedy="give one of the two another name with --roll NAME, before an editor mixes them up",
                count=len(strangers),
            )
        )
    return known


def _shared(ledger: Ledger, offload: KnownOffload, there: Mapping[bytes, FileEntry]) -> set[bytes]:
    """The files at hand that are in an offload, by path, size and date."""
    found = set()
    for file in ledger.files_of(offload.id):
        entry = there.get(file.path)
        if (
            entry is not None
            and entry.size == file.size
            and abs(entry.modified_ns - file.modified_ns) <= _TIME_SLACK_NS
        ):
            found.add(file.path)
    return found


def _copy(copy: KnownCopy, offloads: Iterable[KnownOffload], here: dict[int, set[bytes]]) -> KnownCopyOut:
    held: set[bytes] = set()
    proven: set[bytes] = set()
    for offload in offloads:
        if offload.id in copy.states:
            held |= here[offload.id]
            if copy.states[offload.id] == "proven":
                proven |= here[offload.id]
    return KnownCopyOut(
        roll=next((offload.roll for offload in offloads if offload.roll_id == copy.roll_id), ""),
        drive=copy.name or copy.drive.drive or copy.drive.identity.volume_label,
        device=copy.drive.identity.model or copy.drive.identity.volume_label or copy.drive.identity.source,
        state="gone" if copy.gone_at is not None else copy.state,
        files=len(held),
        proven=0 if copy.gone_at is not None else len(proven),
        seen_at=copy.seen_at.isoformat() if copy.seen_at is not None else None,
    )
