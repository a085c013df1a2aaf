"""Where each key of a TOML file stands: the parser of the standard library tells values, not lines.

Made for messages only. It trusts nothing: on text that is no TOML it stops and gives what it found so far.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\n#]+")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\[^\n])*"'),
    re.compile(r"'[^'\n]*'"),
)
_MAX_DEPTH = 20


@dataclass(slots=True)
class KeyLines:
    """Every key's line, counted from 1, and the first key that stands twice: (key, first line, second line)."""

    of: dict[Path, int] = field(default_factory=dict)
    twice: tuple[Path, int, int] | None = None

    def nearest(self, path: Path) -> int | None:
        """The line of a key, or of the nearest table around it that has one; None for the file itself."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.of:
                return self.of[path[:length]]
        return None


def key_lines(text: str) -> KeyLines:
    """The lines of all keys in a text with `\\n` line ends."""
    scan = _Scan(text)
    try:
        scan.document()
    except _LostError:
        pass  # the parser has its own words for it
    return scan.found


class _LostError(Exception):
    """This is not TOML, or deeper than any production file."""


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.found = KeyLines()
        self._line = 1
        self._counted = 0
        self._arrays: dict[Path, int] = {}

    def document(self) -> None:
        """Every statement of the file."""
        prefix: Path = ()
        self._take(_BLANK)
        while self.at < len(self.text):
            prefix = self._header() if self._peek("[") else self._pair(prefix, prefix, 0)
            self._take(_BLANK)

    def _header(self) -> Path:
        double = self._peek("[[")
        line = self._line_here()
        self.at += 2 if double else 1
        parts = self._key()
        self._expect("]]" if double else "]")
        path: Path = ()
        for part in parts[:-1]:
            path = self._inside((*path, part))
        path = (*path, parts[-1])
        if double:
            self.found.of.setdefault(path, line)
            self._arrays[path] = self._arrays.get(path, -1) + 1
            path = self._inside(path)
        self._note(path, line)
        return path

    def _inside(self, path: Path) -> Path:
        return (*path, self._arrays[path]) if path in self._arrays else path

    def _pair(self, prefix: Path, result: Path, depth: int) -> Path:
        line = self._line_here()
        path = (*prefix, *self._key())
        self._expect("=")
        self._take(_SPACE)
        self._note(path, line)
        self._value(path, depth)
        return result

    def _key(self) -> tuple[str, ...]:
        parts = []
        while True:
            self._take(_SPACE)
            if self._peek('"') or self._peek("'"):
                parts.append(self._unquoted(self._string()))
            else:
                parts.append(self._need(_BARE_KEY))
            self._take(_SPACE)
            if not self._peek("."):
                return tuple(parts)
            self.at += 1

    def _value(self, path: Path, depth: int) -> None:
        if depth > _MAX_DEPTH:
            raise _LostError
        if self._peek('"') or self._peek("'"):
            self._string()
        elif self._peek("["):
            self._members(path, depth, "]")
        elif self._peek("{"):
            self._members(path, depth, "}")
        else:
            self._need(_SCALAR)

    def _members(self, path: Path, depth: int, end: str) -> None:
        self.at += 1
        number = 0
        while True:
            self._take(_BLANK)
            if self._peek(end):
                self.at += 1
                return
            if end == "}":
                self._pair(path, path, depth + 1)
            else:
                self._note((*path, number), self._line_here())
                self._value((*path, number), depth + 1)
                number += 1
            self._take(_BLANK)
            if self._peek(","):
                self.at += 1
            elif not self._peek(end):
                raise _LostError

    def _string(self) -> str:
        for pattern in _STRINGS:
            match = pattern.match(self.text, self.at)
            if match:
                self.at = match.end()
                return match.group()
        raise _LostError

    @staticmethod
    def _unquoted(quoted: str) -> str:
        import tomllib  # noqa: PLC0415 - only a file with a mistake in it comes here

        try:
            return str(tomllib.loads(f"key = {quoted}")["key"])
        except ValueError:
            raise _LostError from None

    def _note(self, path: Path, line: int) -> None:
        first = self.found.of.setdefault(path, line)
        if first != line and self.found.twice is None:
            self.found.twice = (path, first, line)

    def _line_here(self) -> int:
        self._line += self.text.count("\n", self._counted, self.at)
        self._counted = self.at
        return self._line

    def _peek(self, mark: str) -> bool:
        return self.text.startswith(mark, self.at)

    def _expect(self, mark: str) -> None:
        if not self._peek(mark):
            raise _LostError
        self.at += len(mark)

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            return ""
        self.at = match.end()
        return match.group()

    def _need(self, pattern: re.Pattern[str]) -> str:
        taken = self._take(pattern)
        if not taken:
            raise _LostError
        return taken
