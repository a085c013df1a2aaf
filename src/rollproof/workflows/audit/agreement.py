"""Do the copies of a roll agree, and is the same content in two rolls? By what records and manifests say."""

from __future__ import annotations

import contextlib
from array import array
from collections.abc import Iterable, Sequence
from itertools import pairwise

from rollproof.copies.recorded import Recorded, side_by_side
from rollproof.models.counting import count_of
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Kind, Severity, error, warning
from rollproof.models.names import inert, shown
from rollproof.storage.io import Io
from rollproof.tree.suffixes import is_essence
from rollproof.workflows.audit.copy import CopyLook, Told
from rollproof.workflows.audit.listed import copy_files
from rollproof.workflows.audit.rolls import Roll
from rollproof.workflows.audit.sums import essence_keys

_NAMED = 3
"""Differing files that are said one by one; the rest are counted."""


def compare_copies(io: Io, roll: Roll) -> None:
    """Say where copies of a roll hold different files, or different hashes for one file. OSError when a drive fails."""
    copies = [copy for copy in roll.copies if copy.has_content and copy.files and not copy.unfinished]
    if len(copies) < 2 or _all_one(copies):
        return
    only: dict[tuple[int, ...], list[bytes]] = {}
    disagreeing: list[tuple[bytes, dict[int, Recorded]]] = []
    more = 0
    with contextlib.ExitStack() as stack:
        streams = [stack.enter_context(copy_files(io, copy)) for copy in copies]
        try:
            for path, there in side_by_side(streams):
                if len(there) < len(copies):
                    lacking = tuple(number for number in range(len(copies)) if number not in there)
                    only.setdefault(lacking, []).append(path)
                if not _agree(list(there.values())):
                    if len(disagreeing) < _NAMED:
                        disagreeing.append((path, there))
                    else:
                        more += 1
        except UntrustedInput:
            return  # a record that cannot be read through has its own finding
    for path, there in disagreeing:
        roll.say(_disagreement(roll, copies, path, there, more))
        more = 0
    for lacking, paths in sorted(only.items()):
        roll.say(_not_everywhere(roll, copies, lacking, paths))


def _all_one(copies: Sequence[CopyLook]) -> bool:
    """Whether one digest says that all hold the same."""
    first = copies[0].digests
    return any(all(copy.digests.get(name) == text for copy in copies) for name, text in first.items())


def _agree(there: Sequence[Recorded]) -> bool:
    return len(_sides(dict(enumerate(there)))) < 2


def _sides(there: dict[int, Recorded]) -> list[tuple[dict[str, str], list[int]]]:
    """The copies in groups that say the same of one file; those with no algorithm in common are not held apart."""
    sides: list[tuple[dict[str, str], list[int]]] = []
    for number, entry in sorted(there.items()):
        hashes = entry.hashes
        for known, numbers in sides:
            if all(known.get(name, text) == text for name, text in hashes.items()):
                known.update(hashes)
                numbers.append(number)
                break
        else:
            sides.append((dict(hashes), [number]))
    return sides


def _disagreement(roll: Roll, copies: Sequence[CopyLook], path: bytes, there: dict[int, Recorded], more: int) -> Told:
    sides = _sides(there)
    said = "; ".join(
        f"{_one_hash(hashes)} on {' and '.join(copies[number].place.name for number in numbers)}"
        for hashes, numbers in sides
    )
    original = _original(copies, [numbers for _, numbers in sides])
    first = (
        f"the original by the history is on {' and '.join(copies[number].place.name for number in original)}"
        if original
        else "the histories do not tell which is the original"
    )
    detail = f"roll {inert(roll.name)}: {shown(path)} is not the same in all copies: {said}; {first}"
    if more:
        detail += f" ({count_of(more, 'more file')} like it)"
    finding = error(
        Kind.COPIES_DISAGREE,
        detail,
        path=shown(path),
        remedy="change nothing on either drive; verify both copies, and compare with the card or the ledger",
        count=1 + more,
    )
    return Told("agreement", finding, roll.name)


def _one_hash(hashes: dict[str, str]) -> str:
    name, text = min(hashes.items())
    return f"{name} {text[:12]}…"


def _original(copies: Sequence[CopyLook], sides: Sequence[Sequence[int]]) -> Sequence[int]:
    """The side with the oldest word of all whose papers are whole; empty where two are equally old."""
    dated: list[tuple[str, Sequence[int]]] = []
    for numbers in sides:
        moments = [copies[number].first_at for number in numbers if _is_whole(copies[number])]
        moments = [moment for moment in moments if moment]
        if moments:
            dated.append((min(moments), numbers))
    dated.sort()
    if not dated or (len(dated) > 1 and dated[0][0] == dated[1][0]):
        return ()
    return dated[0][1]


