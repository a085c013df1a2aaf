"""The words for what is wrong in a production file: the key, the line, the value, and what would be right."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rollproof.models.names import inert
from rollproof.production.lines import KeyLines, Path
from rollproof.production.model import Production, ProductionDrive, ProductionPerson

MAX_PROBLEMS = 50
_MAX_SHOWN = 80

_TABLES: Mapping[str, type[BaseModel]] = {"drives": ProductionDrive, "people": ProductionPerson}
# What people tend to call a key, where its spelling alone does not lead to it.
_OTHER_WORDS = {
    "title": "name",
    "production": "name",
    "algorithm": "hashes",
    "algorithms": "hashes",
    "checksums": "hashes",
    "copies": "copies_required",
    "evidence": "accepted_evidence",
    "template": "folder",
    "drive": "drives",
    "destinations": "drives",
    "crew": "people",
    "exclude": "ignore",
    "uuid": "volume",
    "serial": "volume",
    "day_starts_at": "day_turns_at",
}
_RIGHT = {
    "string_type": "text in quotes",
    "int_type": "a whole number without quotes",
    "bool_type": "true or false without quotes",
    "date_type": "a date without quotes",
    "time_type": "a time of day in quotes",
    "tuple_type": "a list in square brackets",
    "model_type": "a table",
    "dict_type": "a table",
}


def problems_of(error: ValidationError, lines: KeyLines) -> list[tuple[int | None, str]]:
    """One sentence for each problem, with the line it is about (None: the whole file), in the order of the file."""
    details = error.errors(include_url=False)
    # a list whose members were all refused is called too short as well, which is nothing anybody wrote
    details = [detail for detail in details if detail["type"] != "too_short" or not detail["input"]]
    found = [_one(detail, lines) for detail in details]
    return sorted(found, key=lambda problem: problem[0] or 0)


def shown_value(value: object) -> str:
    """A value as it stands in a TOML file, cut short; whole tables and lists are only named."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = '"' + value[: _MAX_SHOWN + 1].replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'
    elif isinstance(value, datetime | date | time):
        text = value.isoformat()
    elif isinstance(value, int):
        # str() of a huge one is refused by the interpreter
        text = str(value) if value.bit_length() < 256 else "a huge number"
    elif isinstance(value, float):
        text = repr(value)
    else:
        text = "a list" if isinstance(value, list | tuple) else "a table"
    text = inert(text)
    return text if len(text) <= _MAX_SHOWN else text[:_MAX_SHOWN] + "…"


def _one(detail: ErrorDetails, lines: KeyLines) -> tuple[int | None, str]:
    kind = detail["type"]
    context: dict[str, Any] = detail.get("ctx", {})
    path: Path = (*detail["loc"], *context.get("at", ()))
    value = _at(detail["input"], context.get("at", ()))
    line = lines.nearest(path)
    if kind == "missing":
        key = str(path[-1])
        return line, f"{_where(path)} is missing; put it in, as in {_example(path[:-1], key)}"
    if kind == "extra_forbidden":
        return line, f"{_assigned(path, value)}: there is no such key{_meant(path)}"
    if kind == "wrong":
        return line, f"{_assigned(path, value)}: {context['sentence']}"
    return line, f"{_assigned(path, value)}: {_sentence(kind, context, path)}"


def _sentence(kind: str, context: Mapping[str, Any], path: Path) -> str:
    if kind in _RIGHT:
        return f"{_RIGHT[kind]} is right{_like(path)}"
    if kind == "greater_than_equal":
        return f"is too small; {context['ge']} or more is right"
    if kind == "less_than_equal":
        return f"is too large; {context['le']} or less is right"
    if kind in {"string_too_short", "too_short"}:
        return f"is empty; something must stand there{_like(path)}"
    if kind in {"string_too_long", "too_long"}:
        return f"is too long; at most {context.get('max_length')} is right"
    return f"is not right{_like(path)}"


def _assigned(path: Path, value: object) -> str:
    if not path:
        return "the file"
    if isinstance(path[-1], int) and not isinstance(value, str | int | float | date | time):
        return _where(path)
    return f"{_where(path)} = {shown_value(value)}"


def _where(path: Path) -> str:
    """`role of drive no. 2`, `hashes no. 1`, `folder`."""
    key = path[-1]
    if len(path) == 1:
        return f"{_quoted(key)}"
    if isinstance(key, int):
        return f"{_quoted(path[-2])} no. {key + 1}"
    outer = path[-2]
    if isinstance(outer, int):
        return f"{_quoted(key)} of {_quoted(path[-3])} no. {outer + 1}"
    return f"{_quoted(key)} of {_quoted(outer)}"


def _quoted(key: object) -> str:
    text = inert(str(key))
    return text if len(text) <= _MAX_SHOWN else text[:_MAX_SHOWN] + "…"


def _model(outer: Path) -> type[BaseModel] | None:
    if not outer:
        return Production
    return _TABLES.get(str(outer[0])) if len(outer) == 2 else None


def _example(outer: Path, key: str) -> str:
    model = _model(outer)
    examples = model.model_fields[key].examples if model is not None and key in model.model_fields else None
    return f"{key} = {examples[0]}" if examples else key


def _like(path: Path) -> str:
    keys = [number for number, part in enumerate(path) if isinstance(part, str)]
    if not keys:
        return ""
    outer, key = path[: keys[-1]], str(path[keys[-1]])
    example = _example(outer, key)
    if example == key:
        return ""
    value = example.partition(" = ")[2]
    return f", as in {value}" if value.startswith("[[") else f", as in {example}"


def _meant(path: Path) -> str:
    model = _model(path[:-1])
    if model is None:
        return ""
    key = str(path[-1])
    known = list(model.model_fields)
    plain = key.strip().lower().replace("-", "_")
    if len(path) > 1 and plain in Production.model_fields and plain not in known:
        # the trap of TOML: everything below a table's header belongs to that table
        return f"; {plain} belongs further up, above the first line that begins with ["
    near = [plain] if plain in known else difflib.get_close_matches(plain[:100], known, n=1)
    other = _OTHER_WORDS.get(plain)
    if not near and other in known:
        near = [str(other)]
    if near:
        return f"; did you mean {near[0]}?"
    return f"; there are {', '.join(known)}"


def _at(value: object, at: tuple[str | int, ...]) -> object:
    """The culprit in a value that was checked as a whole, raw from the file or already a model."""
    for part in at:
        if isinstance(value, BaseModel):
            value = getattr(value, str(part), None)
        elif isinstance(value, Mapping):
            value = value.get(part)
        elif isinstance(value, list | tuple) and isinstance(part, int):
            value = value[part]
    return value
