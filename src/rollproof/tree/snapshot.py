"""One read-only walk over a card or a copy: every file, every folder, everything that is odd about them.

Nothing is followed out of the tree: no link, no other file system. The walk neither recurses nor keeps more than a
handful of folders open, whatever the depth.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
from collections.abc import Iterable

from rollproof.models.errors import Interrupted
from rollproof.models.file_table import FileTable
from rollproof.models.findings import Kind, Severity
from rollproof.models.names import (
    ASCMHL_FOLDER,
    ORDINARY,
    PARTIAL_SUFFIX,
    RECORDS_FOLDER,
    collision_key,
    inert,
    is_text,
)
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.storage.io import EntryKind, Io
from rollproof.tree.descent import Descent
from rollproof.tree.gathering import Gathering
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.suffixes import is_essence, is_media

MAX_PATH_BYTES = 4095
"""The longest relative path that is recorded: what PATH_MAX leaves. No other program could open a longer one by its
name, and the paths of a tree 10,000 folders deep would fill the memory by themselves."""

MAX_ENTRIES = 5_000_000
"""A tree with more is no card: most likely a broken file system whose folders hold each other."""

_USUAL = re.compile(rb"[!-\-0-~][ -.0-~]*")
"""Names whose form needs no closer look: printable ASCII, one component, not beginning with a dot."""

_OURS = {collision_key(name): name for name in (RECORDS_FOLDER, ASCMHL_FOLDER)}


def take_snapshot(
    io: Io, root_handle: int, rules: IgnoreRules, *, cancel: Cancel | None = None, max_entries: int = MAX_ENTRIES
) -> Snapshot:
    """Walk the tree below an open folder once.

    What cannot be read or copied faithfully is an error finding: a link, a special file, a folder that does not
    open, another file system mounted inside, a path longer than `MAX_PATH_BYTES`. With rules for a card, so are a
    `rollproof/` or `ascmhl/` at the top (a recorded copy, not a card) and unfinished files; with `rules.of_copy`
    unfinished files are error findings too and are left out of `files`. Empty files, names that are no plain text
    and `._` twins are warnings or notes. Raises Interrupted when `cancel` is set, OSError only when the root handle
    itself is dead.
    """
    walk = _Walk(io, root_handle, rules, cancel, max_entries)
    try:
        walk.run()
    finally:
        walk.descent.close()
    files = walk.files.in_byte_order()
    folders = tuple(sorted(walk.folders))
    return Snapshot(
        files=files,
        folders=folders,
        ignored=tuple(sorted(walk.ignored)),
        findings=walk.gathering.all(),
        listing_digest=listing_digest(files, folders),
    )


def listing_digest(files: Iterable[FileEntry], folders: Iterable[bytes]) -> str:
    """SHA-256, lowercase hexadecimal, over the listing in byte order of the paths.

    The bytes hashed are, one after the other: `rollproof-listing/1` NUL; for every folder `d` NUL path NUL; for every
    file `f` NUL size NUL modification time NUL path NUL. Numbers are decimal ASCII, the time is nanoseconds since the
    epoch (with `-` before 1970). No path holds a NUL, so no two listings have the same form.
    """
    digest = hashlib.sha256(b"rollproof-listing/1\0")
    for folder in folders:
        digest.update(b"d\0%b\0" % folder)
    for entry in files:
        digest.update(b"f\0%d\0%d\0%b\0" % (entry.size, entry.modified_ns, entry.path))
    return digest.hexdigest()


class _Walk:
    def __init__(self, io: Io, root: int, rules: IgnoreRules, cancel: Cancel | None, max_entries: int) -> None:
        self.io = io
        self.rules = rules
        self.cancel = cancel
        self.max_entries = max_entries
        self.entries = 0
        self.device = io.fstat(root).device
        self.descent = Descent(io, root)
        self.gathering = Gathering()
        self.files = FileTable()
        self.folders: list[bytes] = []
        self.ignored: list[bytes] = []

    def run(self) -> None:
        """Every folder, depth first, from a list instead of the call stack."""
        pending = [b""]
        while pending:
            self._stop_if_asked()
            folder = pending.pop()
            listing = self._list(folder)
            if listing is None:
                continue
            handle, names = listing
            below: list[bytes] = []
            previous = b""
            for name, kind in names:
                if self.entries >= self.max_entries:
                    self._too_many(folder)
                    return
                self.entries += 1
                if not self.entries & 0x3FF:
                    self._stop_if_asked()
                if name == previous:
                    self._error(
                        Kind.UNREADABLE,
                        _join(folder, name),
                        "the folder lists this name twice, so only one of the two can be read: its file system is"
                        " damaged",
                    )
                    continue
                previous = name
                self._entry(handle, folder, name, kind, below)
            pending.extend(reversed(below))

    def _list(self, folder: bytes) -> tuple[int, list[tuple[bytes, EntryKind]]] | None:
        """The folder's handle and sorted entries; None when it may not be entered."""
        try:
            handle = self.descent.enter(folder)
            if folder and self.io.fstat(handle).device != self.device:
                self._error(
                    Kind.UNREADABLE_FOLDER,
                    folder,
                    "another file system is mounted in this folder; what is in it was not read",
                    "unmount it, or offload it as a card of its own",
                )
                return None
            return handle, sorted(self.io.list_folder(handle))
        except OSError as error:
            if folder and error.errno in (errno.ELOOP, errno.ENOTDIR, errno.ENOENT):
                self._error(
                    Kind.CARD_CHANGED, folder, "this folder was gone, or something else, a moment after it was listed"
                )
            else:
                self._error(
                    Kind.UNREADABLE_FOLDER,
                    folder,
                    f"the folder could not be read ({_reason(error)}); what is in it is not known",
                    "reseat the card and its reader and try again",
                )
            return None

    def _entry(self, handle: int, folder: bytes, name: bytes, kind: EntryKind, below: list[bytes]) -> None:
        usual = _USUAL.fullmatch(name) is not None
        if not usual and (name in (b"", b".", b"..") or b"/" in name or b"\0" in name):
            self._error(Kind.UNREADABLE, folder, "the folder lists a name that no file can have; it was left alone")
            return
        path = _join(folder, name)
        if len(path) > MAX_PATH_BYTES:
            # the path itself would be as long in the report: the folder above says where
            self._error(
                Kind.UNREADABLE_FOLDER if kind is EntryKind.FOLDER else Kind.UNREADABLE,
                folder[:200],
                f"something in here has a path longer than {MAX_PATH_BYTES} bytes and was not read",
            )
            return
        if not folder and not self.rules.of_copy and collision_key(name) in _OURS:
            self._error(
                Kind.CARD_IS_A_COPY,
                path,
                "a card has no such entry at its top: this is a recorded copy, or something that looks like one",
                "use verify to check a copy; name the card itself to offload it",
            )
        if self.rules.matches_entry(path, name, kind is EntryKind.FOLDER):
            self._ignore(path, name, kind)
        elif kind is EntryKind.FILE:
            self._file(handle, path, name, usual)
        elif kind is EntryKind.FOLDER:
            self._name(path, name)
            self.folders.append(path)
            below.append(path)
        elif kind is EntryKind.LINK:
            self._error(Kind.LINK, path, "a link, not a file: it was not followed and is not copied")
        else:
            self._error(Kind.SPECIAL_FILE, path, "a pipe, socket or device, not a file: it was not opened")

    def _file(self, handle: int, path: bytes, name: bytes, usual: bool) -> None:
        try:
            found = self.io.stat(name, handle)
        except OSError as error:
            self._error(
                Kind.UNREADABLE,
                path,
                f"listed by its folder, but nothing can be found out about it ({_reason(error)})",
                "reseat the card and its reader and try again",
            )
            return
        if found.kind is not EntryKind.FILE:
            self._error(Kind.CARD_CHANGED, path, "this was a file, and something else a moment later")
            return
        if name.endswith(PARTIAL_SUFFIX):
            if self.rules.of_copy:
                self._error(Kind.NOT_FINISHED, path, "an unfinished file", "run the offload again to finish the copy")
                return
            self._error(
                Kind.NOT_FINISHED,
                path,
                "an unfinished copy, not a card: only unfinished copies hold files of this name",
                "name the card itself",
            )
        if not usual:
            self._name(path, name)
        if name.startswith(b"._"):
            self.gathering.grouped(
                Kind.METADATA_TWIN, Severity.NOTE, path, "`._` files hold metadata of the file beside them: copied"
            )
        if found.size == 0:
            if is_essence(name):
                self.gathering.each(
                    Kind.EMPTY_FILE, Severity.WARNING, path, "picture or sound was expected here, and the file is empty"
                )
            else:
                self.gathering.grouped(Kind.EMPTY_FILE, Severity.NOTE, path, "empty, and copied as such")
        self.files.add(path, found.size, found.modified_ns)

    def _name(self, path: bytes, name: bytes) -> None:
        if ORDINARY.fullmatch(name):
            return
        if not is_text(name):
            self.gathering.each(
                Kind.NAME_NOT_TEXT,
                Severity.WARNING,
                path,
                "the name is not valid UTF-8: copied byte for byte, and kept exactly in the record",
            )
            return
        text = name.decode("utf-8")
        if inert(text) != text:
            self.gathering.each(
                Kind.NAME_NOT_TEXT, Severity.NOTE, path, "the name holds control characters: copied as it is"
            )

    def _ignore(self, path: bytes, name: bytes, kind: EntryKind) -> None:
        self.ignored.append(path)
        if self.rules.of_copy:
            return
        if self.rules.is_litter(path):
            self.gathering.grouped(Kind.IGNORED, Severity.NOTE, path, "written by an operating system: not copied")
        elif kind is EntryKind.FOLDER or is_media(name):
            # one careless pattern could hide footage: say each by name
            self.gathering.each(
                Kind.IGNORED,
                Severity.WARNING,
                path,
                "hidden by an ignore pattern of the production: not copied",
                "take the pattern out of the production file if this is footage",
            )
        else:
            self.gathering.grouped(Kind.IGNORED, Severity.NOTE, path, "matches an ignore pattern of the production")

    def _too_many(self, folder: bytes) -> None:
        self._error(
            Kind.UNREADABLE_FOLDER,
            folder,
            f"more than {self.max_entries:,} files and folders: the walk was stopped here and the rest is not known",
            "check the card's file system; no card holds so many",
        )

    def _error(self, kind: Kind, path: bytes, detail: str, remedy: str = "") -> None:
        self.gathering.each(kind, Severity.ERROR, path, detail, remedy)

    def _stop_if_asked(self) -> None:
        if self.cancel is not None and self.cancel.is_set():
            raise Interrupted("Stopped while looking over the card; nothing was copied.")


def _join(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder else name


def _reason(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else "no reason given"
