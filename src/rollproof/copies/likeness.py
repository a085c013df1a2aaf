"""What the name of a folder tells: could it be that of a roll?"""

from __future__ import annotations

import re

from rollproof.models.names import to_text

_LIKE_A_ROLL = re.compile(r"\d?[A-Za-z]{1,8}[_-]?\d{2,6}[A-Za-z0-9_-]{0,12}")
_LIKE_A_DAY = re.compile(r"(?i)(day|tag|d)[_-]?\d{1,4}|\d{4}-\d\d-\d\d.*")


def named_like_a_roll(path: bytes) -> bool:
    """Whether the last part of a path could be the name of a roll."""
    name = to_text(path.rpartition(b"/")[2])
    return _LIKE_A_ROLL.fullmatch(name) is not None and _LIKE_A_DAY.fullmatch(name) is None
