"""The chain of custody of rolls and drives as a timeline: every record, whether it is whole, and who signed it.

Nothing is written, no file of a roll is read: this is about the records. What the copies are worth says `verify`.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from rollproof.copies.drive import opened_drive
from rollproof.drives.interface import Drives
from rollproof.models.counting import count_of
from rollproof.models.custody_results import CustodyChain, CustodyLink, CustodyResult, DriveOfCustody, TrustResult
from rollproof.models.errors import ExitStatus, Interrupted, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.grouped import grouped
from rollproof.models.names import RECORDS_FOLDER, inert, shown
from rollproof.records import store
from rollproof.records.chain import Chain, Link
from rollproof.records.known_keys import KNOWN_NAME, trust_key
from rollproof.records.models import (
    AcceptHeader,
    AnyHeader,
    HandoverHeader,
    LookedHeader,
    OffloadHeader,
    PermitHeader,
    ReceiveHeader,
    VerifyHeader,
)
from rollproof.records.signing import KnownKeys, check_signature, signature_finding
from rollproof.station.context import Context
from rollproof.station.known_drives import which_drive_if_any
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.storage.station import station_home
from rollproof.workflows.custody.handover import drive_of
from rollproof.workflows.custody.places import (
    Place,
    compare_with_handovers,
    find_places,
    holds_handovers,
    places_of,
    receipt_in,
)
from rollproof.workflows.custody.receive import signature_out
from rollproof.workflows.custody.rolls import RollLook, RollSeen

_HIGHEST = 12
"""How many folders above the given one a drive's own records are looked for."""


def custody(path: bytes, ctx: Context) -> CustodyResult:
    """Everything the records at or below `path` say, chain by chain, and the handovers of the drive they lie on.

    `whole` when no chain is broken, no signature wrong, and nothing that a handover remembers is gone. Unknown and
    missing signatures are notes. Refused when the path cannot be opened, Interrupted when the end was asked for,
    CouldNotFinish when the drive does not answer (no call on it is waited for much longer than
    `settings.stall_seconds`).
    """
    guard, inside = ctx.guarded()
    return guard.run_or_end(
        lambda: _told_of(path, inside),
        path,
        "nothing was written",
    )


def _told_of(path: bytes, ctx: Context) -> CustodyResult:
    io, drives, cancel, known = ctx.io, ctx.drives, ctx.cancel, ctx.known_keys
    findings = list(known.findings)
    root = opened_drive(io, path)
    try:
        look = RollLook(io, drives, cancel)
        found = look.folders(root, path)
        findings += found.findings
        rolls: list[RollSeen] = []
        for folder in found.folders:
            try:
                rolls.append(look.chain(path, folder))
            except OSError as failure:
                findings.append(_unreadable(os.path.join(path, folder), failure))
        below = find_places(io, root, list(found.inner), cancel)
        places = [place for place in places_of(io, root, path, rolls, below) if place.folder in below]
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    chains: list[CustodyChain] = []
    for base, place in [*_above(io, drives, path, rolls), *((path, place) for place in places)]:
        compare_with_handovers(place)
        chains.append(_place_chain(io, known, base, place))
    of_places = {place.folder for place in places}
    for seen in (seen for seen in rolls if seen.folder not in of_places):
        if cancel.is_set():
            raise Interrupted("interrupted; nothing was written")
        chain = Chain(seen.chain.links, (*seen.chain.findings, *seen.findings))
        chains.append(_told(io, known, seen.path, chain, seen.roll, seen.production))
    if not chains:
        findings.append(
            error(
                Kind.NO_HISTORY,
                f"there are no records at or below {shown(path)}",
                path=shown(path),
                remedy="name a roll folder, a day or a drive",
            )
        )
    whole = all(chain.whole for chain in chains) and not any(found.severity is Severity.ERROR for found in findings)
    return CustodyResult(
        verdict="whole" if whole else "not whole",
        chains=chains,
        findings=list(findings),
        drive=_drive(drives, path),
        status=ExitStatus.DONE if whole else ExitStatus.ANSWER_IS_NO,
    )


def _drive(drives: Drives, path: bytes) -> DriveOfCustody | None:
    try:
        volume = drives.volume_of(path)
    except OSError:
        return None
    return drive_of(volume.mount_point, volume, which_drive_if_any(volume))


def trust(key_file: bytes, name: str, *, home: Path | None = None, now: datetime | None = None) -> TrustResult:
    """Name a key: from now on records signed with it are signed by `name`. UsageProblem as `known_keys.trust_key`."""
    home = home or station_home()
    key, before = trust_key(home, Path(os.fsdecode(key_file)), name, now or datetime.now().astimezone())
    return TrustResult(
        name=" ".join(name.split()),
        fingerprint=key.fingerprint,
        new=not before,
        file=inert(str(home / KNOWN_NAME)),
    )


def _above(io: Io, drives: Drives, path: bytes, rolls: Sequence[RollSeen]) -> Iterator[tuple[bytes, Place]]:
    """Places above the given folder whose handovers speak of a roll in it; nothing else there is looked at."""
    real = os.path.realpath(path)
    try:
        top = os.path.realpath(drives.volume_of(path).mount_point)
    except OSError:
        return
    upper = real
    for _ in range(_HIGHEST):
        if upper == top or upper == os.path.dirname(upper):
            return
        upper = os.path.dirname(upper)
        with contextlib.suppress(OSError):
            root = io.open_root(upper)
            try:
                if not holds_handovers(io, root, b""):
                    continue
                offset = os.path.relpath(real, upper)
                moved = [replace(seen, folder=os.path.normpath(os.path.join(offset, seen.folder))) for seen in rolls]
                for place in places_of(io, root, upper, moved, [b""]):
                    if not place.folder:
                        # the same lists, so that what a handover remembers is said with the roll
                        yield upper, place
            finally:
                io.close(root)


