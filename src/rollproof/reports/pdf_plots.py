"""A plot of a report as a drawing in a PDF."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rollproof.reports import words
from rollproof.reports.plots import WIDTH, Plot


def drawing(plot: Plot, width: float, font: str, drawable: Callable[[str], str]) -> Any:
    """A plot of this width in points; `drawable` is given every text in it, for what the font lacks."""
    from reportlab.graphics.shapes import Drawing, PolyLine, Rect, String  # noqa: PLC0415 - heavy, and optional
    from reportlab.lib.colors import HexColor  # noqa: PLC0415

    scale = width / WIDTH
    drawing = Drawing(width, plot.height * scale)
    for mark in plot.marks:
        if mark.kind == "bar":
            x, y, wide, high = (value * scale for value in mark.points)
            edge = HexColor("#1a1a1a") if mark.outlined else None
            drawing.add(
                Rect(
                    x, plot.height * scale - y - high, wide, high,
                    fillColor=HexColor(mark.fill), strokeColor=edge, strokeWidth=0.5,
                )
            )  # fmt: skip
        elif mark.kind == "line":
            points = [
                value * scale if place % 2 == 0 else (plot.height - value) * scale
                for place, value in enumerate(mark.points)
            ]
            dashes = [each * scale for each in mark.dash] or None
            drawing.add(PolyLine(points, strokeColor=HexColor(mark.fill), strokeWidth=0.8, strokeDashArray=dashes))
        else:
            x, y = mark.points
            text = drawable(words.clear(mark.text, 60))
            drawing.add(
                String(
                    x * scale, (plot.height - y) * scale, text,
                    fontName=font, fontSize=7.5 if mark.small else 9, textAnchor=mark.at,
                )
            )  # fmt: skip
    return drawing
