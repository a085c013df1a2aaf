"""What one folder name must be, so that every file system a drive may have can hold it and no path leaves the drive.

Nothing is ever replaced in silence: a name that is not safe is told, with the reason.
"""

from __future__ import annotations

import unicodedata

from rollproof.models.names import ASCMHL_FOLDER, PARTIAL_SUFFIX, RECORDS_FOLDER, inert

MAX_COMPONENT_BYTES = 200
"""File systems hold 255 bytes or UTF-16 units; the rest is for the manifests that are named after the folder."""

# exFAT specification 7.7.3, and `/` and `\\`, which separate folders somewhere
_FORBIDDEN = frozenset('"*/:<>?\\|')
_RESERVED = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{number}" for port in ("com", "lpt") for number in (*range(10), "¹", "²", "³")}
)
_OURS = frozenset({RECORDS_FOLDER.decode(), ASCMHL_FOLDER.decode()})


def component_problem(name: str) -> str | None:
    """What keeps `name` from being a folder on every drive, as a phrase ("ends with a dot"); None when nothing does."""
    if not name:
        return "is empty"
    try:
        size = len(name.encode("utf-8"))
    except UnicodeEncodeError:
        return "is not valid Unicode"
    if name in {".", ".."}:
        return "would lead to another folder"
    found = sorted(_FORBIDDEN.intersection(name))
    if found:
        return f"holds {' '.join(found)}, which some drives cannot have in a name"
    if inert(name) != name or any(unicodedata.category(letter) in {"Cc", "Cs", "Zl", "Zp"} for letter in name):
        return "holds a control or invisible character"
    if name != name.strip():
        return "begins or ends with a space"
    if name.endswith("."):
        return "ends with a dot, which some drives drop"
    if name.partition(".")[0].rstrip().casefold() in _RESERVED:
        return "is a name that Windows keeps for itself"
    if name.casefold() in _OURS or name.casefold().endswith(PARTIAL_SUFFIX.decode()):
        return "is a name that Rollproof keeps for itself"
    if size > MAX_COMPONENT_BYTES:
        return f"is longer than {MAX_COMPONENT_BYTES} bytes"
    return None


def made_safe(name: str) -> str | None:
    """A folder name close to `name` that is safe everywhere, as a proposal; None when nothing usable is left.

    It may stand in a folder template: no brace is left either.
    """
    kept = "".join(
        " " if letter in _FORBIDDEN or letter in "{}" or inert(letter) != letter else letter for letter in name
    )
    kept = " ".join(kept.split())
    while len(kept.encode("utf-8", "replace")) > MAX_COMPONENT_BYTES:
        kept = kept[:-1]
    kept = unicodedata.normalize("NFC", kept).rstrip(". ").lstrip()
    return kept if component_problem(kept) is None else None
