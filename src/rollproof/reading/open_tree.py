"""A tree that is read: what the reader of its files has to know of it."""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rollproof.models.source_words import CARD, SourceWords
from rollproof.models.tree import FileEntry
from rollproof.storage.medium import MediumAccess


@dataclass(frozen=True, slots=True)
class OpenTree:
    """The open folder `root` with all its files by number, and how its volume is read.

    `drive` is the drive's name for messages, empty for the source, which `words` speak of. `same_time` compares the
    modification time now with the one in `files`: exactly, or as the file system keeps it. `where` may give another
    path under which a file stands right now (a copy that has not got its final name).
    """

    root: int
    files: Sequence[FileEntry]
    access: MediumAccess
    drive: str = ""
    same_time: Callable[[int, int], bool] = operator.eq
    where: Callable[[int], bytes] | None = None
    words: SourceWords = CARD
