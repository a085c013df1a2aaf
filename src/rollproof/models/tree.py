"""What a walk over a card or a copy found: plain slots classes, one per file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from rollproof.models.findings import Finding


class FileEntry(NamedTuple):
    """A regular file. `path` is relative, `/`-separated bytes; times are nanoseconds since the epoch, UTC."""

    path: bytes
    size: int
    modified_ns: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One read-only walk over a tree. Files and folders are in byte order of their paths.

    `files` of a walk is a `FileTable`: an entry is made anew whenever it is asked for. `folders` holds every folder
    below the top, empty ones too, without the top itself. `ignored` are the paths (files or folders) left out by an
    ignore pattern: never entered, never copied, named in the manifest.
    `findings` name links, special files and folders that could not be read.
    """

    files: Sequence[FileEntry]
    folders: tuple[bytes, ...]
    ignored: tuple[bytes, ...]
    findings: tuple[Finding, ...]
    listing_digest: str
    """SHA-256 over every file's path, size and modification time, and every folder's path."""

    @property
    def size_bytes(self) -> int:
        """Sum of all file sizes."""
        return sum(entry.size for entry in self.files)

    def empty_folders(self) -> Iterator[bytes]:
        """Folders in which nothing is recorded."""
        parents = {entry.path.rpartition(b"/")[0] for entry in self.files}
        parents.update(folder.rpartition(b"/")[0] for folder in self.folders)
        return (folder for folder in self.folders if folder not in parents)


@dataclass(frozen=True, slots=True)
class Clip:
    """One continuous recording: essence files and sidecars, by index into the snapshot's files.

    `essence` are the originals among `files`, in playing order; the others are sidecars. `kind` is `clip`, `spanned`
    (several files one after the other), `tracks` (one file per track), `frames` (one file per frame) or `still`.
    `parts` are the numbers of a spanned clip's files, as their names have them. `layout` is the id of the layout whose
    rule made the clip, empty for *same folder, same stem*. `set_aside` is whether the crew or the recorder put it
    away as not wanted: a clip all the same.
    """

    name: str
    files: tuple[int, ...]
    size_bytes: int
    health: str = "unknown"
    essence: tuple[int, ...] = ()
    kind: str = "clip"
    parts: tuple[int, ...] = ()
    layout: str = ""
    set_aside: bool = False
