"""What a walk leaves out: the litter of operating systems, and what a production's own patterns say.

Patterns have gitignore syntax (as the open standard's manifests list them) and are matched against bytes, so that a
name that is not valid UTF-8 has an answer as well; `?` and `[…]` therefore stand for one byte.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from pathspec.patterns.gitignore import GitIgnorePatternError
from pathspec.patterns.gitignore.spec import GitIgnoreSpecPattern

from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER

LITTER = (
    ".DS_Store",
    ".Spotlight-V100",
    ".Trashes",
    ".fseventsd",
    ".TemporaryItems",
    "System Volume Information",
    "$RECYCLE.BIN",
    "Thumbs.db",
    "desktop.ini",
)
"""Built-in names, at any depth, in exactly this spelling. `._` files are not among them: they hold real metadata."""

COPY_PATTERNS = (f"/{RECORDS_FOLDER.decode()}/", f"/{ASCMHL_FOLDER.decode()}/")
"""Our own folders at the top of a copy."""

MAX_PATTERNS = 500
MAX_PATTERN_BYTES = 1024
MAX_STARS = 3

_LITTER = frozenset(name.encode() for name in LITTER)
_OWN_FOLDERS = frozenset((RECORDS_FOLDER, ASCMHL_FOLDER))
_STARS = re.compile(r"\*+")


def pattern_problem(pattern: str) -> str | None:
    """What keeps a text from being an ignore pattern, as a phrase; None when nothing does.

    The limits are there because patterns also come from manifests on drives: each further `*` multiplies the time
    one long name can take.
    """
    try:
        raw = pattern.encode("utf-8")
    except UnicodeEncodeError:
        return "is not valid Unicode"
    if not pattern.strip() or pattern.lstrip().startswith("#"):
        return "is empty or a comment"
    if any(letter in pattern for letter in "\0\n\r"):
        return "holds a line break or NUL"
    if len(raw) > MAX_PATTERN_BYTES:
        return f"is longer than {MAX_PATTERN_BYTES} bytes"
    if len(_STARS.findall(pattern)) > MAX_STARS:
        return f"has more than {MAX_STARS} stars"
    try:
        compiled = GitIgnoreSpecPattern(raw)
    except (GitIgnorePatternError, re.error, ValueError):
        return "is not gitignore syntax"
    if compiled.regex is None:
        return "matches nothing"
    return None


@dataclass(frozen=True, slots=True)
class _Rule:
    include: bool
    regex: re.Pattern[bytes]


class IgnoreRules:
    """Which paths are left out. Immutable; `matches` may be called from any thread.

    `own` are a production's patterns, or those a manifest lists; ValueError names the first one that is none.
    `of_copy` is for walking a copy, whose `/rollproof/` and `/ascmhl/` are ours.
    """

    def __init__(self, own: Iterable[str] = (), *, of_copy: bool = False) -> None:
        known = {*LITTER, *COPY_PATTERNS} if of_copy else {*LITTER}
        self.own = tuple(dict.fromkeys(pattern for pattern in own if pattern not in known))
        if len(self.own) > MAX_PATTERNS:
            raise ValueError(f"more than {MAX_PATTERNS} ignore patterns")
        self.of_copy = of_copy
        rules: list[_Rule] = []
        for pattern in self.own:
            problem = pattern_problem(pattern)
            if problem is not None:
                raise ValueError(f"the ignore pattern {pattern!r} {problem}")
            compiled = GitIgnoreSpecPattern(pattern.encode("utf-8"))
            if compiled.regex is not None and compiled.include is not None:
                rules.append(_Rule(bool(compiled.include), compiled.regex))
        self._rules = tuple(rules)

    @property
    def patterns(self) -> tuple[str, ...]:
        """Every pattern in gitignore syntax, in the order in which they apply, for the manifests."""
        return (*LITTER, *self.own, *(COPY_PATTERNS if self.of_copy else ()))

    def for_copy(self) -> IgnoreRules:
        """The same rules for walking a copy, and for its manifests."""
        return IgnoreRules(self.own, of_copy=True)

    def matches(self, path: bytes, is_folder: bool) -> bool:
        """Whether the path, or a folder above it, is left out. `path` is relative, `/`-separated."""
        parts = path.split(b"/")
        if not self._rules:
            if not _LITTER.isdisjoint(parts):
                return True
            return self.of_copy and parts[0] in _OWN_FOLDERS and (is_folder or len(parts) > 1)
        above = b""
        for part in parts[:-1]:
            above = above + b"/" + part if above else part
            if self.matches_entry(above, part, True):
                return True
        return self.matches_entry(path, parts[-1], is_folder)

    def matches_entry(self, path: bytes, name: bytes, is_folder: bool) -> bool:
        """`matches` for a walk that has already asked about every folder above. `name` is the last component."""
        if self.of_copy and is_folder and path in _OWN_FOLDERS:
            return True
        ignored = name in _LITTER
        if self._rules:
            # A newline in a name would let `$` match early and keep `.` from matching; NUL is in no name.
            text = path.replace(b"\n", b"\0") + (b"/" if is_folder else b"")
            for rule in self._rules:
                if rule.include is not ignored and rule.regex.match(text):
                    ignored = rule.include  # the last pattern that says something decides
        return ignored

    def is_litter(self, path: bytes) -> bool:
        """Whether a built-in name leaves the path out, rather than a production's own pattern."""
        return not _LITTER.isdisjoint(path.split(b"/"))
