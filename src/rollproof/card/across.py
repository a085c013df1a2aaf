"""What only shows when all clips of a card are seen together: gaps, doubles, clips out of order, proxies alone, and a
card's own index that says otherwise.

Nothing here is proof of a loss: each may have a good reason, and the person with the camera report knows it.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise

from rollproof.card.clips import CardContents
from rollproof.card.roll_name import CLIP_NAME
from rollproof.models.findings import Finding, Kind, Severity, warning
from rollproof.models.names import inert, shown, to_text
from rollproof.models.tree import Clip, Snapshot
from rollproof.tree.suffixes import is_essence, split_name

_CLOCK_SLACK_NS = 2_000_000_000
"""The modification times of the coarsest file systems."""

_YEAR_2000_NS = 946_684_800 * 1_000_000_000
_DAY_AND_ZONES_NS = 50 * 3600 * 1_000_000_000
"""A day, and 26 hours between the zones that are furthest apart."""

_CHAPTERED = re.compile(r"([A-Z]{2})[0-9]{2}([0-9]{4})", re.IGNORECASE)
_TAKE = re.compile(r"(.*T)([0-9]{2,3})", re.IGNORECASE)
_NUMBERED = re.compile(r"(.*?)([0-9]{1,6})", re.DOTALL)
_SHOWN = 5
_REPORT = "compare with the camera report: deleted in the camera, or lost?"


def across_findings(snapshot: Snapshot, contents: CardContents, now_ns: int) -> list[Finding]:
    """Everything that all clips together show, in the order of how bad it is. `now_ns` is this station's clock."""
    counted = _by_counter(contents.clips)
    return [
        *_alone(snapshot, contents.alone),
        *_untold(contents.untold),
        *_orphans(snapshot, contents.orphans),
        *_gaps(counted, _from_one(contents)),
        *_doubles(contents.clips),
        *_order(snapshot, counted),
        *_dates(snapshot, contents.clips, now_ns),
    ]


def index_findings(
    snapshot: Snapshot, contents: CardContents, index: int, references: Iterable[str], clip_names: Iterable[str] = ()
) -> Iterator[Finding]:
    """A card index against what is there: `references` are the file names in it, `clip_names` the clips.

    An index that names no media at all says nothing about the clips.
    """
    path = snapshot.files[index].path
    named = {_last(reference): reference for reference in references}
    media = {name for name in named if is_essence(name)}
    stems = {split_name(name)[0] for name in media} | {_last(name) for name in clip_names}
    if not media and not stems:
        return
    there = {_folded(entry.path.rpartition(b"/")[2]) for entry in snapshot.files}
    gone = sorted(media - there)
    if gone:
        yield _warning(
            Kind.INDEX_DISAGREES,
            shown(path),
            f"the card's own index names {_files(len(gone))} not there: {_some(named[name] for name in gone)}",
            _REPORT,
            len(gone),
        )
    region = contents.regions.of(path.rpartition(b"/")[0])
    untold = [
        clip.name
        for clip in contents.clips
        if region is not None
        and contents.regions.of(snapshot.files[clip.files[0]].path.rpartition(b"/")[0]) is region
        and not any(_is_named(snapshot.files[file].path, media, stems) for file in clip.essence)
    ]
    if untold:
        yield _warning(
            Kind.INDEX_DISAGREES,
            shown(path),
            f"{_clips(len(untold))} there and not named in the card's own index: {_some(untold)}",
            "the index was perhaps not written to its end; look at the last clips",
            len(untold),
        )


def _is_named(path: bytes, media: set[bytes], stems: set[bytes]) -> bool:
    name = _folded(path.rpartition(b"/")[2])
    return name in media or split_name(name)[0] in stems


def _last(reference: str) -> bytes:
    return _folded(reference.replace("\\", "/").rpartition("/")[2].encode("utf-8", "replace"))


def _folded(name: bytes) -> bytes:
    return to_text(name).casefold().encode("utf-8", "replace")


# --- counters


Counter = tuple[str, str]
"""What stands before a clip's number, and which kind of counting that is."""


