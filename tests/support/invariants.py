"""The invariants, checked from outside: by the bytes on the medium, never by the engine's own code.

Records are read as plain JSON and manifests as plain XML; hashes are computed here. A checker that asked the house
whether the house is in order would believe it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import xxhash

from support.devices import read_direct
from support.trees import Entry, read, walk

PARTIAL = b".rollproof-partial"
MARKER = b"NOT-FINISHED.rollproof-partial"
_OURS = (b"rollproof", b"ascmhl")


@dataclass(frozen=True)
class Known:
    """A tree as it was at some moment: what is in it, and every file's bytes."""

    entries: Mapping[bytes, Entry]
    content: Mapping[bytes, bytes]

    @classmethod
    def of(cls, root: Path) -> Known:
        """The tree as it is now. Small trees only: all of it is kept."""
        entries = walk(root)
        return cls(entries, {path: read(root, path) for path, entry in entries.items() if entry.kind == "file"})

    @property
    def files(self) -> set[bytes]:
        """Paths of its files."""
        return set(self.content)

    def changes(self, root: Path) -> list[str]:
        """What is different now."""
        now = Known.of(root)
        out = [f"gone: {path!r}" for path in self.entries.keys() - now.entries.keys()]
        out += [f"new: {path!r}" for path in now.entries.keys() - self.entries.keys()]
        out += [
            f"changed: {path!r}"
            for path in self.entries.keys() & now.entries.keys()
            if self.entries[path] != now.entries[path] or self.content.get(path) != now.content.get(path)
        ]
        return sorted(out)


@dataclass
class Copy:
    """A roll folder looked at with nothing but the file system. `exists` is False when there is none."""

    folder: Path
    exists: bool = False
    entries: dict[bytes, Entry] = field(default_factory=dict)
    inodes: dict[bytes, int] = field(default_factory=dict)
    records: list[dict[str, Any]] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    _judged: dict[tuple[bytes, int], list[str]] = field(default_factory=dict)

    @classmethod
    def at(cls, folder: Path) -> Copy:
        """Look at it now."""
        found = cls(folder, folder.is_dir())
        if not found.exists:
            return found
        found.entries = walk(folder)
        for path, entry in found.entries.items():
            if entry.kind == "file":
                found.inodes[path] = os.lstat(os.path.join(os.fsencode(folder), path)).st_ino
            if entry.kind == "file" and not path.endswith(PARTIAL):
                found._read_evidence(path)
        return found

    def _read_evidence(self, path: bytes) -> None:
        top = path.split(b"/")[0]
        if top == b"rollproof" and path.endswith(b".json"):
            try:
                self.records.append(json.loads(read(self.folder, path)))
            except ValueError as problem:
                self.broken.append(f"{path!r} stands under its final name and is no whole record ({problem})")
        elif top == b"ascmhl":
            try:
                ElementTree.fromstring(read(self.folder, path))
            except ElementTree.ParseError as problem:
                self.broken.append(f"{path!r} stands under its final name and is no whole manifest ({problem})")

    @property
    def marker(self) -> bool:
        """Whether the marker of an unfinished roll stands."""
        return MARKER in self.entries

    @property
    def footage(self) -> dict[bytes, Entry]:
        """Files under final names that are not our own records."""
        return {
            path: entry
            for path, entry in self.entries.items()
            if entry.kind == "file" and path.split(b"/")[0] not in _OURS and not path.endswith(PARTIAL)
        }

    def right(self, card: Known, path: bytes, *, granularity_ns: int = 1) -> list[str]:
        """What is wrong with one file, by its bytes on the medium and its time; empty when it is right. Each file is
        read once."""
        if (path, granularity_ns) not in self._judged:
            self._judged[path, granularity_ns] = self._judge(card, path, granularity_ns)
        return self._judged[path, granularity_ns]

    def _judge(self, card: Known, path: bytes, granularity_ns: int) -> list[str]:
        entry, original = self.entries.get(path), card.entries[path]
        if entry is None or entry.kind != "file":
            return [f"{path!r} is not there"]
        out = []
        if read_direct(os.path.join(os.fsencode(self.folder), path)) != card.content[path]:
            out.append(f"{path!r} does not hold what the card holds ({entry.size} of {original.size} bytes)")
        if abs(entry.modified_ns - original.modified_ns) >= granularity_ns:
            out.append(f"{path!r} has another time ({entry.modified_ns} instead of {original.modified_ns})")
        return out


def suspects(folder: Path) -> set[bytes]:
    """Files that the marker in a roll folder names as not to be trusted."""
    try:
        lines = read(folder, MARKER).splitlines()
    except OSError:
        return set()
    out = set()
    for line in lines:
        try:
            told = json.loads(line)
        except ValueError:
            continue
        if "suspect" in told:
            out.add(os.fsencode(told["suspect"]))
    return out


