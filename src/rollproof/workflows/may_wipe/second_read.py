"""A second read of the card that an offload lacked: `may-wipe` has just read it, so it is written down beside the copy.

Only for a copy whose every recorded file was read from the card's medium just now, with the recorded hash.
"""

from __future__ import annotations

from dataclasses import replace

from rollproof.copies.location import drive_and_role, place_on
from rollproof.copies.tree_read import TreeRead
from rollproof.models.errors import UntrustedInput
from rollproof.models.file_table import find_file
from rollproof.models.requests import Person
from rollproof.models.volumes import Evidence
from rollproof.records.blocks import copy_block, source_block, this_station
from rollproof.records.models import By, OffloadHeader, Totals, VerifyHeader
from rollproof.records.newest_words import SOURCE_PASSES
from rollproof.records.write import append_record
from rollproof.station.keys import station_signer
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.workflows.may_wipe.card import CardInHand
from rollproof.workflows.may_wipe.copies import CopyInView


def supply_pass(io: Io, card: CardInHand, read: TreeRead, view: CopyInView, person: Person) -> bool:
    """Write the read of the card into the copy's chain, where it is what the copy lacks. Whether it was written."""
    if not _lacks_a_pass(card, view) or not _is_what_was_read(card, read, view):
        return False
    assert view.volume is not None and view.newest is not None
    drive, role = drive_and_role(view.newest.copy_, view.volume)
    header = VerifyHeader(
        by=By(name=person.name, role=person.role),
        station=this_station(),
        production=view.production,
        roll=view.roll,
        source=source_block(card.volume, reads=[Evidence.MEDIUM], listing_digest=card.snapshot.listing_digest),
        copy_=copy_block(
            view.volume,
            drive=drive,
            role=role,
            state="copied",
            readback=None,  # only the card was read
            folder=place_on(view.volume, view.path),
        ),
        verdict="proven",
        totals=Totals(files=len(view.rows), bytes=sum(row.size for row in view.rows.values())),
    )
    try:
        append_record(io, view.handle, header, signer=station_signer(), as_read=view.digests, medium=view.medium(io))
    except (OSError, UntrustedInput) as error:
        why = said(error) if isinstance(error, OSError) else error.message
        said_too = f" (the second read of the card could not be written down: {why})"
        assert view.facts.records is not None
        records = replace(view.facts.records, why=view.facts.records.why.removesuffix(".") + said_too)
        view.facts = replace(view.facts, records=records)
        return False
    return True


def _lacks_a_pass(card: CardInHand, view: CopyInView) -> bool:
    if view.handle < 0 or view.newest is None or not view.rows:
        return False
    if view.facts.records is None or view.facts.records.state != "copied":
        return False
    offload = _of_the_card(view)
    if offload is None:
        return False
    source, accepted = offload.source, offload.policy.accepted_source_evidence
    if (source.serial, source.capacity_bytes) != (card.volume.serial, card.volume.capacity_bytes):
        return False
    given = sum(read.evidence in accepted for read in source.reads)
    for link in view.chain.links if view.chain is not None else ():
        if isinstance(link.header, VerifyHeader) and link.header.source is not None:
            given += sum(read.evidence in accepted for read in link.header.source.reads)
    return given < SOURCE_PASSES


def _of_the_card(view: CopyInView) -> OffloadHeader | None:
    """The newest offload of the card itself in the copy's chain; a copy of a copy carries it along."""
    headers = [link.header for link in view.chain.links] if view.chain is not None else []
    return next(
        (header for header in reversed(headers) if isinstance(header, OffloadHeader) and not header.of_copy), None
    )


def _is_what_was_read(card: CardInHand, read: TreeRead, view: CopyInView) -> bool:
    if read.lost is not None:
        return False
    files = card.snapshot.files
    for path, row in view.rows.items():
        number = find_file(files, path)
        if number is None:
            return False
        hashes = read.hashes.of(number)
        shared = hashes.keys() & row.hashes.keys()
        good = shared and all(hashes[name] == row.hashes[name] for name in shared)
        if not good or files[number].size != row.size or read.evidence(number) is not Evidence.MEDIUM:
            return False
    return True
