"""Columns by hand: text cut and padded to cells, so that numbers stand under numbers at any width."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from rollproof.cli.console import QUIET, join, safe


def head_cut(text: str, width: int) -> str:
    """At most `width` cells, cut at the front: of a path the end tells most. The text must be safe already."""
    if cell_len(text) <= width:
        return text
    if width < 2:
        return "…"[:width]
    while text and cell_len(text) > width - 1:
        text = text[1:]
    return "…" + text


def tail_cut(text: str, width: int) -> str:
    """At most `width` cells, cut at the end."""
    if cell_len(text) <= width:
        return text
    if width < 2:
        return "…"[:width]
    return set_cell_size(text, width - 1).rstrip() + "…"


def left(text: str, width: int, style: str = "", *, keep_end: bool = False) -> Text:
    """Untrusted text cut and padded on the right to exactly `width` cells."""
    shown = safe(text).plain
    cut = head_cut(shown, width) if keep_end else tail_cut(shown, width)
    return Text(set_cell_size(cut, width), style=style)


def right(text: str, width: int, style: str = "") -> Text:
    """Our own text, padded on the left to `width` cells."""
    shown = tail_cut(text, width)
    return Text(" " * (width - cell_len(shown)) + shown, style=style)


def rule(width: int, *, fancy: bool = True) -> Text:
    """A line that sets the last word apart from all before it."""
    return Text(("─" if fancy else "-") * max(min(width, 80), 1), QUIET)


def stamp(word: str, style: str) -> Text:
    """A verdict's first words: they stand out by colour where there is one, by capitals and a colon everywhere."""
    return join(Text(f"{word}:", f"{style} bold reverse"), " ")


def bar(fraction: float | None, width: int, *, fancy: bool = True) -> str:
    """How far, as a row of cells: full only when all is done. Empty cells where there is nothing to measure."""
    full, empty = ("█", "·") if fancy else ("#", ".")
    cells = 0 if fraction is None else min(int(max(fraction, 0.0) * width), width)
    return full * cells + empty * (width - cells)


def fitted(lines: Sequence[Text], width: int) -> list[Text]:
    """The same lines, none of which wraps."""
    for line in lines:
        line.no_wrap = True
        line.truncate(width, overflow="ellipsis")
    return list(lines)
