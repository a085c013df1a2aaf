"""The production file as a model: what the production is called, where its copies go and what it asks of them.

Every field has a description and an example as it stands in the file; the words for what is wrong are made of them.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Hashable, Sequence
from datetime import date, datetime, time
from typing import Annotated, Any

from pathspec.patterns.gitignore import GitIgnorePatternError
from pathspec.patterns.gitignore.spec import GitIgnoreSpecPattern
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError
from pydantic_core.core_schema import ValidationInfo

from rollproof.hashing import ALGORITHMS, DEFAULT_ALGORITHM
from rollproof.models.ignore_patterns import MAX_PATTERN_BYTES, MAX_STARS
from rollproof.models.names import is_safe_relative
from rollproof.models.volumes import Evidence
from rollproof.production.components import component_problem, made_safe
from rollproof.production.placeholders import DEFAULT_FOLDER, template_problem, used
from rollproof.proof.holdings import Holds
from rollproof.proof.policy import ABSENT_COPY_HOURS, ACCEPTED_EVIDENCE, COPIES_REQUIRED

MAX_TEXT = 500
"""Characters in a name, role or path."""
MAX_PATTERNS = 500

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


def wrong(sentence: str, *at: str | int) -> PydanticCustomError:
    """What is wrong with a value and what would be right; `at` leads from the checked value to the culprit in it."""
    # handed over as a value: a brace in the sentence is not a placeholder
    return PydanticCustomError("wrong", "{sentence}", {"sentence": sentence, "at": at})


def _listed(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _one_or_several(value: Any) -> Any:
    return (value,) if isinstance(value, str) else _listed(value)


def _text(value: str) -> str:
    if any(unicodedata.category(letter) in {"Cc", "Cs"} for letter in value):
        raise wrong(
            "holds a control character; a backslash in double quotes makes one: use / or single quotes for paths"
        )
    if value != value.strip():
        raise wrong("begins or ends with a space; take it away")
    return value


def _clock(value: Any) -> Any:
    if isinstance(value, str):
        match = _CLOCK.fullmatch(value)
        if match is None:
            raise wrong('is no time of day; hours and minutes are right, as in "06:00"')
        return time(int(match[1]), int(match[2]))
    if isinstance(value, time) and (value.tzinfo or value.second or value.microsecond):
        raise wrong('is too exact; hours and minutes are right, as in "06:00"')
    return value


def _day(value: Any) -> Any:
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise wrong("is no date; year, month and day are right, as in 2026-05-14") from None
    if isinstance(value, datetime):
        raise wrong("has a time of day; the date alone is right, as in 2026-05-14")
    return value


def _evidence(value: Any) -> Any:
    if value == Evidence.CACHE:
        raise wrong('is no evidence: it may never have reached the drive; "medium" and "server" are right')
    if isinstance(value, str) and value in set(Evidence):
        return Evidence(value)
    raise wrong('is no kind of evidence; "medium" and "server" are right')


def _holds(value: Any) -> Any:
    if value in ("all", "any"):
        return value
    raise wrong('is neither; "all" and "any" are right')


def _algorithm(value: str) -> str:
    if value not in ALGORITHMS:
        raise wrong(f"is no hash algorithm known here; known are {', '.join(ALGORITHMS)}")
    return value


def _pattern(value: str) -> str:
    problem = _pattern_problem(value)
    if problem:
        raise wrong(f'{problem}; a pattern as in a .gitignore file is right, as in "*.tmp" or "/PREVIEWS/"')
    return value


def _pattern_problem(value: str) -> str | None:
    if not value.strip() or value.lstrip().startswith("#"):
        return "is empty or a comment"
    if any(letter in value for letter in "\0\n\r"):
        return "holds a line break or NUL"
    if len(value.encode("utf-8", "replace")) > MAX_PATTERN_BYTES:
        return f"is longer than {MAX_PATTERN_BYTES} bytes"
    if len(re.findall(r"\*+", value)) > MAX_STARS:
        return f"has more than {MAX_STARS} stars"
    try:
        compiled = GitIgnoreSpecPattern(value.encode("utf-8"))
    except (GitIgnorePatternError, re.error, ValueError):
        return "is no pattern"
    return "matches nothing" if compiled.regex is None else None


def _template(value: str) -> str:
    problem = template_problem(value)
    if problem:
        raise wrong(f'{problem}; right is for example "{DEFAULT_FOLDER}"')
    return value


def _no_twins(values: Sequence[Hashable], what: str, *, key: str | None = None) -> None:
    """Raises for the second of two equal ones."""
    first: dict[Hashable, int] = {}
    for number, value in enumerate(values):
        if value in first:
            at = (number,) if key is None else (number, key)
            raise wrong(f"{what} (no. {first[value] + 1} and no. {number + 1}); each once is right", *at)
        first[value] = number


Text = Annotated[str, Field(min_length=1, max_length=MAX_TEXT), AfterValidator(_text)]
Listed = BeforeValidator(_listed)


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class ProductionDrive(_Table):
    """A drive that copies go to: by path, by the identity of its volume, or both.

    With `volume` alone the copies go to the top of the drive wherever it is mounted; with a relative `path` beside
    it, to that folder of the drive. An absolute `path` beside it must lie on that very volume, so that another drive
    mounted there is told. A `path` alone is taken as it is, unless this computer's own disk lies there (`system_disk`).
    Several identities are those of drives that take turns in one role.
    """

    role: Text = Field(
        description="What the drive is for: primary, backup, shuttle, archive or any word the production uses.",
        examples=['"primary"'],
    )
    path: Text | None = Field(
        default=None,
        description="The folder for the production's copies: absolute, or below the drive's top when `volume` is set.",
        examples=['"/media/PRIMARY"'],
    )
    volume: Annotated[tuple[Text, ...], BeforeValidator(_one_or_several)] = Field(
        default=(),
        max_length=100,
        description="The volume's serial number or UUID, as `rollproof drives` shows it; a list where drives rotate.",
        examples=['"1A2B-3C4D"'],
    )
    system_disk: bool = Field(
        default=False,
        description="Whether this computer's own disk is meant; a copy there is refused otherwise: the drive is away.",
        examples=["true"],
    )
    holds: Annotated[Holds | None, BeforeValidator(_holds)] = Field(
        default=None,
        description="Whether all rolls belong on the drive, or any of them; audit and handover tell what it lacks.",
        examples=['"all"'],
    )

    @model_validator(mode="after")
    def _can_be_found(self) -> ProductionDrive:
        if self.path is None and not self.volume:
            raise wrong("has neither path nor volume; one of them is needed to find the drive")
        if self.path is not None and not os.path.isabs(os.fsencode(self.path)):
            if not self.volume:
                raise wrong('does not begin at the top; right is a whole path, as in "/media/PRIMARY"', "path")
            if not is_safe_relative(os.fsencode(self.path.rstrip("/"))):
                raise wrong('could lead off the drive; right is a folder below its top, as in "footage"', "path")
        return self


class ProductionPerson(_Table):
    """Somebody who handles the copies. The role is enough; a name is personal data and need not be said."""

    role: Text = Field(description="What the person does.", examples=['"data wrangler"'])
    name: Annotated[str, Field(max_length=MAX_TEXT), AfterValidator(_text)] = Field(
        default="", description="Free text, may be left out.", examples=['""']
    )


class Production(_Table):
    """A production file. Immutable; see the fields for what each key means."""

    # before `name`: what the name must be depends on whether it becomes a folder
    folder: Annotated[Text, AfterValidator(_template)] = Field(
        default=DEFAULT_FOLDER,
        description="The roll's folder on a drive; see `placeholders.PLACEHOLDERS`.",
        examples=[f'"{DEFAULT_FOLDER}"'],
    )
    name: Text = Field(description="What the production is called.", examples=['"The Bell Foundry"'])
    drives: Annotated[tuple[ProductionDrive, ...], Listed] = Field(
        default=(),
        max_length=100,
        description="The drives every card is copied to; without any, `--to` names the folders.",
        examples=["[[drives]] above the keys of each drive"],
    )
    copies_required: int = Field(
        default=COPIES_REQUIRED,
        ge=1,
        le=99,
        description="How many proven copies on separate devices a roll needs before its card may be wiped.",
        examples=["2"],
    )
    distinct_devices: bool = Field(
        default=False,
        description="Whether two drives that turn out to be one device are an error instead of a warning.",
        examples=["true"],
    )
    accepted_evidence: Annotated[tuple[Annotated[Evidence, BeforeValidator(_evidence)], ...], Listed] = Field(
        default=ACCEPTED_EVIDENCE,
        min_length=1,
        description="Which read-backs count: from the drive's medium, from a network volume's server.",
        examples=['["medium", "server"]'],
    )
    hashes: Annotated[tuple[Annotated[str, AfterValidator(_algorithm)], ...], Listed] = Field(
        default=(DEFAULT_ALGORITHM,),
        min_length=1,
        description="The hash algorithms of every file, all from one read.",
        examples=['["xxh128"]'],
    )
    day_turns_at: Annotated[time, BeforeValidator(_clock)] = Field(
        default=time(6, 0),
        description="When a new shooting day begins by the station's clock; a night shoot stays in its day.",
        examples=['"06:00"'],
    )
    first_day: Annotated[date | None, BeforeValidator(_day)] = Field(
        default=None,
        description="The date of shooting day 1; days are then counted by the calendar, days off included.",
        examples=["2026-05-03"],
    )
    ignore: Annotated[tuple[Annotated[str, AfterValidator(_pattern)], ...], Listed] = Field(
        default=(),
        max_length=MAX_PATTERNS,
        description="What is not copied from cards, in the syntax of .gitignore; the manifests list it.",
        examples=['["*.tmp"]'],
    )
    people: Annotated[tuple[ProductionPerson, ...], Listed] = Field(
        default=(),
        max_length=500,
        description="Who handles the copies.",
        examples=["[[people]] above the keys of each person"],
    )
    absent_copy_hours: int = Field(
        default=ABSENT_COPY_HOURS,
        ge=0,
        le=24 * 31,
        description="How old this station's own record of a copy may be for the copy to count while its drive is away.",
        examples=["24"],
    )

    @field_validator("name")
    @classmethod
    def _name_becomes_a_folder(cls, name: str, info: ValidationInfo) -> str:
        template = info.data.get("folder")
        problem = component_problem(name) if template is not None and "production" in used(template) else None
        if problem and template is not None:
            better = template.replace("{production}", made_safe(name) or "Production")
            raise wrong(
                f"{problem}, and the name becomes a folder; keep the name, and give the folder another one, as in"
                f' folder = "{better}"'
            )
        return name

    @field_validator("accepted_evidence", "hashes")
    @classmethod
    def _each_once(cls, values: tuple[str, ...]) -> tuple[str, ...]:
        _no_twins(values, "stands there twice")
        return values

    @field_validator("drives")
    @classmethod
    def _each_drive_once(cls, drives: tuple[ProductionDrive, ...]) -> tuple[ProductionDrive, ...]:
        _no_twins([drive.role.casefold() for drive in drives], "two drives have this role", key="role")
        _no_twins([(drive.path, drive.volume) for drive in drives], "two drives are the same one")
        return drives