def counter_of(clip: Clip) -> tuple[Counter, int] | None:
    """A clip's place in the counting of its camera; None for a name that does not count."""
    roll = CLIP_NAME.match(clip.name)
    if roll is not None:
        return (roll["roll"].upper(), "roll"), int(roll["number"])
    for kind, pattern in (("chaptered", _CHAPTERED), ("take", _TAKE), ("plain", _NUMBERED)):
        found = pattern.fullmatch(clip.name)
        if found is not None:
            return (found[1].upper(), kind), int(found[2])
    return None


def _by_counter(clips: Iterable[Clip]) -> dict[tuple[Counter, str], list[tuple[int, Clip]]]:
    counted: dict[tuple[Counter, str], list[tuple[int, Clip]]] = defaultdict(list)
    for clip in clips:
        found = counter_of(clip)
        if found is not None:
            # photographs and movies of one camera share a counter; takes that were set aside fill their places
            counted[found[0], clip.layout].append((found[1], clip))
    for members in counted.values():
        members.sort(key=lambda member: member[0])
    return counted


def _from_one(contents: CardContents) -> set[str]:
    return {region.layout.id for region in contents.regions.found() if region.layout.counter_from_one}


def _gaps(counted: Mapping[tuple[Counter, str], Sequence[tuple[int, Clip]]], from_one: set[str]) -> Iterator[Finding]:
    for ((before, kind), layout), members in counted.items():
        numbers = sorted({number for number, _ in members})
        if layout in from_one and kind == "roll":
            numbers = sorted({0, *numbers})
        gaps = [(low + 1, high - 1) for low, high in pairwise(numbers) if high - low > 1]
        missing = sum(last - first + 1 for first, last in gaps)
        if not gaps or missing > max(3 * len(members), 10):
            continue  # none, or a number that does not count clips
        still = all(clip.kind == "still" for _, clip in members)
        yield Finding(
            Kind.CLIP_NUMBERS_GAP,
            Severity.WARNING if kind == "roll" or not still else Severity.NOTE,
            inert(_missing_name(members[0][1], gaps[0][0])),
            f"{_clips(missing)} missing in the counting of {inert(before) or 'the clips'}: number"
            f" {_some(str(low) if low == high else f'{low} to {high}' for low, high in gaps)}",
            remedy=_REPORT,
            count=missing,
        )


def _missing_name(clip: Clip, number: int) -> str:
    """What the clip with another number would be called, up to and with its counter."""
    for pattern in (CLIP_NAME, _CHAPTERED, _TAKE, _NUMBERED):
        found = pattern.match(clip.name) if pattern is CLIP_NAME else pattern.fullmatch(clip.name)
        if found is not None:
            group = "number" if pattern is CLIP_NAME else 2
            start, end = found.span(group)
            return f"{clip.name[:start]}{number:0{end - start}}"
    return clip.name


def _order(snapshot: Snapshot, counted: Mapping[tuple[Counter, str], Sequence[tuple[int, Clip]]]) -> Iterator[Finding]:
    for (before, _), members in counted.items():
        dated = [clip for _, clip in members if clip.essence]
        apart = _out_of_order([min(snapshot.files[index].modified_ns for index in clip.essence) for clip in dated])
        if apart:
            yield _warning(
                Kind.CLIPS_OUT_OF_ORDER,
                inert(dated[apart[0]].name),
                f"{_clips(len(apart))} dated out of the order of the numbers of {inert(before[0]) or 'the card'}:"
                f" {_some(dated[place].name for place in apart)}",
                "the camera's clock was set anew, or files of another day lie here: look before the card is wiped",
                len(apart),
            )


def _out_of_order(dates: Iterable[int]) -> list[int]:
    """The fewest places that must be left out so that the rest is in order: one date that is wrong blames no other.

    The longest sequence that does not fall, by the ends of the best one of each length (patience sorting).
    """
    ends: list[int] = []  # the earliest date on which a sequence of each length can end, and whose it is
    holders: list[int] = []
    before: list[int] = []
    last = -(1 << 80)
    for place, date in enumerate(dates):
        # what is a little earlier than its neighbour is as good as equal to it
        last = last if last - _CLOCK_SLACK_NS <= date < last else date
        length = bisect_right(ends, last)
        before.append(holders[length - 1] if length else -1)
        ends[length : length + 1] = [last]
        holders[length : length + 1] = [place]
    kept = set()
    place = holders[-1] if holders else -1
    while place >= 0:
        kept.add(place)
        place = before[place]
    return [place for place in range(len(before)) if place not in kept]


