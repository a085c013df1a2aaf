"""One file per layout, each with one `LAYOUT`; `all_layouts` finds them by themselves."""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module

from rollproof.card.layout import Layout


@cache
def all_layouts() -> tuple[Layout, ...]:
    """Every layout, the most telling first: those with the longest chain of folder names, then by id."""
    found = [import_module(f"{__name__}.{module.name}").LAYOUT for module in pkgutil.iter_modules(__path__)]
    return tuple(sorted(found, key=lambda each: (-len(each.folder) - len(each.beneath), each.id)))
