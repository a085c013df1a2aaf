"""Handovers and receives of the drives that are audited, and whose signatures stand under the records."""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, error, note, warning
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.records.models import HandoverHeader, ReceiveHeader
from rollproof.records.signing import KnownKeys, check_signature, signature_finding
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.custody.places import Place as Handovers
from rollproof.workflows.custody.places import (
    compare_with_handovers,
    find_places,
    lines_by_folder,
    places_of,
    receipt_in,
)
from rollproof.workflows.custody.rolls import RollSeen


class DriveCustody:
    """Looks at the handovers of one drive. One for each worker."""

    def __init__(self, io: Io, known: KnownKeys, cancel: Cancel) -> None:
        self._io = io
        self._known = known
        self._cancel = cancel

    def look(self, place: Place, root: int, copies: Sequence[CopyLook]) -> list[Told]:
        """What the handovers of a drive say, beside the rolls that were found on it. OSError when it fails."""
        seen = [
            RollSeen(copy.folder, copy.path, copy.chain, copy.roll, copy.production) for copy in copies if copy.links
        ]
        folders = [copy.folder for copy in copies]
        there = find_places(self._io, root, folders, self._cancel)
        told: list[Told] = []
        for handovers in places_of(self._io, root, place.path, seen, there):
            if handovers.folder in there:
                told += self._one(place, root, handovers, {copy.folder for copy in copies})
        for roll in seen:
            told += [Told("custody", finding, roll.roll) for finding in roll.findings]
        return told

    def _one(self, place: Place, root: int, handovers: Handovers, folders: set[bytes]) -> list[Told]:
        path = os.path.join(place.path, handovers.folder) if handovers.folder else place.path
        drive = shown(path)
        found = list(handovers.chain.findings)
        compare_with_handovers(handovers)
        received = {
            link.header.handover.sha256: link.header
            for link in handovers.chain.links
            if isinstance(link.header, ReceiveHeader) and link.header.handover is not None
        }
        last = [link for link in handovers.chain.links if isinstance(link.header, HandoverHeader)][-1:]
        for link in handovers.chain.links:
            header = link.header
            if not isinstance(header, HandoverHeader):
                continue
            if receipt_in(header) != header.receipt:
                detail = f"{link.name} contradicts itself: its receipt is not that of the rolls it lists"
                found.append(_error(Kind.BAD_RECORD, link.name, detail, drive, "ask the sender for the receipt"))
            arrival = received.get(link.sha256)
            if arrival is None:
                found.append(_not_received(link.name, header, place, drive, is_last=link in last))
            elif arrival.receipt != header.receipt:
                detail = (
                    f"the drive was handed over with the receipt {inert(header.receipt)[:60]} and received with"
                    f" {inert(arrival.receipt)[:60]}"
                )
                remedy = "call the sender: the records changed on the way; keep every other copy"
                found.append(_error(Kind.OTHER_RECEIPT, link.name, detail, drive, remedy))
        for link in last:
            assert isinstance(link.header, HandoverHeader)
            start = handovers.folder + b"/" if handovers.folder else b""
            for folder, line in sorted((lines_by_folder(link.header.rolls) or {}).items()):
                if start + folder not in folders:
                    detail = f"roll {inert(line.roll)} was handed over ({link.name}) and is not on this drive"
                    remedy = "keep the other copies and the card of this roll, and call the sender"
                    found.append(_error(Kind.ROLL_MISSING, shown(folder), detail, drive, remedy))
        found += self._signatures(root, handovers, drive)
        return [Told("custody", replace(finding, drive=finding.drive or drive)) for finding in found]

    def _signatures(self, root: int, handovers: Handovers, drive: str) -> list[Finding]:
        out = []
        handle = open_below(self._io, root, handovers.folder)
        try:
            for link in handovers.chain.links:
                if link.header is None:
                    continue
                with contextlib.suppress(UntrustedInput):
                    signature = check_signature(self._io, handle, link.name, self._known)
                    odd = signature_finding(link.name, signature, drive)
                    out += [odd] if odd is not None else []
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)
        return out


def _error(kind: Kind, path: str, detail: str, drive: str, remedy: str) -> Finding:
    return error(kind, detail, path=path, drive=drive, remedy=remedy)


def _not_received(name: str, header: HandoverHeader, place: Place, drive: str, *, is_last: bool) -> Finding:
    to = inert(header.to)[:100]
    detail = f"the drive was handed over to {to} on {header.written_at:%Y-%m-%d} and never received"
    remedy = (
        f"whoever has it now runs: rollproof receive {shown(place.path)}"
        if is_last
        else "ask who had the drive in between"
    )
    return warning(Kind.NOT_RECEIVED, detail, path=name, drive=drive, remedy=remedy)


def signatures(copies: Iterable[CopyLook]) -> list[Told]:
    """Notes about records that are not signed, and about keys that nobody has named here: one for each roll and key."""
    out: list[Told] = []
    keys: Counter[str] = Counter()
    for copy in copies:
        keys.update(copy.foreign_keys)
        if copy.unsigned:
            more = f" and {len(copy.unsigned) - 1:,} more" if len(copy.unsigned) > 1 else ""
            finding = note(
                Kind.NOT_SIGNED,
                f"{copy.unsigned[0]}{more} of roll {inert(copy.roll)} on {copy.place.name} is not signed",
                path=copy.unsigned[0],
                drive=copy.place.name,
                count=len(copy.unsigned),
            )
            out.append(Told("custody", finding, copy.roll))
    for fingerprint, count in sorted(keys.items()):
        records = f"{count:,} {'record is' if count == 1 else 'records are'}"
        finding = note(
            Kind.SIGNER_UNKNOWN,
            f"{records} signed with the key {fingerprint}, which nobody has named here",
            remedy="ask that station for its key's fingerprint over the phone, then: rollproof custody trust KEYFILE"
            " --name NAME",
            count=count,
        )
        out.append(Told("custody", finding))
    return out
