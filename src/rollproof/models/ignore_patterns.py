"""Ignore patterns in gitignore syntax: whether a text is one, and what it means for paths that are bytes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

MAX_PATTERN_BYTES = 1024
MAX_STARS = 2
"""Runs of stars. With a third one, a path of a thousand short components took minutes."""

_STARS = re.compile(r"\*+")
_WHOLE_RUN = re.compile(r"\*{2,}")
_RUN = re.compile(r"(\\.)|\*{2,}", re.DOTALL)
_AT_ANY_DEPTH, _GAP = b"^(?:.+/)?", b"(?:/.+)?"
"""What `**/` at the beginning and `/**/` in the middle become."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern. `leaves_out` is False for one that begins with `!` and takes back what an earlier one said."""

    leaves_out: bool
    regex: re.Pattern[bytes]

    def says(self, path: bytes, is_folder: bool) -> bool:
        """Whether the pattern speaks of this relative path (or of a folder above it). `?` and `[…]` stand for one
        byte."""
        # a newline in a name would end the match early, or keep `.` from matching; NUL is in no name
        text = path.replace(b"\n", b"\0") if b"\n" in path else path
        return self.regex.match(text + b"/" if is_folder else text) is not None


def pattern_problem(pattern: str) -> str | None:
    """What keeps a text from being an ignore pattern, as a phrase that follows "it"; None when nothing does.

    The limits are there because patterns also come from manifests on drives: each further `*` multiplies the time
    that one long name can take.
    """
    try:
        size = len(pattern.encode("utf-8"))
    except UnicodeEncodeError:
        return "is not valid Unicode"
    if not pattern.strip() or pattern.lstrip().startswith("#"):
        return "is empty or a comment"
    if any(letter < " " or letter == "\x7f" for letter in pattern):
        return "holds a control character"  # no manifest could list it
    if size > MAX_PATTERN_BYTES:
        return f"is longer than {MAX_PATTERN_BYTES} bytes"
    if len(_STARS.findall(pattern)) > MAX_STARS:
        return f"has more than {MAX_STARS} stars"
    return None if _compiled(pattern) is not None else "is not gitignore syntax, or matches nothing"


def compile_pattern(pattern: str) -> Pattern:
    """The pattern ready to be asked; ValueError with `pattern_problem`'s phrase when it is none."""
    problem = pattern_problem(pattern)
    compiled = None if problem else _compiled(pattern)
    if compiled is None:
        raise ValueError(f"the ignore pattern {pattern!r} {problem}")
    return compiled


def _single_stars(pattern: str) -> str:
    """The same pattern with every run of stars as one, or as two where it is all of a component. That is what they mean
    (gitignore(5): other consecutive asterisks are regular asterisks), and left as they are each star of a run would
    multiply the time."""
    return "/".join(
        "**" if _WHOLE_RUN.fullmatch(part) else _RUN.sub(lambda found: found[1] or "*", part)
        for part in pattern.split("/")
    )


@lru_cache(maxsize=256)
def _compiled(pattern: str) -> Pattern | None:
    from pathspec.patterns.gitignore import GitIgnorePatternError  # noqa: PLC0415 - only some commands need it
    from pathspec.patterns.gitignore.spec import GitIgnoreSpecPattern  # noqa: PLC0415

    try:
        found = GitIgnoreSpecPattern(_single_stars(pattern).encode("utf-8"))
    except (GitIgnorePatternError, re.error, ValueError):
        return None
    if found.regex is None or found.include is None:
        return None
    return Pattern(bool(found.include), _linear(found.regex))


def _linear(regex: re.Pattern[bytes]) -> re.Pattern[bytes]:
    """The same language, without trying every start of `**/A/**/B` against every end: what follows the first A follows
    every later one too, so the first is enough. (A has no star of its own: `MAX_STARS`.)"""
    start, gap, rest = regex.pattern.partition(_GAP)
    if not gap or not start.startswith(_AT_ANY_DEPTH):
        return regex
    first = start[len(_AT_ANY_DEPTH) :]
    return re.compile(b"^(?>(?:.+?/)??" + first + b"(?=/))" + gap + rest)
