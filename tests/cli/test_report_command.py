"""`report` as a person and as a script see it, with a stand-in for the workflow."""

from __future__ import annotations

import json
import os
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.results import a_finding
from cli.running import run_line
from rollproof.models.delivery_results import ReportResult
from rollproof.models.errors import ExitStatus
from rollproof.models.requests import Person, ReportRequest
from rollproof.station.context import Context


def a_report_result(**changes: Any) -> ReportResult:
    """A report of one day that was written."""
    result = ReportResult(
        verdict="all proven", title="The Bell Foundry: report of day 2026-05-14", folder="reports",
        files={"html": "reports/report.html", "json": "reports/report.json"}, rolls=3, lacking=[], findings=[],
        seconds=0.5, status=ExitStatus.DONE,
    )  # fmt: skip
    return result.model_copy(update=changes)


def run(*words: str, result: ReportResult | None = None, seen: list[Any] | None = None) -> Any:
    def workflow(request: ReportRequest, _ctx: Context, **_seams: Any) -> ReportResult:
        if seen is not None:
            seen.append(request)
        return result or a_report_result()

    return run_line("report", *words, report=workflow)


def test_it_passes_on_what_was_asked() -> None:
    seen: list[ReportRequest] = []
    here = os.fsencode(os.getcwd())
    run("/mnt/a", "/mnt/b", "--day", "12", "--out", "reports", "--role", "producer", seen=seen)
    run("--production", "--no-posters", seen=seen)
    assert seen == [
        ReportRequest((b"/mnt/a", b"/mnt/b"), "12", False, b"reports", None, here, Person("", "producer")),
        ReportRequest((), None, True, None, False, here, Person()),
    ]


def test_a_day_and_the_whole_production_at_once_are_wrong_usage() -> None:
    assert run("--day", "12", "--production").status == 2


def test_it_names_every_file_and_ends_with_the_reports_own_answer() -> None:
    ran = run()
    assert "reports/report.html" in ran.out
    assert (ran.status, ran.last_line.split(":")[0]) == (0, "REPORT WRITTEN")
    ran = run(result=a_report_result(verdict="not all proven", lacking=["A003", "B002"]))
    assert ran.last_line == "REPORT WRITTEN, NOT ALL PROVEN: of 3 rolls keep the cards of A003 and B002."


def test_one_json_object() -> None:
    told = json.loads(run("--json").out)
    assert (told["verdict"], told["rolls"]) == ("all proven", 3)


@pytest.mark.parametrize("name", NAMES)
def test_no_name_can_act_on_the_screen(name: str) -> None:
    result = a_report_result(
        title=name, files={"html": name}, lacking=[name], verdict="not all proven",
        findings=[a_finding(path=name, detail=name)],
    )  # fmt: skip
    assert not alive(run(result=result).out, terminal=False)