def _is_whole(copy: CopyLook) -> bool:
    return not any(told.topic == "custody" and told.finding.severity is Severity.ERROR for told in copy.told)


def _not_everywhere(roll: Roll, copies: Sequence[CopyLook], lacking: Sequence[int], paths: Sequence[bytes]) -> Told:
    has = " and ".join(copy.place.name for number, copy in enumerate(copies) if number not in lacking)
    names = [copies[number].place.name for number in lacking]
    one = len(names) == 1
    what = f"the {'copy' if one else 'copies'} on {' and '.join(names)} {'knows' if one else 'know'} nothing of it"
    more = f" and {len(paths) - 1:,} more" if len(paths) > 1 else ""
    finding = error(
        Kind.NOT_IN_EVERY_COPY,
        f"roll {inert(roll.name)}: {shown(paths[0])}{more} is in a copy on {has}, and {what}",
        path=shown(paths[0]),
        drive=names[0] if one else "",
        remedy="keep the card; copy the roll again into a new folder from the copy that has everything",
        count=len(paths),
    )
    return Told("agreement", finding, roll.name)


# --- the same content in two rolls


def same_clips(io: Io, rolls: Sequence[Roll]) -> list[Told]:
    """One finding for each two rolls that hold the same essence. OSError when a drive fails."""
    chosen = [(number, roll.best) for number, roll in enumerate(rolls) if roll.best.keys]
    pairs = _suspected(chosen)
    out = []
    for one, other in sorted(pairs):
        found = _shared(io, rolls[one], rolls[other])
        if found is not None:
            out.append(found)
    return out


def _suspected(chosen: Iterable[tuple[int, CopyLook]]) -> set[tuple[int, int]]:
    """Pairs of rolls with an equal key. Keys and owners lie in two flat arrays: twelve bytes a clip."""
    keys, owners = array("Q"), array("L")
    for number, copy in chosen:
        once = sorted(set(copy.keys))
        keys.extend(once)
        owners.extend([number] * len(once))
    order = sorted(range(len(keys)), key=keys.__getitem__)
    pairs: set[tuple[int, int]] = set()
    for before, after in pairwise(order):
        if keys[before] == keys[after]:
            one, other = sorted((owners[before], owners[after]))
            pairs.add((one, other))
    return pairs


def _shared(io: Io, one: Roll, other: Roll) -> Told | None:
    first, second = one.best, other.best
    known: dict[tuple[int, str], bytes] = {}
    common = set(first.keys) & set(second.keys)
    both: list[tuple[bytes, bytes]] = []
    try:
        with copy_files(io, first) as files:
            for entry in files:
                known |= dict.fromkeys(_content(entry, common), entry.path)
        with copy_files(io, second) as files:
            for entry in files:
                path = next((known[key] for key in _content(entry, common) if key in known), None)
                if path is not None:
                    both.append((path, entry.path))
    except UntrustedInput:
        return None
    if not both:
        return None
    here, there = both[0]
    count = "the same clip" if len(both) == 1 else f"{len(both):,} clips with the same content"
    detail = (
        f"rolls {inert(one.name)} and {inert(other.name)} hold {count}: {shown(here)} in one is {shown(there)}"
        " in the other"
    )
    finding = warning(
        Kind.CLIP_IN_TWO_ROLLS,
        detail,
        path=shown(here),
        remedy="a card that was not formatted, or was copied under two names: tell whoever conforms the cut",
        count=len(both),
    )
    return Told("agreement", finding, one.name)


def _content(entry: Recorded, common: set[int]) -> list[tuple[int, str]]:
    if not entry.size or not is_essence(entry.path.rpartition(b"/")[2]):
        return []
    hashes = entry.hashes
    return [
        (entry.size, f"{name} {text}")
        for name, text in hashes.items()
        if not common.isdisjoint(essence_keys({name: text}))
    ]


def same_names(rolls: Sequence[Roll]) -> list[Told]:
    """One finding for each name that two rolls of one production bear."""
    by_name: dict[str, list[Roll]] = {}
    for roll in rolls:
        by_name.setdefault(roll.name, []).append(roll)
    out = []
    for name, namesakes in by_name.items():
        productions = [roll.production for roll in namesakes]
        if len(namesakes) < 2 or (None not in productions and len(set(productions)) == len(productions)):
            continue
        where = "; ".join(
            f"{roll.day or 'day unknown'}{', unit ' + roll.unit if roll.unit else ''}"
            f" on {' and '.join(copy.place.name for copy in roll.copies)}"
            for roll in namesakes
        )
        finding = warning(
            Kind.TWO_ROLLS_ONE_NAME,
            f"{len(namesakes)} different rolls are called {inert(name)}: {inert(where)}",
            remedy="rename nothing that was recorded; tell whoever conforms the cut which is which",
        )
        out.append(Told("agreement", finding, name))
    return out
