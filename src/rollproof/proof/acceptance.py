"""What may be accepted by name, and what a given name means. A name means one thing, or nothing.

Differing, missing or unreadable files of a copy, broken records and too few copies are no subjects: nobody can accept
them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from rollproof.models.clip_names import names_clip

SubjectKind = Literal["path", "clip", "word", "stream"]


@dataclass(frozen=True, slots=True)
class Subject:
    """One thing that may be accepted: a file or folder by its path, a clip by its name, a word of ours (`space`), or
    what a file holds under a name of its own (`PATH:NAME`), which only the whole name means."""

    kind: SubjectKind
    name: str
    within: str = ""
    """The roll that it is of, where several rolls are looked at."""

    @property
    def whole(self) -> str:
        """The name that nothing else has."""
        return f"{self.within}/{self.name}" if self.within else self.name

    def is_called(self, given: str) -> bool:
        """Whether a person may mean this by that name: all of it, the last part of a path, a clip's short name."""
        if given in (self.name, self.whole):
            return True
        if self.kind == "path":
            return given == self.name.rpartition("/")[2]
        return self.kind == "clip" and bool(given) and names_clip(given, self.name)


@dataclass(frozen=True, slots=True)
class Unclear:
    """A name that several subjects answer to."""

    given: str
    candidates: tuple[Subject, ...]


def accepts(given: Iterable[str], subject: Subject) -> set[str]:
    """Which of the given names may mean the subject."""
    return {name for name in given if subject.is_called(name)}


def unclear(given: Iterable[str], subjects: Sequence[Subject]) -> list[Unclear]:
    """The names that mean more than one thing. One that is a subject's whole name, letter by letter, means that one."""
    found = []
    for name in dict.fromkeys(given):
        meant = _meant(name, subjects)
        if len(meant) > 1:
            found.append(Unclear(name, tuple(meant)))
    return found


def accepted(given: Collection[str], subjects: Sequence[Subject]) -> dict[Subject, str]:
    """What is accepted, with the name that was given for it; a name that means several things accepts none of them."""
    found: dict[Subject, str] = {}
    for name in given:
        meant = _meant(name, subjects)
        if len(meant) == 1:
            found.setdefault(meant[0], name)
    return found


def unused(given: Iterable[str], subjects: Sequence[Subject]) -> list[str]:
    """The names that nothing answers to."""
    return [name for name in dict.fromkeys(given) if not _meant(name, subjects)]


def _meant(name: str, subjects: Sequence[Subject]) -> list[Subject]:
    """What a name means: where it is the whole name of something, that; else all that answers to it."""
    all_of_them = list(dict.fromkeys(subjects))
    return (
        [subject for subject in all_of_them if subject.whole == name]
        or [subject for subject in all_of_them if subject.name == name]
        or [subject for subject in all_of_them if subject.is_called(name)]
    )
