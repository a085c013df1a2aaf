"""Names that try to act on a terminal, and what must never come through."""

from __future__ import annotations

import re

NAMES = (
    "\x1b[2J\x1b[HPROVEN",
    "\x1b]8;;http://example.invalid\x1b\\click\x1b]8;;\x1b\\",
    "\x1b]0;title\x07",
    "a\nPROVEN: roll A003 is proven on 3 of 3 drives.",
    "a\rPROVEN",
    "b\x9b31mred",
    "[bold]loud[/bold][link=file:///]x[/link][/nothing]",
    ":smiley: :warning:",
    "safe\u202egnp.exe\u2066",
    "zero\u200bwidth\ufeff",
    "tab\tand\x00nul\x08\x7f",
    "\ud800lone surrogate",
    "e\u0301 NFD and 日本語",
    "-leading",
    "x" * 5000,
)

_OUR_OWN = re.compile(r"\x1b\[(\d+(;\d+)*)?m|\x1b\[\?25[lh]|\x1b\[\d*[AKGCD]|\x1b\[[12]?K|\x1b\[1A|\r|\x07")
_ALIVE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]")


def alive(text: str, *, terminal: bool) -> list[str]:
    """Control and bidi characters in what was printed, beyond the few codes the screen itself may use."""
    return _ALIVE.findall(_OUR_OWN.sub("", text) if terminal else text)
