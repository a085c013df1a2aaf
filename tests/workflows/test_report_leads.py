"""A report begins with what nobody may forget: what was odd on a card leads it until a person accepts it."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from audit.production import Made
from rollproof.cli.runs.report_run import report_lines
from rollproof.models.delivery_results import ReportResult
from rollproof.models.requests import Cancel, Person, ReportRequest
from rollproof.reports.model import Report
from rollproof.reports.page import answer_of
from rollproof.reports.pdf import _Drawer
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.workflows.report import report
from workflows.station import SMALL
from workflows.test_accepting import AGAIN, DAMAGED, EVERYTHING, FINE, GAP, MAIN, look

ALL = ("A001/A001C002", "A002C002", "A002C003", "A001C001", "A001C002")


@pytest.fixture
def made(tmp_path: Path) -> Made:
    production = Made(tmp_path / "drives", station_signer())
    production.top.mkdir()
    production.build((DAMAGED, GAP, AGAIN, FINE))
    shutil.rmtree(production.top / "ARCHIVE")
    return production


def written(made: Made, *drives: str) -> tuple[ReportResult, Report, str]:
    """A report of the whole production: the result, what the JSON holds, and the page."""
    out = made.top.parent / f"report {len(list(made.top.parent.iterdir()))}"
    out.mkdir()
    request = ReportRequest(
        tuple(os.fsencode(made.top / name) for name in drives), whole=True, out=os.fsencode(out), posters=False,
        person=Person("the camera assistant"), working_folder=os.fsencode(made.top),
    )  # fmt: skip
    result = report(request, Context.of(cancel=Cancel(), drives=made.now, settings=SMALL))
    data = Report.model_validate(json.loads(Path(result.files["json"]).read_text(encoding="utf-8")))
    return result, data, Path(result.files["html"]).read_text(encoding="utf-8")


def test_what_was_odd_on_a_card_leads_the_report_until_it_is_accepted(made: Made) -> None:
    result, data, page = written(made, *MAIN)
    assert {(each.kind, each.name) for each in data.open_findings} == EVERYTHING
    assert {name for _, name in EVERYTHING} == set(result.open_findings)
    assert answer_of(data)[0] == "COPIES PROVEN, FINDINGS OPEN."
    assert page.index("A001C002 was damaged on its card") < page.index("COPIES PROVEN, FINDINGS OPEN.")
    assert "ALL PROVEN." not in page
    drawn = [part.text for part in _Drawer().story(data) if hasattr(part, "text")]
    assert any("A001C002 was damaged on its card" in text for text in drawn[:12])
    shown = "\n".join(line.plain for line in report_lines(result))
    assert "Findings about the cards that nobody has accepted" in shown

    look(made, *ALL)
    result, data, page = written(made, *MAIN)
    assert data.open_findings == [] and result.open_findings == []
    assert answer_of(data)[0] == "ALL PROVEN." and "Open findings" not in page


def test_what_is_accepted_by_its_name_is_the_only_one_that_goes(made: Made) -> None:
    look(made, "A002C002", "A001C001")
    _, data, _ = written(made, *MAIN)
    assert {(each.kind, each.name) for each in data.open_findings} == EVERYTHING - {
        ("clip-numbers-gap", "A002C002"), ("clip-name-twice", "A001C001"),
    }  # fmt: skip
