"""What only all clips together show: gaps, doubles, clips out of order, proxies alone, an index that disagrees."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from card.trees_at_hand import listed
from rollproof.card import across
from rollproof.card.across import across_findings, index_findings
from rollproof.card.clips import read_card
from rollproof.models.tree import Snapshot

DAY = 1_778_731_200
NOW = DAY + 30_000_000
Said = list[tuple[str, str, int]]


def said(names: Iterable[str], dates: Mapping[str, int] | None = None) -> Said:
    snapshot = dated(listed(names), dates or {})
    found = across_findings(snapshot, read_card(snapshot), NOW * 1_000_000_000)
    return [(finding.kind.value, finding.detail, finding.count) for finding in found]


def dated(snapshot: Snapshot, dates: Mapping[str, int]) -> Snapshot:
    """The same with modification times in seconds after the start of the day; other files are of its first one."""
    files = tuple(
        entry._replace(modified_ns=(DAY + dates.get(entry.path.decode(), 0)) * 1_000_000_000)
        for entry in snapshot.files
    )
    return replace(snapshot, files=files)


ROLL = [f"A003R1BF/A003C{number:03}_260514_R1BF.mov" for number in range(1, 8)]
QUIET: dict[str, list[str]] = {
    "a whole roll": ROLL,
    "no clips": ["notes.txt"],
    "names that do not count": ["rehearsal.mov", "wide.mov"],
    "dates and times": ["20260514_081502.braw", "20260514_083011.braw"],
    "takes of several scenes": ["S/12-T01_1.WAV", "S/12-T02_1.WAV", "S/14-T01_1.WAV", "S/S_REPORT.csv"],
    "a take that was set aside": ["S/12-T01_1.WAV", "S/FALSE_TAKES/12-T02_1.WAV", "S/12-T03_1.WAV"],
    "photographs with one name in two folders": ["DCIM/100BELLS/DSC_0001.JPG", "DCIM/101BELLS/DSC_0001.JPG"],
    "chapters": ["DCIM/100BELLS/GX010007.MP4", "DCIM/100BELLS/GX020007.MP4", "DCIM/100BELLS/GX010008.MP4"],
    "a counter that goes on from another card": ["C0041.MP4", "C0042.MP4"],
}


@pytest.mark.parametrize("what", QUIET)
def test_nothing_is_said_of(what: str) -> None:
    assert said(QUIET[what]) == []


@pytest.mark.parametrize(
    ("gone", "told", "count"),
    [
        ({3}, "1 clip is missing in the counting of A003: number 3", 1),
        ({1}, "1 clip is missing in the counting of A003: number 1", 1),
        ({2, 3, 6}, "3 clips are missing in the counting of A003: number 2 to 3, 6", 3),
        ({7}, None, 0),
    ],
)
def test_a_gap_in_the_counting_is_named(gone: set[int], told: str | None, count: int) -> None:
    found = said(name for number, name in enumerate(ROLL, 1) if number not in gone)
    assert found == ([("clip-numbers-gap", told, count)] if told else [])


def test_two_clips_of_one_name_are_said_whatever_their_case() -> None:
    found = said(["one/A003C001.mov", "two/a003c001.MOV"])
    assert [(kind, count) for kind, _, count in found] == [("clip-name-twice", 2)]


def test_a_clip_that_is_older_than_the_one_before_it_is_said() -> None:
    dates = {name: 100 * number for number, name in enumerate(ROLL)}
    assert said(ROLL, dates) == []
    dates[ROLL[4]] = 30
    assert said(ROLL, dates) == [
        (
            "clips-out-of-order",
            "1 clip is dated out of the order of the numbers of A003: A003C005_260514_R1BF",
            1,
        )
    ]


def test_one_date_that_is_far_too_new_blames_no_other_clip() -> None:
    dates = {name: 100 * number for number, name in enumerate(ROLL)}
    dates[ROLL[1]] = 1_000_000
    (found,) = said(ROLL, dates)
    assert (found[1], found[2]) == ("1 clip is dated out of the order of the numbers of A003: A003C002_260514_R1BF", 1)


@given(st.lists(st.integers(0, 12).map(lambda seconds: seconds * 3_000_000_000), max_size=9))
def test_no_more_clips_are_blamed_than_must_be(dates: list[int]) -> None:
    apart = across._out_of_order(dates)
    kept = [date for place, date in enumerate(dates) if place not in apart]
    assert kept == sorted(kept)
    longest = max(
        (
            len(some)
            for count in range(len(dates) + 1)
            for some in combinations(dates, count)
            if [*some] == sorted(some)
        ),
        default=0,
    )
    assert len(kept) == longest


def test_two_seconds_are_what_the_coarsest_clock_may_be_off() -> None:
    assert said(ROLL, {ROLL[0]: 2}) == []
    assert [kind for kind, _, _ in said(ROLL, {ROLL[0]: 3})] == ["clips-out-of-order"]


def test_a_proxy_without_its_original_is_said() -> None:
    found = said(["PRIVATE/M4ROOT/CLIP/C0001.MP4", "PRIVATE/M4ROOT/SUB/C0009S03.MP4"])
    assert found == [("proxy-without-original", "1 proxy has no original on the card: C0009S03.MP4", 1)]


def test_what_the_camera_wrote_about_a_clip_tells_of_one_that_is_gone() -> None:
    for card, alone in (
        (["CONTENTS/VIDEO/0001AB.MXF", "CONTENTS/CLIP/0001AB.XML", "CONTENTS/CLIP/0002CD.XML"], "0002CD.XML"),
        (["BDMV/STREAM/00000.MTS", "BDMV/CLIPINF/00000.CPI", "BDMV/CLIPINF/00001.CPI"], "00001.CPI"),
        (["XDROOT/Clip/A003C001.MXF", "XDROOT/Clip/A003C002M01.XML"], "A003C002M01.XML"),
        (["M4ROOT/CLIP/C0001.MP4", "M4ROOT/CLIP/C0001M01.XML", "M4ROOT/CLIP/C0002M01.XML"], "C0002M01.XML"),
    ):
        told = f"the camera's own files tell of 1 clip that is not on the card: {alone}"
        assert said(card) == [("metadata-without-original", told, 1)]


def test_a_clip_that_its_camera_never_closed_lacks_the_file_that_tells_of_it() -> None:
    card = ["BDMV/STREAM/00000.MTS", "BDMV/CLIPINF/00000.CPI", "BDMV/STREAM/00001.MTS"]
    told = "1 clip is there without the file that the camera writes when it closes one: 00001"
    assert said(card) == [("clip-without-metadata", told, 1)]
    assert said([card[0], card[2]]) == [], "where none is there at all, somebody took them away"


@pytest.mark.parametrize(
    ("dated", "told"),
    [
        (-DAY, "1 clip is dated before the year 2000: rehearsal"),
        (946_684_799 - DAY, "1 clip is dated before the year 2000: rehearsal"),
        (946_684_800 - DAY, None),
        (NOW - DAY + 49 * 3600, None),
        (NOW - DAY + 51 * 3600, "1 clip is dated in the future: rehearsal"),
    ],
)
def test_a_date_that_cannot_be_is_told(dated: int, told: str | None) -> None:
    assert [detail for _, detail, _ in said(["rehearsal.mov"], {"rehearsal.mov": dated})] == ([told] if told else [])


CARD = ["PRIVATE/M4ROOT/CLIP/C0001.MP4", "PRIVATE/M4ROOT/CLIP/C0002.MP4", "PRIVATE/M4ROOT/MEDIAPRO.XML"]


@pytest.mark.parametrize(
    ("references", "told"),
    [
        (["./CLIP/C0001.MP4", "./CLIP/C0002.MP4"], []),
        (["./CLIP/c0001.mp4", "CLIP\\C0002.MP4", "./CLIP/C0001M01.XML"], []),
        (["C0001.MP4", "C0002.MP4", "./CLIP/C0003.MP4"], ["names 1 file that is not there: ./CLIP/C0003.MP4"]),
        (["./CLIP/C0001.MP4"], ["1 clip is there and not named in the card's own index: C0002"]),
        ([], []),
        (["readme.txt"], []),
    ],
)  # fmt: skip
def test_an_index_is_held_against_what_is_there(references: list[str], told: list[str]) -> None:
    snapshot = listed(CARD)
    contents = read_card(snapshot)
    (index,) = contents.indexes
    found = list(index_findings(snapshot, contents, index, references))
    assert len(found) == len(told)
    for finding, text in zip(found, told, strict=True):
        assert text in finding.detail
        assert finding.kind.value == "index-disagrees"
