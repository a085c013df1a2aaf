"""The report's page: well-formed, self-contained, everything escaped, readable without colour or sight."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest
from lxml import etree, html

from cli.hostile import NAMES
from reports.bell_foundry import (
    POSTER,
    a_clip,
    a_copy_of_report,
    a_production,
    a_report,
    a_report_roll,
)
from rollproof.models.names import ACTING
from rollproof.reports.model import FindingOfReport, PersonOfReport, Report
from rollproof.reports.page import answer_of, page_html

_VOID = {"meta", "img", "br"}
_SVG = {"svg", "title", "rect", "polyline", "text"}
_PLAIN = {
    *("html", "head", "style", "body", "header", "main", "h1", "h2", "h3", "h4", "p", "div", "strong", "ul", "li", "a"),
    *("code", "table", "caption", "thead", "tbody", "tr", "th", "td", "section", "span"),
}
_TAGS = _VOID | _SVG | _PLAIN
ATTACKS = [
    *NAMES,
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% for %}",
    "javascript:alert(1)",
    "&lt;b&gt;",
    "</title></style><script>",
    "A" * 5_000,
]


class Strict(HTMLParser):
    """Every tag known, closed in order, none that runs or loads anything."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.text: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in _TAGS, tag
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in _TAGS, tag
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, (tag, self.open)
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text.append(data)


def parsed(report: Report) -> Strict:
    page = Strict()
    page.feed(page_html(report))
    page.close()
    assert page.open == []
    for _, name, value in page.attributes:
        assert not name.startswith("on")
        if name in ("src", "href"):
            assert value.startswith(("#", "data:image/png;base64,")), value
    return page


def hostile(text: str) -> Report:
    """A report in which every text that came from outside is this one."""
    person = PersonOfReport(name=text, role=text)
    roll = a_report_roll(
        roll=text, production=text, day=text, unit=text, camera=text, offloaded_by=person, state="not proven",
        first_clip=text, last_clip=text,
        copies=[a_copy_of_report(text, role="x" + text, device=text, serial=text, state=text, why=text, folder=text)],
        findings=[FindingOfReport(severity="error", kind=text, path=text, detail=text, drive=text)],
        clips=[a_clip(name=text, path=text, hash=text, timecode=text, frame_rate=text, resolution=text, codec=text)],
    )  # fmt: skip
    return a_report(
        roll, productions=[text], day=text, days=[text], units=[text], people=[person], made_by=person, station=text,
        version=text, looked_at=[text], notes=[text],
    )  # fmt: skip


@pytest.mark.parametrize("text", ATTACKS)
def test_no_text_from_outside_becomes_markup_or_acts_on_a_reader(text: str) -> None:
    page = parsed(hostile(text))
    assert not re.search(f"[{ACTING.replace(chr(10), '')}]", "".join(page.text).replace("\n", ""))


def test_the_page_loads_nothing_and_says_so_to_the_browser() -> None:
    text = page_html(a_production(3, 12))
    assert "default-src 'none'" in text
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text)
    assert "<script" not in text


def test_verdict_and_states_are_words() -> None:
    good, bad = a_report(), a_report(a_report_roll(), a_report_roll("A004", state="too few copies", devices_proven=1))
    assert answer_of(good)[0] == "ALL PROVEN."
    assert answer_of(bad)[0] == "NOT ALL PROVEN."
    told = " ".join("".join(parsed(bad).text).split())
    assert "1 roll of 2 does not have the proven copies" in told
    assert "Roll A004: too few copies, 1 of 2 proven copies" in told
    assert "may-wipe" in told
    assert answer_of(a_report().model_copy(update={"rolls": []}))[0] == "NO ROLLS."


def test_everything_the_report_knows_of_a_roll_and_a_clip_is_on_the_page() -> None:
    told = " ".join("".join(parsed(a_report()).text).split())
    for part in (
        "The Bell Foundry: report of day 2026-05-14", "Unit: main", "data wrangler", "camera A", "1A2B-3C4D",
        "256.0 GB", "read 2 times (medium, medium)", "Permit to wipe the card: given", "BD-1", "412.0 MB/s",
        "read back from the drive itself", "this station's memory", "A003C002_260514", "10:42:07:00", "00:01:30.000",
        "3840x2160", "xxh128:0123456789abcdef", "0:04:30", "12.0 GB", "3.0 TB",
    ):  # fmt: skip
        assert part in told, part


def test_what_is_not_known_is_said_to_be_not_known() -> None:
    unknown: dict[str, Any] = dict.fromkeys(
        ("duration", "duration_seconds", "timecode", "frame_rate", "resolution", "codec", "hash")
    )
    roll = a_report_roll(clips=[a_clip(health="unknown", **unknown)], duration_seconds=None, durations_unknown=1)
    told = "".join(parsed(a_report(roll, looked_at=[])).text)
    assert told.count("not known") >= 7
    assert "No drive was looked at" in told


def found(page: etree._Element, path: str) -> list[Any]:
    """The elements at an XPath."""
    out = page.xpath(path)
    assert isinstance(out, list)
    return out


def test_pictures_have_words_for_those_who_cannot_see_them() -> None:
    page = html.document_fromstring(page_html(a_report(a_report_roll(clips=[a_clip(poster=POSTER), a_clip(2)]))))
    (image,) = found(page, "//img")
    assert "A003C001" in image.get("alt")
    for plot in found(page, "//svg"):
        assert plot.get("role") == "img"
        assert plot.get("aria-label")


def test_headings_go_down_one_step_at_a_time_and_tables_have_captions_and_scopes() -> None:
    page = html.document_fromstring(page_html(a_production(3, 12)))
    assert page.get("lang") == "en"
    levels = [int(element.tag[1]) for element in found(page, "//h1|//h2|//h3|//h4")]
    assert levels[0] == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    for table in found(page, "//table"):
        assert table.xpath("caption")
        assert all(head.get("scope") for head in table.xpath(".//th"))
    targets = {element.get("id") for element in found(page, "//section")}
    assert {link.get("href").removeprefix("#") for link in found(page, "//a")} <= targets


def test_every_plot_is_well_formed_and_its_texts_are_escaped() -> None:
    text = page_html(hostile("<&\"'>"))
    for plot in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
        etree.fromstring(plot)