def _place_chain(io: Io, known: KnownKeys, base: bytes, place: Place) -> CustodyChain:
    path = os.path.join(base, place.folder) if place.folder else base
    findings = list(place.chain.findings)
    for link in place.chain.links:
        header = link.header
        # (a receive may pass over records that its own station has added: its receipt need not be that of its list)
        if isinstance(header, HandoverHeader) and receipt_in(header) != header.receipt:
            detail = f"{link.name} contradicts itself: its receipt is not that of the rolls it lists"
            findings.append(error(Kind.BAD_RECORD, detail, path=link.name, drive=shown(path)))
    return _told(io, known, path, Chain(place.chain.links, tuple(findings)), None, place.production, of_drive=True)


def _told(
    io: Io,
    known: KnownKeys,
    path: bytes,
    chain: Chain,
    roll: str | None,
    production: str | None,
    *,
    of_drive: bool = False,
) -> CustodyChain:
    findings = list(chain.findings)
    links: list[CustodyLink] = []
    try:
        handle = io.open_root(path)
        try:
            links += [_link(io, handle, known, link, path, findings) for link in chain.links]
            findings += _orphans(io, handle, path, {link.name for link in chain.links})
        finally:
            with contextlib.suppress(OSError):
                io.close(handle)
    except OSError as error:
        findings.append(_unreadable(path, error))
    return CustodyChain(
        path=shown(path),
        of="drive" if of_drive else "roll",
        roll=inert(roll) if roll is not None else None,
        production=inert(production) if production is not None else None,
        whole=not any(finding.severity is Severity.ERROR for finding in findings),
        links=links,
        findings=grouped(findings),
    )


def _link(io: Io, handle: int, known: KnownKeys, link: Link, path: bytes, findings: list[Finding]) -> CustodyLink:
    signature = None
    try:
        signature = check_signature(io, handle, link.name, known)
        odd = signature_finding(link.name, signature, shown(path))
        if odd is not None:
            findings.append(odd)
    except UntrustedInput as problem:
        findings.append(error(Kind.BAD_RECORD, problem.message, path=link.name, drive=shown(path)))
    header = link.header
    return CustodyLink(
        record=link.name,
        sequence=link.sequence,
        kind=link.kind,
        written_at=header.written_at.isoformat() if header is not None else None,
        by=inert(header.by.name) if header is not None else "",
        role=inert(header.by.role) if header is not None else "",
        station=inert(header.station.host) if header is not None else "",
        state=link.state,
        what=inert(what_it_says(header)) if header is not None else "",
        signature=signature_out(signature) if signature is not None else None,
        sha256=link.sha256,
    )


def what_it_says(header: AnyHeader) -> str:
    """A record's word in one phrase. Its texts are as they stand in the record."""
    if isinstance(header, OffloadHeader):
        return f"{header.copy_.state} on {header.copy_.drive}, {_counted(header.totals.files, 'file')}"
    if isinstance(header, VerifyHeader):
        wrong = header.totals.differ + header.totals.missing
        return f"read again: {header.verdict}, {_counted(header.totals.files, 'file')}" + (
            f", {wrong} of them wrong or missing" if wrong else ""
        )
    if isinstance(header, AcceptHeader):
        return f"accepted: {', '.join(each.name for each in header.accepted)} ({header.reason})"
    if isinstance(header, LookedHeader):
        return "the pictures were looked at" + (f" ({header.note})" if header.note else "")
    if isinstance(header, PermitHeader):
        return (
            f"the card may be wiped (basis: {header.basis}), {_counted(len(header.counted), 'copy', 'copies')} counted"
        )
    if isinstance(header, HandoverHeader):
        via = f" by way of {header.via}" if header.via else ""
        return f"to {header.to}{via}, {_counted(len(header.rolls), 'roll')}, receipt {header.receipt}"
    if isinstance(header, ReceiveHeader):
        return f"read again: {header.verdict}, {_counted(len(header.rolls), 'roll')}, receipt {header.receipt}"
    return f"takes back {header.withdraws.name}: {header.reason}"


def _orphans(io: Io, handle: int, path: bytes, there: set[str]) -> list[Finding]:
    """Signatures whose record is gone: what a dropped record may leave behind."""
    out = []
    with contextlib.suppress(OSError, UntrustedInput), store.records_folder(io, handle) as folder:
        for name, _ in sorted(io.list_folder(folder)):
            record = name.removesuffix(store.SIGNATURE_SUFFIX)
            if record == name or store.found_record(record) is None or record.decode("ascii") in there:
                continue
            out.append(
                error(
                    Kind.RECORD_MISSING,
                    f"the signature {shown(name)} lies here without its record: the record was removed",
                    path=shown(RECORDS_FOLDER + b"/" + name),
                    drive=shown(path),
                    remedy="compare with the records on another copy",
                )
            )
    return out


def _unreadable(path: bytes, error: OSError) -> Finding:
    return Finding(
        Kind.UNREADABLE_FOLDER,
        Severity.ERROR,
        shown(path),
        f"the records of {shown(path)} cannot be read ({said(error)})",
        drive=shown(path),
        remedy="reconnect the drive and ask again",
    )


def _counted(count: int, what: str, many: str = "") -> str:
    return count_of(count, what, many)
