"""The table of lines that keep footage from being lost stands on the program as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from campaigns.protections import PROTECTIONS, ROOT, Protection


@pytest.mark.parametrize("protection", PROTECTIONS, ids=lambda protection: protection.name)
def test_a_line_that_can_be_taken_out_stands_once_in_its_file_and_has_its_test(protection: Protection) -> None:
    source = (ROOT / "src/rollproof" / protection.file).read_text(encoding="utf-8")
    assert source.count(protection.line) == 1
    assert Path(ROOT / "tests" / protection.test.partition("::")[0]).exists()
