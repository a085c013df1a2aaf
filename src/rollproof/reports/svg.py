"""A plot as inline SVG: no script, no style from outside, every text escaped."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from rollproof.reports.plots import WIDTH, Mark, Plot
from rollproof.reports.words import clear

_SMALL, _LARGE = 10, 12


def svg(plot: Plot) -> str:
    """The element as text, with its sentence as title for those who cannot see it."""
    told = clear(plot.told)
    head = (
        f'<svg viewBox="0 0 {WIDTH} {plot.height:g}" role="img" aria-label={quoteattr(told)}'
        ' font-family="inherit" xmlns="http://www.w3.org/2000/svg">'
    )
    return head + f"<title>{escape(told)}</title>" + "".join(_mark(mark) for mark in plot.marks) + "</svg>"


def _mark(mark: Mark) -> str:
    if mark.kind == "bar":
        x, y, wide, high = mark.points
        stroke = ' stroke="#1a1a1a" stroke-width="0.6"' if mark.outlined else ""
        return f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" fill="{mark.fill}"{stroke}/>'
    if mark.kind == "line":
        pairs = " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(mark.points[::2], mark.points[1::2], strict=True))
        dashes = f' stroke-dasharray="{" ".join(f"{each:g}" for each in mark.dash)}"' if mark.dash else ""
        return f'<polyline points="{pairs}" fill="none" stroke="{mark.fill}" stroke-width="1"{dashes}/>'
    x, y = mark.points
    size = _SMALL if mark.small else _LARGE
    text = escape(clear(mark.text, 60))
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{mark.at}" fill="#1a1a1a">{text}</text>'
