"""The table of guarantees names real tests, and has a row for every promise."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from tools.make_guarantee_table import HOLES, PROMISES, Hole, Promise, figures_on_the_page, main

TESTS = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize("promise", [*PROMISES, *HOLES], ids=lambda each: each.tests[0][-40:])
def test_every_test_that_the_tables_name_exists(promise: Promise | Hole) -> None:
    assert promise.tests
    for named in promise.tests:
        path, _, name = named.partition("::")
        tree = ast.parse((TESTS / path).read_text(encoding="utf-8"))
        functions = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        assert name in functions, named


def test_the_page_has_these_rows_and_a_figure_in_each() -> None:
    figures = figures_on_the_page()
    assert len(figures) == len(PROMISES)
    assert sum(figure != "–" for figure in figures) >= len(PROMISES) // 2, figures
    assert main([]) == 0, "run: python tools/make_guarantee_table.py REPORT"
