"""Do the histories beside a copy agree with what is known of them: the manifests that our records name with those that
are there, and the records that this station remembers with those that are there?

| a manifest that a record names                              | finding                          |
|-------------------------------------------------------------|----------------------------------|
| is there with the recorded C4, in the chain                 | nothing                          |
| is there with another C4, in the chain                      | `manifest-changed`               |
| is there with the recorded C4, not in the chain             | `manifest-not-in-chain`          |
| is not there, and number 1 of the same history is           | `manifest-missing`               |
| is not there, and neither is number 1 of the same history   | `manifest-missing`, as a warning |
| is there changed, or gone, and the chain shows it by itself | said of the chain                |

A record is written after the manifest and the chain, so a run that was killed leaves none of these. Manifests that no
record names are other programs' or those of a run that did not come to its end: no error. A history that was removed as
a whole can be begun anew by a verify, with a manifest of number 1: what it held is not known any more, which stays a
warning; nothing that is there pretends to be whole, and the records are the ones believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rollproof.models.findings import Finding, Kind, error, warning

ManifestAt = Literal["in the chain", "not in the chain", "said"]
"""Whether the chain names it with its own C4; `said` where what is wrong with it was found by the chain alone."""

REMEDY = (
    "the footage was not touched by this; compare with the history on another drive with this roll, find out by whom,"
    " and copy the roll from there into a new folder"
)
BEGIN_ANEW = (
    "look who removed it, and verify this copy: that begins a new one; other people's tools need it, the records are"
    " enough for this one"
)


@dataclass(frozen=True, slots=True)
class RecordFact:
    """A record of a chain, as it is there or as this station remembers it."""

    sequence: int
    sha256: str
    name: str = ""
    is_offload: bool = False


@dataclass(frozen=True, slots=True)
class LostRecord:
    """A record that is remembered and not there. `replaced`: another one bears its very name, so it was changed;
    otherwise it was removed, whatever was written after that."""

    record: RecordFact
    replaced: bool


@dataclass(frozen=True, slots=True)
class Losses:
    """What a chain lost since this station knows it. `all_offloads`: no record is left that says where the copy came
    from, which no verify makes good."""

    lost: tuple[LostRecord, ...] = ()
    all_offloads: bool = False


def lost_records(there: Sequence[RecordFact], remembered: Sequence[RecordFact], founder: str | None) -> Losses:
    """What is `remembered` of this copy, in the order in which this station learned of it, and is not there: the same
    answer whatever was verified since.

    Where the record that founded the copy, `founder`, is there as remembered, what was learned before the first record
    that is there belongs to an earlier copy in the same folder; that it lacks its first records a chain shows itself.
    """
    known = {each.sha256 for each in remembered}
    here = {each.sha256 for each in there}
    names = {each.name for each in there}
    first = next((place for place, each in enumerate(remembered) if each.sha256 in here), 0)
    of_this_copy = remembered[first:] if founder in here & known else remembered
    lost = tuple(LostRecord(each, each.name in names) for each in of_this_copy if each.sha256 not in here)
    no_offload = any(each.record.is_offload for each in lost) and not any(each.is_offload for each in there)
    return Losses(lost, no_offload)


@dataclass(frozen=True, slots=True)
class NamedManifest:
    """A manifest as the record `record` names it; `sequence` is its number in its history."""

    record: str
    name: str
    sequence: int
    c4: str


@dataclass(frozen=True, slots=True)
class FoundManifest:
    """A manifest that is there, or that the chain names."""

    name: str
    c4: str
    at: ManifestAt


def compare_histories(named: Sequence[NamedManifest], found: Sequence[FoundManifest]) -> list[Finding]:
    """What the records, in their order, know of the manifests and is not so. All gone alike are one finding."""
    there = {each.name: each for each in found}
    removed: list[NamedManifest] = []
    dropped: list[NamedManifest] = []
    out: list[Finding] = []
    for era in _eras(named):
        gone = [each for each in era if _is_gone(each, there.get(each.name))]
        whole_history = len(gone) == len(era) or (era[0].sequence == 1 and era[0] in gone)
        (removed if whole_history else dropped).extend(gone)
        known = set(gone)
        for each in era:
            if each not in known:
                out += _differs(each, there[each.name])
    if dropped:
        detail = "the manifest is gone, and its entry in the chain"
        out.append(error(Kind.MANIFEST_MISSING, _named_by(detail, dropped), path=dropped[0].name, remedy=REMEDY,
                         count=len(dropped)))  # fmt: skip
    if removed:
        detail = "the history of the open standard is gone" + (", and another was begun" if found else "")
        out.append(warning(Kind.MANIFEST_MISSING, _named_by(detail, removed), path=removed[0].name,
                           remedy=BEGIN_ANEW if not found else REMEDY, count=len(removed)))  # fmt: skip
    return out


def _eras(named: Sequence[NamedManifest]) -> list[list[NamedManifest]]:
    """Those of one history each: number 1 begins another."""
    eras: list[list[NamedManifest]] = []
    for each in named:
        if each.sequence == 1 or not eras:
            eras.append([])
        eras[-1].append(each)
    return eras


def _is_gone(named: NamedManifest, found: FoundManifest | None) -> bool:
    """Another manifest of that name that is not in the chain is what a run left that began anew and was stopped."""
    return found is None or (found.at == "not in the chain" and found.c4 != named.c4)


def _differs(named: NamedManifest, found: FoundManifest) -> list[Finding]:
    if found.at == "said":
        return []
    if found.c4 != named.c4:
        detail = f"the manifest is not the one that {named.record} was written with: it was changed, and the chain too"
        return [error(Kind.MANIFEST_CHANGED, detail, path=named.name, remedy=REMEDY)]
    if found.at == "not in the chain":
        detail = f"the chain's entry for this manifest was taken out: {named.record} was written after it was there"
        return [error(Kind.MANIFEST_NOT_IN_CHAIN, detail, path=named.name, remedy=REMEDY)]
    return []


def _named_by(what: str, gone: Sequence[NamedManifest]) -> str:
    more = f" (and {len(gone) - 1:,} more like it)" if len(gone) > 1 else ""
    return f"{what}: {gone[0].record} names {gone[0].name}{more}"
