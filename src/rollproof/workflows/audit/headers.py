"""What the headers of a copy's records say of it: its roll, the permits that name it, when it was last read again."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import UTC, datetime

from rollproof.copies.permits import use_of_record
from rollproof.copies.recorded import Papers
from rollproof.models.volumes import Evidence
from rollproof.proof.clones import VolumeOnDevice
from rollproof.proof.permits import CardUse
from rollproof.records.blocks import device_of, same_device
from rollproof.records.chain import Chain
from rollproof.records.models import CopyBlock, OffloadHeader, PermitHeader, ReceiveHeader, VerifyHeader, WithdrawHeader
from rollproof.storage.station import station_id
from rollproof.workflows.audit.copy import CopyLook, NamedCopy, PermitSeen


def note_headers(copy: CopyLook, chain: Chain, papers: Papers) -> None:
    """Note in the copy what the headers of its records say of it; where there are none, the history's first."""
    copy.has_records = bool(chain.links)
    moments: list[datetime] = []
    withdrawn = {link.header.withdraws.sequence for link in chain.links if isinstance(link.header, WithdrawHeader)}
    permits: list[PermitSeen] = []
    uses: list[CardUse] = []
    named: dict[tuple[str | None, str | None, str], NamedCopy] = {}
    for link in chain.links:
        header = link.header
        if header is None or link.state == "foreign":
            continue
        copy.roll, copy.production = header.roll or copy.roll, header.production or copy.production
        if isinstance(header, OffloadHeader):
            moments.append(header.written_at)
            copy.day, copy.unit = header.day or copy.day, header.unit or copy.unit
            copy.role, copy.called = header.copy_.role, header.copy_.drive
            copy.newest_on = _seen_on(header.copy_)
            copy.offloaded_to = (*copy.offloaded_to, copy.newest_on)
            copy.was_a_card |= not header.of_copy
            if not header.of_copy:  # else the source is a drive, which holds other rolls as well
                uses.append(use_of_record(header.source, copy.roll, header.written_at))
                copy.serial, copy.listing = header.source.serial, header.source.listing_digest
            copy.written_at = header.written_at
            copy.copies_required = max(copy.copies_required, header.policy.copies_required)
            for other in header.other_copies:
                named[other.device.key, other.volume.serial, other.folder] = _named(other)
        elif isinstance(header, PermitHeader):
            permits.append(_permit(link.name, header, copy, withdrawn=link.sequence in withdrawn))
        elif isinstance(header, VerifyHeader | ReceiveHeader):
            copy.newest_on = _seen_on(header.copy_) if header.copy_ is not None else copy.newest_on
            copy.is_ours = bool(header.station.id) and header.station.id == station_id()
    copy.permits, copy.uses, copy.others = tuple(permits), tuple(uses), tuple(named.values())
    copy.manifests = tuple((generation.name, generation.c4) for generation in papers.history.generations)
    first = next((made.header for made in papers.history.generations if made.header is not None), None)
    if moments:
        copy.first_at = min(moments).astimezone(UTC).isoformat()
    elif first is not None:
        copy.first_at = _utc(first.created_at)


def read_again_at(copy: CopyLook, chain: Chain, unknown: int, accepted: Collection[Evidence]) -> datetime | None:
    """When the newest word on this copy was a clean, full reading of it from this device; None otherwise.

    `unknown` is how many files lie there that no record names, `accepted` the evidence that counts today."""
    for link in reversed(chain.links):
        header = link.header
        if isinstance(header, OffloadHeader | WithdrawHeader) and not (
            isinstance(header, WithdrawHeader) and header.withdraws_kind == "permit"
        ):
            return None
        if isinstance(header, VerifyHeader | ReceiveHeader):
            totals, block = header.totals, header.copy_
            full = totals.files - totals.unknown >= copy.files - unknown
            clean = header.verdict == "proven" and not totals.differ and not totals.missing and full
            here = (
                block is not None
                and same_device(block, copy.place.volume)
                and block.folder in ("", copy.on_volume)
                and block.readback in accepted
            )
            good = clean and here and link.state == "whole"
            copy.read_number = link.sequence if good else 0
            return header.written_at if good else None
    return None


def _seen_on(block: CopyBlock) -> VolumeOnDevice:
    return VolumeOnDevice(block.volume.serial, block.device.key)


def _named(block: CopyBlock, sequence: int = 0, sha256: str = "") -> NamedCopy:
    readback = block.readback.value if block.readback is not None else None
    return NamedCopy(
        device_of(block.device), block.volume.serial, block.drive, block.folder, block.state, readback, sequence, sha256
    )


def _permit(name: str, header: PermitHeader, copy: CopyLook, *, withdrawn: bool) -> PermitSeen:
    counted: Iterable[NamedCopy] = (
        _named(each.copy_, each.record.sequence, each.record.sha256) if each.record else _named(each.copy_)
        for each in header.counted
    )
    return PermitSeen(
        record=name,
        written_at=header.written_at,
        required=max(header.policy.copies_required, copy.copies_required),
        accepted_evidence=frozenset(evidence.value for evidence in header.policy.accepted_evidence),
        counted=tuple(counted),
        withdrawn=withdrawn,
        use=use_of_record(header.source, copy.roll, header.written_at),
    )


def _utc(text: str) -> str:
    try:
        moment = datetime.fromisoformat(text)
        return moment.astimezone(UTC).isoformat(timespec="seconds") if moment.tzinfo is not None else text
    except (ValueError, OverflowError):  # the first or the last day of the calendar, in another zone
        return ""
