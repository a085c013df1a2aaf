"""The open standard's history, judged beside our own records.

Alone, a history cannot tell two things apart: a run that was killed between its manifest and the chain, and a chain
whose newest entry somebody took out. Our records can, without trusting a clock: every finished offload and every
finished verify leaves one generation in the chain and one record. With fewer of our generations in the chain than
finished runs recorded, an entry was taken out; otherwise a run did not come to its end, and its manifest goes into the
chain with the next one. (Where an earlier interrupted run had left one generation more, one entry taken out is made up
for by it, and stays a warning, unless a record names that manifest.) Which manifest was written with a record the
record says itself: `proof.histories` compares. Records of earlier versions do not say it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

from rollproof.ascmhl.model import History, ManifestRead, ManifestState, Process, WrittenManifest
from rollproof.ascmhl.standard import CHAIN_NAME
from rollproof.models.findings import Finding, Kind, Severity, warning
from rollproof.models.names import shown, to_text
from rollproof.proof.histories import FoundManifest, ManifestAt, NamedManifest, compare_histories
from rollproof.records.chain import Chain
from rollproof.records.founding import founder_of
from rollproof.records.models import ManifestName, OffloadHeader, VerifyHeader
from rollproof.station.authorship import OUR_TOOL

_STARTED = re.compile(rb"_(\d{4}-\d\d-\d\d_\d{6})Z\.mhl")


def manifest_name(written: WrittenManifest) -> ManifestName:
    """A manifest as the record that follows it names it."""
    return ManifestName(name=to_text(written.name), sequence=written.sequence, c4=written.c4)


def history_findings(history: History, chain: Chain) -> list[Finding]:
    """The history's findings, put right by what our records know, and what the records know of manifests that the
    history alone does not miss."""
    compared = compare_histories(_named(chain), [_as_found(generation) for generation in history.generations])
    said = {(finding.kind, finding.path) for finding in compared}
    own = [finding for finding in _put_right(history, chain) if (finding.kind, finding.path) not in said]
    return [*own, *compared]


def _named(chain: Chain) -> list[NamedManifest]:
    """The manifests that the records of this copy name; those of records that were carried here came with their own
    history, which may not have been taken along where the folder had one already."""
    founder = founder_of(chain)
    first = next((link.sequence for link in chain.links if link.sha256 == founder), 0)
    return [
        _as_named(link.name, link.header.manifest)
        for link in chain.links
        if isinstance(link.header, OffloadHeader | VerifyHeader)
        and link.header.manifest is not None
        and link.state != "foreign"
        and link.sequence >= first
    ]


def _as_named(record: str, manifest: ManifestName) -> NamedManifest:
    return NamedManifest(record, manifest.name, manifest.sequence, manifest.c4)


def _as_found(generation: ManifestRead) -> FoundManifest:
    at: dict[ManifestState, ManifestAt] = {
        ManifestState.WHOLE: "in the chain",
        ManifestState.NOT_IN_CHAIN: "not in the chain",
    }
    return FoundManifest(to_text(generation.name), generation.c4, at.get(generation.state, "said"))


def _put_right(history: History, chain: Chain) -> list[Finding]:
    strays = [generation for generation in history.generations if generation.state is ManifestState.NOT_IN_CHAIN]
    if not strays:
        return list(history.findings)
    first = _first_of_a_killed_verify(history, strays, chain)
    if first is not None:
        told = {shown(CHAIN_NAME): Kind.CHAIN_BROKEN, shown(first.name): Kind.MANIFEST_NOT_IN_CHAIN}
        rest = [finding for finding in history.findings if told.get(finding.path) is not finding.kind]
        return [*rest, _left_unfinished(first)]
    if not _lost_an_entry(history, chain):
        return list(history.findings)
    names = {shown(generation.name) for generation in strays}
    return [
        _taken_out(finding) if finding.kind is Kind.MANIFEST_NOT_IN_CHAIN and finding.path in names else finding
        for finding in history.findings
    ]


def _generations_recorded(chain: Chain) -> list[OffloadHeader | VerifyHeader]:
    """Records of runs that wrote a generation: offloads, and verifies that read anything."""
    return [
        link.header
        for link in chain.links
        if isinstance(link.header, OffloadHeader)
        or (isinstance(link.header, VerifyHeader) and link.header.files_digest is not None)
    ]


def _is_ours(generation: ManifestRead) -> bool:
    return generation.header is not None and generation.header.creator.tool == OUR_TOOL


def _lost_an_entry(history: History, chain: Chain) -> bool:
    in_chain = [each for each in history.generations if each.state is not ManifestState.NOT_IN_CHAIN]
    if any(each.state is not ManifestState.WHOLE for each in in_chain):
        return False  # errors already, and what cannot be read cannot be counted
    return sum(map(_is_ours, in_chain)) < len(_generations_recorded(chain))


def _first_of_a_killed_verify(history: History, strays: list[ManifestRead], chain: Chain) -> ManifestRead | None:
    """The manifest of a verify that was to begin a history and was killed before the chain."""
    if len(history.generations) != 1 or strays[0].sequence != 1 or not _is_ours(strays[0]):
        return None
    if not any(finding.kind is Kind.CHAIN_BROKEN and "no chain" in finding.detail for finding in history.findings):
        return None
    stray = strays[0]
    started = _started(stray.name)
    if started is None or stray.header is None or stray.header.process is not Process.IN_PLACE:
        return None
    # a verify that came to its end has a record, written after it began
    ended = any(
        isinstance(header, VerifyHeader) and header.written_at >= started for header in _generations_recorded(chain)
    )
    return None if ended else stray


def _started(name: bytes) -> datetime | None:
    found = _STARTED.search(name)
    try:
        return datetime.strptime(found[1].decode(), "%Y-%m-%d_%H%M%S").replace(tzinfo=UTC) if found else None
    except ValueError:
        return None


def _left_unfinished(first: ManifestRead) -> Finding:
    return warning(
        Kind.MANIFEST_NOT_IN_CHAIN,
        "A verify was interrupted after it had written this manifest, the first one, and before its chain. The next"
        " verify takes it into the chain.",
        path=shown(first.name),
    )


def _taken_out(finding: Finding) -> Finding:
    return replace(
        finding,
        severity=Severity.ERROR,
        detail="The manifest is not in the chain, and a run that came to its end had it there: the chain's newest entry"
        " was taken out.",
        remedy="compare with the history on another drive with this roll, and find out by whom",
    )
