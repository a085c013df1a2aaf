"""The report as one HTML page: self-contained, no script, nothing loaded from anywhere (its own policy forbids it).

Everything on it came from drives, records and command lines: it goes through an autoescaping template, with invisible
characters made visible first.
"""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from rollproof.reports import words
from rollproof.reports.model import PersonOfReport, Report
from rollproof.reports.plots import Plot, bytes_by_day, drive_fill, footage_by_day, throughput, when_full
from rollproof.reports.svg import svg

PROOFS = {
    "medium": "read back from the drive itself",
    "server": "read back from its server",
    "cache": "read back, but not shown to be from the drive",
    None: "not known",
}
KNOWN_FROM = {
    "drive": "the drive, now",
    "ledger": "this station's memory",
    "record": "another copy's record only",
}
HEALTH = {"sound": "whole", "odd": "ODD", "damaged": "DAMAGED", "unknown": words.NOT_KNOWN}


def title_of(report: Report) -> str:
    """What the report is about, in one line."""
    production = ", ".join(words.clear(name, 80) for name in report.productions) or "A production without a name"
    if report.scope == "production":
        return f"{production}: report of the whole production"
    return f"{production}: report of {words.of_day(report.day or '')}"


def answer_of(report: Report) -> tuple[str, str]:
    """The verdict in a few words, and the sentence that says what it rests on."""
    total = report.total
    if not report.rolls:
        return "NO ROLLS.", "Nothing is known of any roll that this report could be about."
    size = f"{words.counted(total.clips, 'clip')}, {words.size(total.bytes)}"
    count = len(report.open_findings)
    open_now = f"{words.counted(count, 'finding')} about their cards {'is' if count == 1 else 'are'} open"
    still = f" {open_now}." if count else ""
    if not report.lacking:
        what = "The one roll has" if total.rolls == 1 else f"All {words.number(total.rolls)} rolls have"
        word = _proven(report)
        return word, f"{what} the proven copies that the production asks for, as last recorded: {size}.{still}"
    what = words.counted(len(report.lacking), "roll")
    return "NOT ALL PROVEN.", (
        f"{what} of {words.number(total.rolls)} {'does' if len(report.lacking) == 1 else 'do'} not have the proven"
        f" copies that the production asks for. Keep the cards. In all {size}.{still}"
    )


def _proven(report: Report) -> str:
    """The verdict where every roll of the report has its copies."""
    if report.unfinished:
        return "PROVEN SO FAR, NOT ALL IS FINISHED."
    return "COPIES PROVEN, FINDINGS OPEN." if report.open_findings else "ALL PROVEN."


def plots_of(report: Report) -> list[Plot]:
    """The plots for which something is known."""
    made = (
        footage_by_day(report.cameras_by_day),
        bytes_by_day(report.cameras_by_day),
        drive_fill(report.drives),
        throughput(report.speeds),
    )
    return [plot for plot in made if plot is not None]


def page_html(report: Report) -> str:
    """The page as text."""
    numbers = {id(roll): number for number, roll in enumerate(report.rolls, 1)}
    return _template().render(
        report=report,
        title=title_of(report),
        answer=answer_of(report),
        numbers=_ById(numbers),
        posters=_HasPosters(report),
        plots=[(plot.title, Markup(svg(plot)), plot.told) for plot in plots_of(report)],
        unknown=words.NOT_KNOWN,
    )


class _ById:
    """Numbers of rolls; rolls themselves cannot be keys."""

    def __init__(self, numbers: dict[int, int]) -> None:
        self._numbers = numbers

    def __getitem__(self, roll: object) -> int:
        return self._numbers[id(roll)]


class _HasPosters:
    """Which rolls have a picture at all: the others need no column for it."""

    def __init__(self, report: Report) -> None:
        self._ids = {id(roll) for roll in report.rolls if any(clip.poster for clip in roll.clips)}

    def __contains__(self, roll: object) -> bool:
        return id(roll) in self._ids


def _person(person: PersonOfReport) -> str:
    return words.clear(words.person(person.name, person.role), 120)


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("rollproof.reports", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        clear=words.clear,
        size=words.size,
        speed=words.speed,
        moment=words.moment,
        number=words.number,
        counted=words.counted,
        of_day=words.of_day,
        permit=words.permit,
        length_of=words.length,
        person=_person,
        proof=lambda proof: PROOFS.get(proof, words.NOT_KNOWN),
        health=lambda health: HEALTH.get(health, words.NOT_KNOWN),
        full=when_full,
        known_from=lambda word: KNOWN_FROM.get(word, words.NOT_KNOWN),
    )
    return environment.get_template("report.html.j2")
