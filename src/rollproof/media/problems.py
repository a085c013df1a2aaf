"""What a look into a file can find, and the answer a check gives."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

FaultState = Literal["damaged", "odd"]
State = Literal["sound", "damaged", "odd", "unknown"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a file.

    `detail`: what is wrong and where, in bytes. `meaning`: plain words for the camera team. Both are our own words
    with numbers in them; four-letter codes from the file are shown inert.
    """

    state: FaultState
    detail: str
    meaning: str


@dataclass(frozen=True, slots=True)
class FileHealth:
    """What is known of one file's structure.

    `state` is the worst of the problems; *sound* when the container was recognised and nothing was found; *unknown*
    when there is no check for such a file or the look could not be finished (`note` says which).
    """

    state: State
    container: str
    problems: tuple[Problem, ...] = ()
    note: str = ""


def health(container: str, problems: tuple[Problem, ...] | list[Problem], *, unknown: str = "") -> FileHealth:
    """The answer for these problems; `unknown` is the reason why nothing better than *unknown* can be said."""
    found = tuple(problems)
    state: State = "unknown" if unknown else "sound"
    if found:
        state = "damaged" if any(problem.state == "damaged" for problem in found) else "odd"
    return FileHealth(state, container, found, unknown)


class CannotSay(Exception):
    """A parser met something legitimate that it cannot judge: the answer is *unknown*, with this reason."""


class Failure(StrEnum):
    """How the media library failed."""

    AT_ALL = "it does not work here"
    OVER_IT = "it failed over this file"
    TOO_OFTEN = "it failed over too many files"


class LibraryFailed(CannotSay):
    """It is not known to be the file: the media library failed."""

    def __init__(self, failure: Failure) -> None:
        super().__init__(failure)
        self.failure = failure
