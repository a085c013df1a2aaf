"""The page for the envelope: everything on it, nothing alive in it, on one page."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.names import inert
from rollproof.reports.custody_sheet import MOST_ROLLS, Sheet, SheetPart, SheetRoll, sheet_html

ROLL = SheetRoll("A003", "2026-05-14/A003", 412, 512_000_000_000, "proven")
PART = SheetPart(
    "The Bell Foundry", "K7QM-4XTW-9HRA-PF3D-9Q", ("Kilo 7 Quebec Mike",), "rollproof", 412, 512_000_000_000, (ROLL,)
)
SHEET = Sheet(
    drive="SHUTTLE",
    volume="6f1c-0e2a",
    device="Bell Disk (sdc)",
    serial="BD-2291",
    capacity_bytes=4_000_000_000_000,
    by="the wrangler",
    role="data wrangler",
    station="cart",
    to="post house",
    via="courier",
    note="keep dry",
    written_at=datetime(2026, 5, 14, 18, 30, tzinfo=UTC),
    reread=False,
    fingerprint="SHA256:abc",
    parts=(PART,),
)
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><b>",
    "{{ 7*7 }}{% raw %}",
    "&lt;b&gt;",
    "a\x1b[2Jb\u202egnp.exe",
    "'; --",
    "\x00\x07",
)


class Reader(HTMLParser):
    """What a browser would make of a page: its tags, attributes and words."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[tuple[str, str, str | None]] = set()
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        self.tags.append(tag)
        self.attributes |= {(tag, name, value) for name, value in attrs}

    def handle_data(self, data: str) -> None:
        """Note words."""
        self.words.append(data)

    @property
    def text(self) -> str:
        """All words."""
        return " ".join(" ".join(self.words).split())


def everywhere(text: str) -> Sheet:
    """A sheet with this text in every place that takes one."""
    roll = replace(ROLL, roll=text, folder=text, state=text)
    part = replace(PART, production=text, receipt=text, spelled=(text,), record_folder=text, rolls=(roll,))
    named = dict.fromkeys(("drive", "volume", "device", "serial", "by", "role", "station", "to", "via", "note"), text)
    return replace(SHEET, **named, fingerprint=text, parts=(part,))  # type: ignore[arg-type]


def test_everything_a_courier_and_a_receiver_need_stands_on_it() -> None:
    text = Reader(sheet_html(SHEET)).text
    for word in (
        "SHUTTLE", "post house", "courier", "the wrangler, data wrangler", "keep dry", "BD-2291", "6f1c-0e2a",
        "2026-05-14 18:30", "The Bell Foundry", "1 roll, 412 files, 512.0 GB", "K7QM-4XTW-9HRA-PF3D-9Q",
        "Kilo 7 Quebec Mike", "2026-05-14/A003", "proven", "SHA256:abc", "rollproof receive", "insurer",
        "data-protection", "not read again",
    ):  # fmt: skip
        assert word in text


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_text_is_shown_and_never_acts(text: str) -> None:
    page = sheet_html(everywhere(text))
    plain, hostile = Reader(sheet_html(everywhere("word"))), Reader(page)
    assert hostile.tags == plain.tags
    assert hostile.attributes == plain.attributes
    assert inert(text) in hostile.text
    assert not any(letter in page for letter in "\x00\x07\x1b\u202e")


@given(st.text(max_size=40))
def test_no_text_whatever_adds_a_tag_or_an_attribute(text: str) -> None:
    plain, other = Reader(sheet_html(everywhere("word"))), Reader(sheet_html(everywhere(text or "word")))
    assert other.tags == plain.tags
    assert other.attributes == plain.attributes


def test_nothing_is_loaded_from_anywhere() -> None:
    reader = Reader(sheet_html(SHEET))
    assert not {"script", "img", "link", "a", "iframe", "form"} & set(reader.tags)
    assert not any(name in ("src", "href", "style") or name.startswith("on") for _, name, _ in reader.attributes)
    assert any("default-src 'none'" in (value or "") for _, _, value in reader.attributes)


def test_a_drive_full_of_rolls_still_makes_one_page_and_says_what_is_left_out() -> None:
    many = tuple(replace(ROLL, roll=f"A{number:03}", folder=f"day/A{number:03}") for number in range(200))
    reader = Reader(sheet_html(replace(SHEET, parts=(replace(PART, rolls=many),))))
    assert reader.tags.count("tr") == MOST_ROLLS + 1
    assert f"and {200 - MOST_ROLLS} more" in reader.text
    both = replace(SHEET, parts=(replace(PART, rolls=many), replace(PART, rolls=many)))
    assert Reader(sheet_html(both)).tags.count("tr") == MOST_ROLLS + 2


def test_a_very_long_name_is_cut_and_a_roll_that_is_not_proven_is_loud() -> None:
    copied = replace(ROLL, state="copied", folder="x" * 5000)
    page = sheet_html(replace(SHEET, note="y" * 5000, parts=(replace(PART, rolls=(copied,)),)))
    assert len(page) < 10_000
    text = Reader(page).text
    assert "copied, not proven" in text
    assert "keep the cards and every other copy" in text
    assert "keep the cards and every other copy" not in Reader(sheet_html(SHEET)).text
