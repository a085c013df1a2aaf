"""Algorithms by name, several at once over one read, C4, and the text forms the open standard uses."""

from rollproof.hashing.algorithms import (
    ALGORITHMS,
    DEFAULT_ALGORITHM,
    STANDARD_NAMES,
    Algorithm,
    Hasher,
    chosen,
    new_hasher,
    proof_algorithm,
    raw_of,
    text_of,
)

__all__ = [
    "ALGORITHMS",
    "DEFAULT_ALGORITHM",
    "STANDARD_NAMES",
    "Algorithm",
    "Hasher",
    "chosen",
    "new_hasher",
    "proof_algorithm",
    "raw_of",
    "text_of",
]
