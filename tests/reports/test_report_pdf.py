"""The report as PDF: a real document with the report's words, whatever the names; clear words where it cannot be."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from reports.bell_foundry import POSTER, a_clip, a_production, a_report, a_report_roll
from reports.test_report_page import ATTACKS, hostile
from rollproof.reports.pdf import NoPdf, page_pdf


@pytest.fixture(autouse=True)
def _reportlab() -> None:
    if os.environ.get("ROLLPROOF_DEVICE_TESTS") != "1":
        pytest.importorskip("reportlab", reason="reportlab is not installed")


def text_of(pdf: bytes, folder: Path) -> str:
    """The document's words, as a stock tool reads them."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    path = folder / "report.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, timeout=60, check=True)
    return " ".join(done.stdout.decode().split())


def test_it_is_a_document_and_the_same_report_gives_the_same_bytes() -> None:
    pdf = page_pdf(a_report())
    assert pdf.startswith(b"%PDF-")
    assert pdf.rstrip().endswith(b"%%EOF")
    assert page_pdf(a_report()) == pdf


def test_the_documents_words_are_those_of_the_report(tmp_path: Path) -> None:
    told = text_of(page_pdf(a_report()), tmp_path)
    for part in (
        "The Bell Foundry: report of day 2026-05-14",
        "ALL PROVEN.",
        "A003C002_260514",
        "2 needed",
        "first clip A003C001_260514",
        "412.0 MB/s",
        "0:04:30",
    ):
        assert part in told, part


@pytest.mark.slow
def test_a_large_production_goes_over_many_pages(tmp_path: Path) -> None:
    pdf = page_pdf(a_production(4, 30))
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) > 5


@pytest.mark.parametrize("text", ATTACKS)
def test_no_name_keeps_it_from_being_written(text: str) -> None:
    assert page_pdf(hostile(text)).startswith(b"%PDF-")


def test_letters_that_the_font_lacks_are_shown_by_their_number(tmp_path: Path) -> None:
    told = text_of(page_pdf(a_report(a_report_roll(roll="A\U0001f514鐘"))), tmp_path)
    assert "\\u{1f514}" in told


def test_pictures_are_drawn_into_it() -> None:
    plain = page_pdf(a_report(a_report_roll(clips=[a_clip()])))
    with_picture = page_pdf(a_report(a_report_roll(clips=[a_clip(poster=POSTER)])))
    assert with_picture.count(b"/Subtype /Image") > plain.count(b"/Subtype /Image")


def test_without_the_package_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "reportlab.platypus", None)
    with pytest.raises(NoPdf, match=r"pip install 'rollproof\[report\]'"):
        page_pdf(a_report())
