"""Sums of what a copy should hold, by which it is compared with other copies and other rolls."""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from rollproof.copies.recorded import Recorded
from rollproof.hashing import ALGORITHMS, raw_of
from rollproof.records.rows import FilesDigest
from rollproof.tree.suffixes import SOUND, is_essence, split_name


class Sums:
    """Goes along with what a copy should hold, and keeps sums of it."""

    def __init__(self) -> None:
        self.files = self.size_bytes = self.moving = self.sound = 0
        self.keys = array("Q")
        self._digests: dict[str, FilesDigest] = {}
        self._left_out: set[str] = set()

    def add(self, wanted: Recorded) -> None:
        """Take in one file, in byte order of the paths."""
        hashes = wanted.hashes
        first = not self.files
        self.files += 1
        self.size_bytes += wanted.size or 0
        for name, text in hashes.items():
            if name not in self._digests and first:
                self._digests[name] = FilesDigest(name)
            if name in self._digests:
                self._digests[name].add(wanted.path, -1 if wanted.size is None else wanted.size, text)
        self._left_out |= self._digests.keys() - hashes.keys()
        file_name = wanted.path.rpartition(b"/")[2]
        if wanted.size and is_essence(file_name):
            is_sound = split_name(file_name)[1] in SOUND
            self.sound += is_sound
            self.moving += not is_sound
            self.keys.extend(essence_keys(hashes))

    def texts(self) -> dict[str, str]:
        """One digest for each algorithm that every file has."""
        return {name: made.text() for name, made in self._digests.items() if name not in self._left_out}


def essence_keys(hashes: dict[str, str]) -> Iterator[int]:
    """Eight bytes of each hash, by which the same content is found in another roll; not by themselves a proof."""
    for name, text in hashes.items():
        if name in ALGORITHMS:
            yield int.from_bytes(raw_of(name, text)[:8], "big") ^ _SALT[name]


_SALT = {name: int.from_bytes(name.encode().ljust(8)[:8], "big") for name in ALGORITHMS}
