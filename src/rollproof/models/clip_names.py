"""Which clip a person means who writes its name as the camera report has it."""

from __future__ import annotations

import re

_COUNTER = re.compile(r"[_-]?(?:[0-9]{6,14}[_-])?[ct][0-9]{2}")


def names_clip(wanted: str, name: str) -> bool:
    """Whether `wanted` may mean the clip called `name`: its whole name, or the part up to and with its counter, without
    what the camera adds behind (`A003C023` stands for `A003C023_260514_R1BF`). Case does not matter."""
    wanted, name = wanted.casefold(), name.casefold()
    if name == wanted:
        return True
    rest = name[len(wanted) :]
    return (
        name.startswith(wanted)
        and wanted[-1:].isdigit()
        and not rest[0].isalnum()
        and _COUNTER.match(rest) is None  # else only the roll was named, and every clip would do
    )
