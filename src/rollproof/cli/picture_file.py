"""The last screen as an SVG picture, for the docs: written where ROLLPROOF_SCREEN_SVG says."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from rollproof.cli.console import Output, folded, safe

_VARIABLE = "ROLLPROOF_SCREEN_SVG"
_WIDTH = 100

# Dark text on warm paper: readable in print, and nothing is fetched from anywhere.
_THEME = TerminalTheme(
    (252, 250, 245),
    (38, 38, 44),
    [
        (38, 38, 44),
        (178, 34, 34),
        (0, 110, 60),
        (150, 95, 0),
        (30, 80, 160),
        (120, 50, 130),
        (0, 110, 120),
        (90, 90, 96),
    ],
)
_FORMAT = """\
<svg class="screen" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img">
    <style>
    .{unique_id}-matrix {{
        font-family: monospace;
        font-size: {char_height}px;
        line-height: {line_height}px;
    }}
    {styles}
    </style>
    <defs>
    <clipPath id="{unique_id}-clip-terminal">
      <rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" />
    </clipPath>
    {lines}
    </defs>
    <rect width="{width}" height="{height}" rx="6" fill="#fcfaf5" stroke="#d8d2c4" />
    <g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
    {backgrounds}
    <g class="{unique_id}-matrix" xml:space="preserve">
    {matrix}
    </g>
    </g>
</svg>
"""


def save_picture(environ: Mapping[str, str], output: Output, lines: Sequence[Text]) -> None:
    """Write `lines` as SVG to the file ROLLPROOF_SCREEN_SVG names, if it names one; a failure is only said."""
    target = environ.get(_VARIABLE)
    if not target:
        return
    console = Console(
        file=io.StringIO(), record=True, width=_WIDTH, force_terminal=True, color_system="truecolor", highlight=False,
        markup=False, emoji=False, legacy_windows=False, _environ={},
    )  # fmt: skip
    while lines and not lines[0].plain:
        lines = lines[1:]
    for line in lines:
        for piece in folded(line, _WIDTH):
            console.print(piece)
    try:
        console.save_svg(target, title="", theme=_THEME, code_format=_FORMAT, unique_id="screen")
    except OSError as error:
        output.say(safe(f"The picture of the screen could not be written: {error}"))
