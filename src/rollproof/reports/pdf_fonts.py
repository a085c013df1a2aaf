"""The fonts of a PDF, the first on this system that draw many letters, and the styles of text in them."""

from __future__ import annotations

import os
from typing import Any

_FONTS = (
    ("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf", "/usr/share/fonts/truetype/dejavu/DejaVuSans-Bold.ttf"),
    ("/usr/share/fonts/dejavu-sans-fonts/DejaVuSans.ttf", "/usr/share/fonts/dejavu-sans-fonts/DejaVuSans-Bold.ttf"),
    ("/Library/Fonts/Arial Unicode.ttf", "/System/Library/Fonts/Supplemental/Arial Bold.ttf"),
    ("C:\\Windows\\Fonts\\arial.ttf", "C:\\Windows\\Fonts\\arialbd.ttf"),
)
"""Where systems keep fonts with many letters; else the one that reportlab brings (Latin letters)."""


def fonts() -> tuple[str, str, frozenset[int]]:
    """The plain and the bold font, registered, and the letters that both can draw."""
    from reportlab.pdfbase import pdfmetrics  # noqa: PLC0415 - heavy, and optional
    from reportlab.pdfbase.ttfonts import TTFError, TTFont  # noqa: PLC0415

    for plain_file, bold_file in (*_FONTS, ("Vera.ttf", "VeraBd.ttf")):
        if os.path.isabs(plain_file) and not (os.path.isfile(plain_file) and os.path.isfile(bold_file)):
            continue
        try:
            plain, bold = TTFont("report", plain_file), TTFont("report-bold", bold_file)
        except (TTFError, OSError):
            continue
        pdfmetrics.registerFont(plain)
        pdfmetrics.registerFont(bold)
        letters = frozenset(plain.face.charToGlyph) & frozenset(bold.face.charToGlyph)
        return "report", "report-bold", letters | {0x20}
    return "Helvetica", "Helvetica-Bold", frozenset(range(0x20, 0x7F))


def styles(plain: str, bold: str) -> dict[str, Any]:
    """How each kind of text is set, in these fonts."""
    from reportlab.lib.styles import ParagraphStyle  # noqa: PLC0415 - heavy, and optional

    base = ParagraphStyle("text", fontName=plain, fontSize=8.5, leading=11.5)
    return {
        "text": base,
        "cell": ParagraphStyle("cell", base, fontSize=7, leading=8.8, splitLongWords=1),
        "number": ParagraphStyle("number", base, fontSize=7, leading=8.8, alignment=2),
        "head": ParagraphStyle("head", base, fontName=bold, fontSize=7, leading=8.8),
        "number head": ParagraphStyle("number head", base, fontName=bold, fontSize=7, leading=8.8, alignment=2),
        "h1": ParagraphStyle("h1", base, fontName=bold, fontSize=15, leading=19, spaceAfter=4),
        "h2": ParagraphStyle(
            "h2", base, fontName=bold, fontSize=12, leading=15, spaceBefore=14, spaceAfter=4, keepWithNext=1
        ),
        "h3": ParagraphStyle(
            "h3", base, fontName=bold, fontSize=9.5, leading=12, spaceBefore=9, spaceAfter=2, keepWithNext=1
        ),
    }
