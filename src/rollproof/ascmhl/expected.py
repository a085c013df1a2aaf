"""What every file must hash to, and what the action of a hash just read is."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum

from rollproof.ascmhl.expected_table import ExpectedTable
from rollproof.ascmhl.model import Action, Expected, FileHash, History, Shape
from rollproof.ascmhl.standard import MANIFEST_LIMIT_ENTRIES
from rollproof.hashing import STANDARD_NAMES, raw_of


class ExpectedFiles:
    """Gathers, generation by generation from the oldest, the earliest good hash of each file and algorithm.

    `found` maps path to expectation. `left_out` counts entries past the limit of `MANIFEST_LIMIT_ENTRIES` files.
    """

    def __init__(self) -> None:
        self.found = ExpectedTable()
        self.left_out = 0
        self._shapes: dict[Shape, Shape] = {}

    def take(self, file: FileHash) -> None:
        """Take in one file of the next generation. Only `original` and `verified` hashes count."""
        if file.previous_path is not None and file.path not in self.found:
            renamed = self.found.take_out(file.previous_path)
            if renamed is not None:
                self.found.put(file.path, renamed)
        earlier = self.found.get(file.path)
        have = earlier.algorithms if earlier else ()
        good = [name for name in file.hashes if name not in have and file.action_of(name) is not Action.FAILED]
        if not good:
            return
        packed = b"".join(raw_of(name, file.hashes[name]) for name in good)
        added = tuple((name, file.action_of(name)) for name in good)
        if earlier is not None:
            shape = self._shared(earlier.shape + added)
            self.found.put(file.path, replace(earlier, shape=shape, packed=earlier.packed + packed))
        elif len(self.found) < MANIFEST_LIMIT_ENTRIES:
            self.found.put(file.path, Expected(file.size, file.modified_ns, self._shared(added), packed))
        else:
            self.left_out += 1

    def _shared(self, shape: Shape) -> Shape:
        return self._shapes.setdefault(shape, shape)


class Outcome(StrEnum):
    """How a file just read compares with its history."""

    NEW = "new"
    """The history does not know the file."""
    VERIFIED = "verified"
    DIFFERS = "differs"
    NOT_COMPARED = "not compared"
    """The history knows the file, but by none of the algorithms just read: nothing may be appended for it."""


def compared(expected: Expected | None, file: FileHash) -> Outcome:
    """How a file compares with what it must hash to, by its size and by every algorithm that both know."""
    if expected is None:
        return Outcome.NEW
    if expected.size is not None and file.size is not None and expected.size != file.size:
        return Outcome.DIFFERS
    agree = [
        raw_of(name, file.hashes[name]) == raw
        for name in STANDARD_NAMES
        if name in file.hashes and (raw := expected.raw(name)) is not None
    ]
    if not all(agree):
        return Outcome.DIFFERS
    return Outcome.VERIFIED if agree else Outcome.NOT_COMPARED


def judged(history: History | None, file: FileHash) -> tuple[Outcome, FileHash]:
    """Compare a file just read with its history, and give it the actions its new entry must carry.

    A file that is new is `original`. Where a known hash agrees, it is `verified`, and hashes in further algorithms
    from the same read are `original`. Where one disagrees, or the size does, every hash of this read is `failed`,
    those in further algorithms too: they are hashes of the wrong bytes. Serves both the verify (`in-place`) and an
    offload onto a folder that has a history already (`transfer`).
    """
    expected = None if history is None else history.expected.get(file.path)
    outcome = compared(expected, file)
    if expected is None:
        if file.action is Action.ORIGINAL and not file.actions:
            return outcome, file  # the usual case of a fresh copy, 200,000 times
        return outcome, replace(file, action=Action.ORIGINAL, actions={})
    if outcome is Outcome.DIFFERS:
        return outcome, replace(file, action=Action.FAILED, actions={})
    if outcome is Outcome.NOT_COMPARED:
        return outcome, file
    further = {name: Action.ORIGINAL for name in file.hashes if name in STANDARD_NAMES and expected.raw(name) is None}
    return outcome, replace(file, action=Action.VERIFIED, actions=further)
