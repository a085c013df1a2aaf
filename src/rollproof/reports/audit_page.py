"""The document of an audit: one page in HTML with the matrix, the findings and what was done. Prints well.

Everything on it came from drives, records and command lines: it goes through an autoescaping template, with invisible
characters made visible first. No script, no link, nothing loaded from anywhere.
"""

from __future__ import annotations

from datetime import datetime
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from rollproof.models.audit_results import AuditCopy, AuditResult, AuditRoll
from rollproof.models.names import inert
from rollproof.reports import words

TOPICS = (
    ("copies", "Copies"),
    ("completeness", "Is everything there?"),
    ("agreement", "Do the copies agree?"),
    ("custody", "Who had what"),
    ("strangers", "Files that no manifest knows"),
)
SIGNS = {
    "proven": "proven",
    "reread": "read again",
    "copied": "not proven",
    "listed": "listed",
    "damaged": "DAMAGED",
    "incomplete": "INCOMPLETE",
    "records broken": "BAD RECORDS",
    "record only": "NO FILES",
    "no record": "NO RECORD",
    "empty": "EMPTY",
}
"""How the state of a copy is said: what must be looked at stands in capitals."""
_LONGEST = 400


def audit_html(result: AuditResult) -> str:
    """The page as text. Long names are cut; the JSON answer has them whole."""
    return _template().render(
        result=result,
        topics=[(title, [finding for finding in result.findings if finding.topic == topic]) for topic, title in TOPICS],
        cells=_cells,
        signs=SIGNS,
    )


def _cells(roll: AuditRoll, drives: int) -> list[list[AuditCopy]]:
    """The copies of a roll by drive: nearly always one or none."""
    out: list[list[AuditCopy]] = [[] for _ in range(drives)]
    for copy in roll.copies:
        out[copy.drive].append(copy)
    return out


def _clear(text: str, longest: int = _LONGEST) -> str:
    shown = inert(text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def _size(count_bytes: int) -> str:
    value = float(count_bytes)
    for unit in ("bytes", "kB", "MB", "GB", "TB"):
        if value < 999.95 or unit == "TB":
            return f"{value:.0f} {unit}" if unit == "bytes" else f"{value:.1f} {unit}"
        value /= 1000
    raise AssertionError


def _moment(text: str) -> str:
    try:
        return words.moment(datetime.fromisoformat(text))
    except ValueError:
        return _clear(text, 40)


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
        clear=_clear,
        moment=_moment,
        counted=words.counted,
        size=_size,
        number=lambda count: f"{count:,}".replace(",", " "),
    )
    return environment.get_template("audit_page.html.j2")
