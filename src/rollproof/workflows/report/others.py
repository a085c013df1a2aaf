"""Rolls and copies in a report that others have recorded: a history of the open standard, and no record of ours."""

from __future__ import annotations

from datetime import UTC, datetime

from rollproof.ascmhl.model import ManifestHeader
from rollproof.copies.ledger_import import camera_of
from rollproof.copies.location import place_on
from rollproof.copies.recorded import Papers
from rollproof.ledger.entries import DriveIdentity
from rollproof.models.counting import count_were
from rollproof.models.findings import Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Volume
from rollproof.records.chain import Chain
from rollproof.records.models import VerifyHeader
from rollproof.reports.model import CopyOfReport
from rollproof.workflows.report.clips import RecordedFile
from rollproof.workflows.report.rolls import CopyFound, RollFound, RollsFound, finding_of_report, person_of

BY_OTHERS = "recorded by others"
"""The state of such a copy: there is a history, and whether the files are as it says was not seen by this report."""


def roll_of_others(
    rolls: RollsFound, papers: Papers, chain: Chain, volume: Volume, name: str, path: bytes
) -> tuple[RollFound, list[RecordedFile]]:
    """Take in a copy of which only a history tells; with it the files of that history, in byte order.

    It is a copy of the one known roll of that name that has as many files and bytes; of another roll otherwise. Sizes
    and dates that the history does not give are 0.
    """
    expected = papers.expected
    files = [
        RecordedFile(FileEntry(file, known.size or 0, known.modified_ns or 0), known.hashes)
        for file, known in sorted(expected.items())
    ]
    size = sum(file.entry.size for file in files)
    headers = [made.header for made in papers.history.generations if made.header is not None]
    first = headers[0] if headers else None
    alike = [
        each for each in rolls.all if (each.roll, each.files, each.size_bytes) == (name, len(files), size) and files
    ]
    found = alike[0] if len(alike) == 1 else rolls.add(_new(name, first, len(files), size))
    for header in headers:
        for author in header.creator.authors:
            found.add_person(person_of(author.name, author.role))
    for odd in (*papers.history.findings, *(odd for _, inner in papers.inner for odd in inner.findings)):
        drive = shown(path)
        found.add_finding(finding_of_report(odd.severity.value, odd.kind.value, odd.path, odd.detail, drive))
    newest = papers.history.newest
    if newest is not None and newest.failed:
        detail = f"the newest manifest says that {count_were(newest.failed, 'file')} not as recorded"
        found.add_finding(finding_of_report(Severity.ERROR.value, Kind.DIFFERS.value, "", detail, shown(path)))
    found.add_copy(_copy(chain, volume, headers, path))
    return found, files


def _new(name: str, first: ManifestHeader | None, files: int, size: int) -> RollFound:
    author = first.creator.authors[0] if first is not None and first.creator.authors else None
    return RollFound(
        production=None,
        roll=name,
        card_key="",
        offloaded_at=_moment(first) or datetime.fromtimestamp(0, UTC),
        offloaded_by=person_of(author.name, author.role) if author is not None else person_of("", ""),
        camera=camera_of(name),
        files=files,
        size_bytes=size,
    )


def _copy(chain: Chain, volume: Volume, headers: list[ManifestHeader], path: bytes) -> CopyFound:
    identity = DriveIdentity.of(volume)
    drive = inert(identity.volume_label or shown(path))[:200]
    why, at = "it has a history of the open standard", None
    if headers:
        creator, at = headers[0].creator, _moment(headers[-1])
        why += (
            f", begun by {creator.tool or 'a tool it does not name'} on {creator.host or 'a computer it does not name'}"
        )
    verified = [link.header for link in chain.links if isinstance(link.header, VerifyHeader) and link.state == "whole"]
    if verified:
        newest = verified[-1]
        why += f"; the newest verify says {newest.verdict}"
        at = newest.written_at
    else:
        why += "; no record tells of a verify"
    readback = verified[-1].copy_.readback if verified and verified[-1].copy_ is not None else None
    return CopyFound(
        identity.text,
        volume.device,
        CopyOfReport(
            drive=drive,
            role="",
            device=inert(identity.model or identity.volume_label or identity.source)[:200],
            serial=inert(identity.serial)[:200],
            state=BY_OTHERS,
            proof=readback.value if readback is not None else None,
            why=inert(why)[:1000],
            state_at=at,
            known_from="drive",
            folder=shown(place_on(volume, path)),
        ),
    )


def _moment(header: ManifestHeader | None) -> datetime | None:
    return None if header is None else moment_of(header.created_at)


def moment_of(text: str) -> datetime | None:
    """The moment that a manifest gives; None for a text that is none, one without a zone or beyond the calendar."""
    try:
        moment = datetime.fromisoformat(text)
        return moment.astimezone(UTC) if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None
