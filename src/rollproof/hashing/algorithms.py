"""Every hash algorithm the tool knows: its name, its element in the open standard, its speed, its text form.

Adding one: an entry in `ALGORITHMS`, and a published vector in the tests.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

import xxhash

from rollproof.hashing import c4
from rollproof.models.errors import UntrustedInput, UsageProblem


class Hasher(Protocol):
    """A hash being computed. `update` releases the interpreter lock on large views; one thread at a time."""

    def update(self, view: memoryview | bytes, /) -> object:
        """Take in the next bytes."""
        ...

    def text(self) -> str:
        """The hash so far in the standard's text form: lowercase hexadecimal, or `c4…`."""
        ...

    def raw(self) -> bytes:
        """The hash so far as big-endian bytes; for C4 the 64 bytes of SHA-512."""
        ...


class _Digest(Protocol):
    def update(self, data: memoryview | bytes, /) -> object: ...

    def digest(self) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Algorithm:
    """One algorithm.

    `standard_name` is its element in ASC MHL, None where the standard has none. `rank` orders by speed, 0 is the
    fastest. A `slow` one deserves a thread of its own. `raw_bytes` is the length of the raw hash. `factory` makes
    the digest object underneath; use `new_hasher`, which also gives the text form.
    """

    name: str
    standard_name: str | None
    rank: int
    slow: bool
    raw_bytes: int
    factory: Callable[[], _Digest]


def _md5() -> _Digest:
    return hashlib.md5(usedforsecurity=False)


def _sha1() -> _Digest:
    return hashlib.sha1(usedforsecurity=False)


def _blake3() -> _Digest:
    try:
        from blake3 import blake3  # noqa: PLC0415 - an optional package
    except ImportError:
        raise UsageProblem(
            "The algorithm blake3 needs the Python package blake3, which is not installed.",
            hint="Install it with: pip install 'rollproof[blake3]', or choose another algorithm.",
        ) from None
    digest: _Digest = blake3()
    return digest


# Ranks follow measured speed of one thread; xxh128 and xxh3 are equally fast, and the longer one is the better proof.
_ALL = (
    Algorithm("xxh128", "xxh128", 0, False, 16, xxhash.xxh3_128),
    Algorithm("xxh3", "xxh3", 1, False, 8, xxhash.xxh3_64),
    Algorithm("xxh64", "xxh64", 2, False, 8, xxhash.xxh64),
    Algorithm("md5", "md5", 7, True, 16, _md5),
    Algorithm("sha1", "sha1", 4, True, 20, _sha1),
    Algorithm("sha256", None, 5, True, 32, hashlib.sha256),
    Algorithm("c4", "c4", 6, True, c4.RAW_BYTES, hashlib.sha512),
    Algorithm("blake3", None, 3, False, 32, _blake3),
)

ALGORITHMS: Mapping[str, Algorithm] = MappingProxyType({algorithm.name: algorithm for algorithm in _ALL})
"""Every algorithm by its name, in the order shown to people."""

STANDARD_NAMES: tuple[str, ...] = tuple(sorted(a.standard_name for a in _ALL if a.standard_name is not None))
"""The algorithms of ASC MHL in the order its elements stand in: alphabetical."""

DEFAULT_ALGORITHM = "xxh128"


class _Hashing:
    """A digest with the text form of its algorithm."""

    __slots__ = ("_digest", "_name", "update")

    def __init__(self, algorithm: Algorithm) -> None:
        self._name = algorithm.name
        self._digest = algorithm.factory()
        # bound once: no Python frame of ours between the engine and the digest
        self.update: Callable[[memoryview | bytes], object] = self._digest.update

    def text(self) -> str:
        return text_of(self._name, self._digest.digest())

    def raw(self) -> bytes:
        return self._digest.digest()


def _known(name: str) -> Algorithm:
    algorithm = ALGORITHMS.get(name)
    if algorithm is None:
        raise UsageProblem(
            f"There is no hash algorithm called {name!r} here.",
            hint=f"Known are: {', '.join(ALGORITHMS)}.",
        )
    return algorithm


def new_hasher(name: str) -> Hasher:
    """A fresh hash of the algorithm called `name`.

    Raises UsageProblem for an unknown name, and for `blake3` where its package is not installed.
    """
    return _Hashing(_known(name))


def chosen(names: Sequence[str]) -> tuple[str, ...]:
    """The set of algorithms a person means: checked, each once, in the order given.

    Nothing given means `xxh128`; where none is an algorithm of the open standard, `xxh128` is added, because the
    manifest needs one. Raises UsageProblem for an unknown name or one that cannot be used on this machine.
    """
    found = tuple(dict.fromkeys(names))
    for name in found:
        new_hasher(name)
    if not any(ALGORITHMS[name].standard_name for name in found):
        found += (DEFAULT_ALGORITHM,)
    return found


def proof_algorithm(names: Iterable[str]) -> str:
    """The fastest of the set: the one that second passes and read-backs compute.

    Raises UsageProblem for an unknown name or an empty set.
    """
    known = [_known(name) for name in names]
    if not known:
        raise UsageProblem("No hash algorithm was given.", hint=f"Known are: {', '.join(ALGORITHMS)}.")
    return min(known, key=lambda algorithm: algorithm.rank).name


def text_of(name: str, raw: bytes) -> str:
    """The text form of a raw hash: lowercase hexadecimal, or base 58 for C4.

    Raises ValueError when `raw` has not the algorithm's length.
    """
    algorithm = _known(name)
    if len(raw) != algorithm.raw_bytes:
        raise ValueError(f"{name} has {algorithm.raw_bytes} bytes, not {len(raw)}")
    return c4.encode(raw) if name == "c4" else raw.hex()


def raw_of(name: str, text: str) -> bytes:
    """The raw hash behind a text form; hexadecimal is taken in either case.

    The text may come from a drive: UntrustedInput when it is no hash of this algorithm.
    """
    algorithm = _known(name)
    try:
        if name == "c4":
            return c4.decode(text)
        # fromhex skips blanks, hence the length of the text
        if len(text) == 2 * algorithm.raw_bytes:
            raw = bytes.fromhex(text)
            if len(raw) == algorithm.raw_bytes:
                return raw
    except ValueError:
        pass
    raise UntrustedInput(f"Not a {name} hash: {text[:100]!r}")