def _doubles(clips: Iterable[Clip]) -> Iterator[Finding]:
    first: dict[tuple[str, bool], Clip] = {}
    more: dict[tuple[str, bool], list[Clip]] = {}
    for clip in clips:
        name = (clip.name.casefold(), clip.set_aside)
        one = first.setdefault(name, clip)
        if one is not clip:
            more.setdefault(name, [one]).append(clip)
    for same in more.values():
        if any(clip.kind != "still" for clip in same):
            yield _warning(
                Kind.CLIP_NAME_TWICE,
                inert(same[0].name),
                f"{len(same)} clips are called {inert(same[0].name)}",
                "editing programs may take one for the other: tell the camera team and the editor",
                len(same),
            )


def _alone(snapshot: Snapshot, alone: Sequence[int]) -> Iterator[Finding]:
    if alone:
        names = [to_text(snapshot.files[index].path.rpartition(b"/")[2]) for index in alone]
        told = "1 clip that is" if len(names) == 1 else f"{len(names):,} clips that are"
        yield _warning(
            Kind.METADATA_WITHOUT_ORIGINAL,
            shown(snapshot.files[alone[0]].path),
            f"the camera's own files tell of {told} not on the card: {_some(names)}",
            "the original may be lost or on another card: " + _REPORT,
            len(names),
        )


def _untold(names: Sequence[str]) -> Iterator[Finding]:
    if names:
        yield _warning(
            Kind.CLIP_WITHOUT_METADATA,
            inert(names[0]),
            f"{_clips(len(names))} there without the file that the camera writes when it closes one: {_some(names)}",
            "the recording was perhaps not closed: look at it before the card is wiped, and tell the camera team",
            len(names),
        )


def _dates(snapshot: Snapshot, clips: Iterable[Clip], now_ns: int) -> Iterator[Finding]:
    """Clocks that were never set, or set wrong. Some file systems keep the local time of anywhere."""
    future: list[str] = []
    past: list[str] = []
    for clip in clips:
        if clip.essence:
            dated = snapshot.files[clip.essence[0]].modified_ns
            if dated > now_ns + _DAY_AND_ZONES_NS:
                future.append(clip.name)
            elif dated < _YEAR_2000_NS:
                past.append(clip.name)
    for names, when in ((future, "in the future"), (past, "before the year 2000")):
        if names:
            yield _warning(
                Kind.CLIP_DATE_ODD,
                inert(names[0]),
                f"{_clips(len(names))} dated {when}: {_some(names)}",
                "a clock is wrong, the camera's or this station's: look before others sort the footage by its dates",
                len(names),
            )


def _orphans(snapshot: Snapshot, orphans: Sequence[int]) -> Iterator[Finding]:
    if orphans:
        names = [to_text(snapshot.files[index].path.rpartition(b"/")[2]) for index in orphans]
        yield _warning(
            Kind.PROXY_WITHOUT_ORIGINAL,
            shown(snapshot.files[orphans[0]].path),
            f"{len(names):,} {'proxy has' if len(names) == 1 else 'proxies have'} no original on the card:"
            f" {_some(names)}",
            "the original may be lost or on another card: " + _REPORT,
            len(names),
        )


def _some(names: Iterable[str]) -> str:
    listed = [inert(name) for name in names]
    rest = len(listed) - _SHOWN
    return ", ".join(listed[:_SHOWN]) + (f" and {rest:,} more" if rest > 0 else "")


def _clips(number: int) -> str:
    return "1 clip is" if number == 1 else f"{number:,} clips are"


def _files(number: int) -> str:
    return "1 file that is" if number == 1 else f"{number:,} files that are"


def _warning(kind: Kind, path: str, detail: str, remedy: str, count: int = 1) -> Finding:
    return warning(kind, detail, path=path, remedy=remedy, count=count)
