"""Is this file whole? One function for every kind of file on a card.

Structure only, in a few reads. Rules for any file: size 0, nothing but zeros as far as looked, a tail of more than
1 MiB of zeros. Rules of a container: its module in `containers.CONTAINERS`.
"""

from __future__ import annotations

import struct

from rollproof.media.containers import HEAD_BYTES, container_for, is_media
from rollproof.media.problems import CannotSay, FaultState, FileHealth, Problem, health
from rollproof.media.reading import ends_in_zeros, is_zero, zeros_from
from rollproof.media.source import Source, TooMuch

__all__ = ["FileHealth", "Problem", "examine"]

_NO_CHECK = "there is no check for this kind of file"
_TOO_MUCH = "more parts than are looked at: only the beginning was examined"
_CONFUSING = "the check could not make sense of this file"


def examine(source: Source, name: bytes) -> FileHealth:
    """Look into one file's structure. `name` (a path or a bare name) only says which kind to expect.

    Never raises anything but OSError of the medium.
    """
    container = ""
    try:
        head = source.at(0, HEAD_BYTES)
        nothing = _nothing_in_it(source, head, name)
        if nothing is not None:
            return health("", [nothing])
        found = container_for(head, name)
        if found is None:
            return _any_file(source, name)
        container = found.name
        problems = found.examine(source)
        if found.zero_tail and not problems and ends_in_zeros(source):
            problems.append(Problem(found.zero_tail, *_ZERO_TAIL))
        return health(container, problems)
    except CannotSay as reason:
        return health(container, [], unknown=str(reason))
    except TooMuch:
        return health(container, [], unknown=_TOO_MUCH)
    except (ArithmeticError, LookupError, ValueError, struct.error):
        # no such file is known: the parsers are tried without this net, which is here for the card that proves us wrong
        return health(container, [], unknown=_CONFUSING)


_ZERO_TAIL = (
    "its last MiB and more is nothing but zeros",
    "the end of the file was probably never written",
)


def _nothing_in_it(source: Source, head: bytes, name: bytes) -> Problem | None:
    """Size 0, or nothing but zeros. An empty file that is no media (a lock, a mark) may be meant so."""
    state: FaultState = "damaged" if is_media(name) else "odd"
    if source.size == 0:
        return Problem(state, "it has 0 bytes", "the file was created and nothing was ever written into it")
    if is_zero(head) and zeros_from(source, 0):
        return Problem(
            state,
            f"nothing but zeros in {source.size:,} bytes, as far as looked",
            "space was reserved for the file and nothing was ever written into it",
        )
    return None


def _any_file(source: Source, name: bytes) -> FileHealth:
    problems: list[Problem] = []
    if ends_in_zeros(source):
        problems.append(Problem("odd", *_ZERO_TAIL))
    return health("", problems, unknown=_NO_CHECK)
