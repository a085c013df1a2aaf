"""The folder template of a production: which placeholders there are, and what a template must be."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable

from rollproof.production.components import component_problem

DEFAULT_FOLDER = "{production}/{day}/{roll}"

PLACEHOLDERS = {
    "production": "the production's name",
    "day": "the shooting day: `--day`, else counted from `first_day`, else its date",
    "roll": "the roll's name",
    "unit": "the unit as given by `--unit`",
    "camera": "the camera letter",
    "date": "the date of the shooting day, as 2026-05-14",
}
"""Every placeholder of the folder template, with what stands in for it."""

# Safe in every file system and as odd as real ones: what is wrong with a part made of these is wrong with the template.
_STAND_INS = {
    "production": "Production",
    "day": "day_001",
    "roll": "A001",
    "unit": "main",
    "camera": "A",
    "date": "2026-05-14",
}
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_MAX_PARTS = 16


def template_problem(template: str) -> str | None:
    """What keeps a text from being a folder template, as a phrase; None when nothing does."""
    if "\\" in template:
        return "must have / between folders, not \\"
    if template.startswith("/"):
        return "must not begin with /: it is a folder below the drive's own"
    for name in _PLACEHOLDER.findall(template):
        if name not in PLACEHOLDERS:
            near = difflib.get_close_matches(name.strip().lower(), PLACEHOLDERS, n=1)
            meant = f"did you mean {{{near[0]}}}?" if near else f"there are {_listed()}"
            return f"has {{{name}}}, which means nothing here: {meant}"
    bare = _PLACEHOLDER.sub("", template)
    if "{" in bare or "}" in bare:
        return f"has a brace too many or too few; placeholders are {_listed()}"
    if "{roll}" not in template:
        return "must hold {roll}, or the rolls of a day would fall into one folder"
    parts = template.split("/")
    if len(parts) > _MAX_PARTS:
        return f"has more than {_MAX_PARTS} folders in a row"
    for part in parts:
        problem = component_problem(filled(part, lambda name: _STAND_INS[name]))
        if problem:
            return f"has a part that cannot be a folder on every drive: {part!r} {problem}"
    return None


def used(template: str) -> frozenset[str]:
    """The placeholders in a template."""
    return frozenset(_PLACEHOLDER.findall(template))


def filled(part: str, value: Callable[[str], str]) -> str:
    """One part of a template with every placeholder replaced, once; a brace in a value is only a brace."""
    return _PLACEHOLDER.sub(lambda match: value(match.group(1)), part)


def _listed() -> str:
    return " ".join(f"{{{name}}}" for name in PLACEHOLDERS)
