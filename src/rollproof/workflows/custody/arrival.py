"""How an arriving drive compares with its handover, before anything on it is read again."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from rollproof.models.custody_results import Difference
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.records.chain import Link
from rollproof.records.models import HandoverHeader, RollLine
from rollproof.records.receipt import receipt_of
from rollproof.records.signing import KnownKeys, Signature, check_signature, signature_finding
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.workflows.custody.places import Place, compare_with_handovers, lines_by_folder, receipt_in
from rollproof.workflows.custody.rolls import RollSeen


@dataclass(slots=True)
class Arrival:
    """One place of the drive, and how it compares with its handover."""

    place: Place
    handover: tuple[str, HandoverHeader] | None
    signature: Signature | None = None
    receipt: str = ""
    heads: dict[bytes, Link | None] = field(default_factory=dict)
    compared: dict[bytes, Difference] = field(default_factory=dict)
    missing: dict[bytes, RollLine] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    record: str | None = None

    @property
    def same(self) -> bool | None:
        """Whether the receipt is the one of the handover."""
        return None if self.handover is None else self.receipt == self.handover[1].receipt


@contextlib.contextmanager
def opened_place(io: Io, root: int, place: Place) -> Iterator[int]:
    """The folder of a place, open for as long as the block lasts. OSError."""
    handle = open_below(io, root, place.folder)
    try:
        yield handle
    finally:
        with contextlib.suppress(OSError):
            io.close(handle)


@dataclass(slots=True)
class ArrivalLook:
    """Compares places of a drive with their handovers. `drive` is its path for people."""

    io: Io
    root: int
    drive: str
    volume: Volume
    known: KnownKeys

    def arrival(self, place: Place) -> Arrival:
        """Compare a place with its newest handover, as both lie there."""
        found = Arrival(place, place.newest_handover)
        found.findings += place.chain.findings
        compare_with_handovers(place)
        if found.handover is None:
            found.heads = {folder: seen.head for folder, seen in place.rolls.items()}
            found.findings.append(
                self._say(
                    Kind.NO_HANDOVER,
                    Severity.WARNING,
                    "",
                    "there is no record of a handover on this drive: nothing to compare with",
                    "ask the sender for the receipt, and compare it with the one below",
                )
            )
        else:
            self._compare(found, *found.handover)
        found.receipt = receipt_of((folder, head.sha256 if head else None) for folder, head in found.heads.items())
        if found.handover is not None and found.same is False:
            found.findings.append(
                self._say(
                    Kind.OTHER_RECEIPT,
                    Severity.ERROR,
                    "",
                    f"the receipt is {found.receipt}, and the handover says {inert(found.handover[1].receipt)[:60]}",
                    "change nothing on the drive, and call the sender: every other copy must be kept",
                )
            )
        return found

    def _compare(self, found: Arrival, name: str, header: HandoverHeader) -> None:
        place = found.place
        with opened_place(self.io, self.root, place) as handle:
            found.signature = check_signature(self.io, handle, name, self.known)
        odd = signature_finding(name, found.signature, self.drive)
        if odd is not None:
            found.findings.append(odd)
        lines = lines_by_folder(header.rolls)
        if lines is None or receipt_in(header) != header.receipt:
            found.findings.append(
                self._say(
                    Kind.BAD_RECORD,
                    Severity.ERROR,
                    name,
                    f"{name} contradicts itself: its receipt is not that of the rolls it lists",
                    "take the receipt from the sender by phone, and give it with --receipt",
                )
            )
            lines = lines or {}
        self._compare_drive(found, header)
        for folder, line in sorted(lines.items()):
            seen = place.rolls.get(folder)
            if seen is None:
                found.missing[folder] = line
                found.findings.append(
                    self._say(
                        Kind.ROLL_MISSING,
                        Severity.ERROR,
                        shown(folder),
                        f"roll {inert(line.roll)} was handed over and is not on this drive",
                        "keep the other copies and the card of this roll, and call the sender",
                    )
                )
            else:
                found.heads[folder] = self._head_as_handed_over(found, folder, seen, line)
        for folder in sorted(place.rolls.keys() - lines.keys()):
            seen = place.rolls[folder]
            found.heads[folder], found.compared[folder] = seen.head, "added"
            found.findings.append(
                self._say(
                    Kind.ROLL_ADDED,
                    Severity.ERROR,
                    shown(folder),
                    f"roll {inert(seen.roll)} is on this drive and was not handed over",
                    "find out who put it there",
                )
            )

    def _head_as_handed_over(self, found: Arrival, folder: bytes, seen: RollSeen, line: RollLine) -> Link | None:
        """The roll's newest record, not counting those that this very station has signed since the handover."""
        head = seen.head
        links = seen.links
        at = next((n for n, link in enumerate(links) if line.record and link.sha256 == line.record.sha256), None)
        if line.record is None:
            at = -1  # it left with somebody else's history alone: whatever records it has are newer
        if at is None or (head is None and links):
            found.compared[folder] = "changed"
            return head
        since = links[at + 1 :]
        if not since:
            found.compared[folder] = "same"
            return head
        ours = (at < 0 or links[at].state == "whole") and all(self._is_ours(seen, link) for link in since)
        found.compared[folder] = "same" if ours else "changed"
        names = ", ".join(inert(link.name) for link in since[:3]) + (", …" if len(since) > 3 else "")
        found.findings.append(
            self._say(
                Kind.RECORDS_ADDED,
                Severity.NOTE if ours else Severity.ERROR,
                shown(folder),
                f"roll {inert(seen.roll)} has records that are newer than the handover: {names}"
                + (", written by this station" if ours else ""),
                "" if ours else "ask the sender and the courier who has worked with this drive on the way",
            )
        )
        if not ours:
            return head
        return links[at] if at >= 0 else None

    def _is_ours(self, seen: RollSeen, link: Link) -> bool:
        if link.state != "whole":
            return False
        handle = self.io.open_root(seen.path)
        try:
            signature = check_signature(self.io, handle, link.name, self.known)
        finally:
            self.io.close(handle)
        return signature.state == "good" and signature.known is not None and signature.known.own

    def _compare_drive(self, found: Arrival, header: HandoverHeader) -> None:
        then, now = header.copy_, self.volume
        if then is None or then.volume.serial is None or now.serial is None or then.volume.serial == now.serial:
            return
        was = inert(f"{then.drive} (volume {then.volume.serial})")[:200]
        found.findings.append(
            self._say(
                Kind.OTHER_DRIVE,
                Severity.WARNING,
                "",
                f"this is another drive than the one handed over: that was {was}, this is volume {inert(now.serial)}",
                "ask for the drive itself, unless its contents were copied over on purpose",
            )
        )

    def _say(self, kind: Kind, severity: Severity, path: str, detail: str, remedy: str) -> Finding:
        return Finding(kind, severity, path, detail, self.drive, remedy)
