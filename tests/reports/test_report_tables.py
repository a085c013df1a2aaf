"""CSV that no spreadsheet runs and every program reads; JSON that comes back as it was."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.bell_foundry import a_clip, a_production, a_report, a_report_roll
from reports.test_report_page import hostile
from rollproof.reports.model import Report
from rollproof.reports.tables import CLIPS, ROLLS, cell, clips_csv, rolls_csv

FORMULAS = [
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    " =1",
    "\t=1",
    "\r\n=1",
    "＝1+1",
    "\u00a0=1",
    '"=1"',
    "'=1",
]


@pytest.mark.parametrize("formula", FORMULAS)
def test_no_cell_begins_as_a_formula_does(formula: str) -> None:
    report = hostile(formula)
    for text in (rolls_csv(report), clips_csv(report)):
        for row in csv.reader(io.StringIO(text)):
            for value in row:
                assert not value.lstrip().lstrip("\ufeff").startswith(("=", "+", "-", "@", "＝")), value


@given(st.text(max_size=30))
def test_whatever_a_name_is_it_stays_in_one_cell(name: str) -> None:
    rows = list(csv.reader(io.StringIO(clips_csv(a_report(a_report_roll(clips=[a_clip(name=name)]))))))
    assert len(rows) == 2
    assert [len(row) for row in rows] == [len(CLIPS)] * 2
    assert rows[1][CLIPS.index("clip")] == cell(name)


def test_numbers_stay_numbers_and_what_is_not_known_is_empty() -> None:
    assert [cell(value) for value in (12, 1.5, 2.0, None, "")] == ["12", "1.5", "2", "", ""]


def test_there_is_a_line_for_every_roll_and_every_clip() -> None:
    report = a_production(2, 10)
    rolls = list(csv.DictReader(io.StringIO(rolls_csv(report))))
    clips = list(csv.DictReader(io.StringIO(clips_csv(report))))
    assert tuple(rolls[0]) == ROLLS
    assert [row["roll"] for row in rolls] == [roll.roll for roll in report.rolls]
    assert sum(int(row["bytes"]) for row in clips) == report.total.bytes


def test_the_json_is_the_report_again() -> None:
    report = a_production(2, 10)
    assert Report.model_validate_json(json.dumps(report.as_json())) == report