def check_copy(folder: Path, card: Known, *, lying: bool = False, granularity_ns: int = 1) -> list[str]:
    """What is wrong in a roll folder, whatever happened before.

    Nothing under a final name but whole camera originals, whole records and whole manifests; the marker stands until
    a record speaks for every file; what a record calls proven is true. With `lying` a device stored something else
    than it was given: a wrong file may then stand there, but only beside the marker and never called proven. So may
    one that the marker names as not to be trusted.
    """
    copy = Copy.at(folder)
    if not copy.exists:
        return []
    out = list(copy.broken)
    distrusted = suspects(folder)
    for path in copy.footage:
        if path not in card.files:
            out.append(f"{path!r} is not on the card")
            continue
        wrong = copy.right(card, path, granularity_ns=granularity_ns)
        if wrong and not (copy.marker and (lying or path in distrusted)):
            out += [f"under its final name: {problem}" for problem in wrong]
    if copy.footage and not copy.marker:
        if not copy.records:
            out.append("footage stands there without marker and without record")
        else:
            out += [f"no marker, and {path!r} is missing" for path in card.files - copy.footage.keys()]
    for record in copy.records:
        out += _check_record(copy, card, record, granularity_ns)
    return out


def _check_record(copy: Copy, card: Known, record: dict[str, Any], granularity_ns: int) -> list[str]:
    out: list[str] = []
    rows = {os.fsencode(row["path"]): row for row in record.get("files", [])}
    state = record.get("copy", {}).get("state")
    proven = {path for path, row in rows.items() if row.get("proven")}
    name = f"record {record.get('sequence')}"
    for path in proven:
        if path not in card.files:
            out.append(f"{name} proves {path!r}, which is not on the card")
            continue
        out += [f"{name} proves: {problem}" for problem in copy.right(card, path, granularity_ns=granularity_ns)]
        told = rows[path]["hashes"].get("xxh128")
        if told is not None and told != xxhash.xxh3_128_hexdigest(card.content[path]):
            out.append(f"{name} has a wrong hash for {path!r}")
    if record.get("kind") == "offload" and state == "proven" and proven != card.files:
        out.append(f"{name} says proven and proves only {len(proven)} of {len(card.files)} files")
    return out


def check_result(result: Any, card: Known, folders: Mapping[str, Path], *, granularity_ns: int = 1) -> list[str]:
    """What an `OffloadResult` of one card claims and is not so. `folders` are the roll folders by drive."""
    out: list[str] = []
    roll = result.rolls[0]
    proven = [at.drive for at in roll.destinations if at.state == "proven"]
    if (result.verdict == "proven") != (int(result.status) == 0):
        out.append(f"verdict {result.verdict!r} with status {int(result.status)}")
    if roll.verdict == "proven" and len(proven) != len(folders):
        out.append("the roll is called proven and not every drive is")
    for at in roll.destinations:
        copy = Copy.at(folders[at.drive])
        right = (
            sum(not copy.right(card, path, granularity_ns=granularity_ns) for path in card.files) if copy.exists else 0
        )
        if at.files_proven > right:
            out.append(f"{at.drive}: {at.files_proven} files are called proven and {right} are right")
        if at.state == "proven":
            if right != len(card.files):
                out.append(f"{at.drive}: called proven, and {right} of {len(card.files)} files are right")
            if not any(record.get("copy", {}).get("state") == "proven" for record in copy.records):
                out.append(f"{at.drive}: called proven without a record that says so")
            if not any(path.startswith(b"ascmhl/") and path.endswith(b".mhl") for path in copy.entries):
                out.append(f"{at.drive}: called proven without a manifest")
        elif roll.verdict != "refused" and not (at.findings or roll.findings):
            out.append(f"{at.drive}: {at.state} and nobody says why")
    return out


def check_finished(folder: Path, card: Known, *, granularity_ns: int = 1) -> list[str]:
    """What is missing to a roll folder that a rerun has completed."""
    copy = Copy.at(folder)
    out = check_copy(folder, card, granularity_ns=granularity_ns)
    out += [f"missing at the end: {path!r}" for path in card.files - copy.footage.keys()]
    out += [
        f"folder missing at the end: {path!r}"
        for path, entry in card.entries.items()
        if entry.kind == "folder" and path not in copy.entries
    ]
    out += [f"left over: {path!r}" for path in copy.entries if path.endswith(PARTIAL)]
    if not any(record.get("copy", {}).get("state") == "proven" for record in copy.records):
        out.append("no record proves it")
    return out
