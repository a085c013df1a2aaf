"""What a walk leaves out: the litter of operating systems, and what a production's own patterns say.

Patterns have gitignore syntax (as the open standard's manifests list them) and are matched against bytes, so that a
name that is not valid UTF-8 has an answer as well.
"""

from __future__ import annotations

from collections.abc import Iterable

from rollproof.models.errors import UntrustedInput
from rollproof.models.ignore_patterns import compile_pattern, pattern_problem
from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER

__all__ = ["COPY_PATTERNS", "LITTER", "MAX_PATTERNS", "IgnoreRules", "pattern_problem"]

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

_LITTER = frozenset(name.encode() for name in LITTER)
_OWN_FOLDERS = frozenset((RECORDS_FOLDER, ASCMHL_FOLDER))


class IgnoreRules:
    """Which paths are left out. Immutable; may be asked from any thread.

    `own` are a production's patterns, or those a manifest lists: the last one that speaks of a path decides.
    UntrustedInput names the first that is no pattern, or says that there are too many. `of_copy` is for walking a
    copy, whose `/rollproof/` and `/ascmhl/` are ours, whatever the patterns say.
    """

    def __init__(self, own: Iterable[str] = (), *, of_copy: bool = False) -> None:
        built_in = {*LITTER, *COPY_PATTERNS}
        self.own = tuple(dict.fromkeys(pattern for pattern in own if pattern not in built_in))
        if len(self.own) > MAX_PATTERNS:
            raise UntrustedInput(f"There are more than {MAX_PATTERNS} ignore patterns.")
        self.of_copy = of_copy
        try:
            self._rules = tuple(compile_pattern(pattern) for pattern in self.own)
        except ValueError as error:
            raise UntrustedInput(f"An ignore pattern is none: {error}.") from None

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
        if not self._rules:  # the usual case needs no pattern at all
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
        left_out = name in _LITTER
        for rule in self._rules:
            if rule.leaves_out is not left_out and rule.says(path, is_folder):
                left_out = rule.leaves_out
        return left_out

    def is_litter(self, path: bytes) -> bool:
        """Whether a built-in name is in the path, rather than only a production's own pattern against it."""
        return not _LITTER.isdisjoint(path.split(b"/"))
