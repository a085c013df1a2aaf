"""A generation as XML, in pieces, so that 200,000 files never stand in memory at once.

Elements and their order as in the schema `ASCMHL.xsd`. `roothash` stands before the hashes, and is known when the last
file was gone through: until then the elements wait, packed. Where they are more than is kept so, the files are gone
through a second time. A folder's element follows everything inside it.

A manifest must name something. Where there is neither file nor folder to name, it holds one `directoryhash` whose
path is `.`, the top itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rollproof.ascmhl.model import Author, Creator, FileHash, FolderHash, Generation, Process, Reference
from rollproof.ascmhl.standard import (
    CLIP_NAMESPACE,
    DEFAULT_PATTERNS,
    NAMESPACE,
    VERSION,
    date_text,
    is_ignored,
    time_text,
    why_not_recorded,
    xml_text,
)
from rollproof.ascmhl.tree_hashes import FoldedTwice
from rollproof.hashing import STANDARD_NAMES
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.names import shown
from rollproof.models.packed_bytes import PACKED_LIMIT_BYTES, PackedBytes

_EMAIL = re.compile(r"[^@]+@[^.]+\..+")  # the schema's own pattern
_TOP = b"."


@dataclass(slots=True)
class LeftOut:
    """What could not be named in the manifest: how many, and the first with its reason."""

    names: int = 0
    first_name: bytes = b""
    reason: str = ""
    ignored: int = 0
    first_ignored: bytes = b""

    def note(self, path: bytes) -> None:
        """Count the path if it is left out."""
        if is_ignored(path):
            self.first_ignored = self.first_ignored or path
            self.ignored += 1
        elif reason := why_not_recorded(path):
            self.first_name, self.reason = (self.first_name or path), (self.reason or reason)
            self.names += 1

    def findings(self) -> Iterator[Finding]:
        """One warning per reason, with a count."""
        if self.names:
            yield warning(
                Kind.NAME_NOT_IN_MANIFEST,
                f"The name {self.reason}, so the manifest leaves it out, and the hashes of the folders above it."
                " The record beside it has them.",
                path=shown(self.first_name),
                count=self.names,
            )
        if self.ignored:
            yield warning(
                Kind.NAME_NOT_IN_MANIFEST,
                "The open standard ignores every folder called ascmhl and every .DS_Store, so the manifest leaves it"
                " out. The record beside it has it.",
                path=shown(self.first_ignored),
                count=self.ignored,
            )


class ManifestBody:
    """What stands between a manifest's head and its references: the elements of all files and folders, made by going
    through the files once. The same body may serve the manifests of several copies of the same files.

    `root` has the hashes of the top, `left_out` what could not be named. ValueError when the files are not in order;
    TypeError for files that can be gone through only once.
    """

    def __init__(self, generation: Generation, *, limit_bytes: int = PACKED_LIMIT_BYTES) -> None:
        if iter(generation.files) is generation.files:
            raise TypeError("files are gone through twice: an iterator that ends is not enough")
        self.root: FolderHash | None = None
        self.left_out = LeftOut()
        self._generation = generation
        self._folded = FoldedTwice(
            generation.folders, [name for name in STANDARD_NAMES if name in generation.algorithms]
        )
        self._packed = PackedBytes(limit_bytes)
        files = _Counted(self._noted())
        for piece in self._elements(files if self._flat else self._folded.first(files)):
            self._packed.add(piece)
        self._files = files.many
        self._packed.end()

    def elements(self) -> Iterator[bytes]:
        """The elements, as often as wanted. ValueError when the files are not the same the second time."""
        if self._packed.whole:
            yield from self._packed
            return
        files = _Counted(self._generation.files)  # of this going through alone: several drives may be at it
        yield from self._elements(files if self._flat else self._folded.again(files))
        if files.many != self._files:
            raise ValueError("the files were not the same when gone through a second time")

    @property
    def _flat(self) -> bool:
        return self._generation.process is Process.FLATTEN

    def _noted(self) -> Iterator[FileHash]:
        """The files, counting on the way those that are left out. Below an inner history that is not our concern."""
        inner, note = self._generation.inner, self.left_out.note
        for file in self._generation.files:
            path = file.path
            if (is_ignored(path) or why_not_recorded(path)) and not (inner and self._is_inner(path)):
                note(path)
            yield file

    def _is_inner(self, path: bytes) -> bool:
        return any(path.startswith(folder + b"/") for folder in self._generation.inner)

    def _elements(self, items: Iterable[FileHash | FolderHash]) -> Iterator[bytes]:
        flat, inner = self._flat, self._generation.inner
        elements = 0
        for item in items:
            path = item.path
            if not path and isinstance(item, FolderHash):
                self.root = item
            # (what the standard ignores does not come out of a fold)
            if not path or (flat and is_ignored(path)) or why_not_recorded(path) or (inner and self._is_inner(path)):
                continue
            if isinstance(item, FileHash):
                yield _file(item).encode()
            elif item.content:
                yield "".join(_folder(item, item.path)).encode()
            else:
                continue
            elements += 1
        if not elements:
            yield "".join(_folder(self.root or FolderHash(_TOP, {}, {}), _TOP)).encode()


class _Counted:
    """Files, and how many came."""

    def __init__(self, files: Iterable[FileHash]) -> None:
        self._all = files
        self.many = 0

    def __iter__(self) -> Iterator[FileHash]:
        for file in self._all:
            self.many += 1
            yield file


@dataclass(slots=True)
class ManifestWriter:
    """The XML of one generation as UTF-8 pieces; `left_out` is there when the first was drawn. A `body` made before,
    of the same files, need not be made again."""

    generation: Generation
    body: ManifestBody | None = None

    @property
    def left_out(self) -> LeftOut:
        """What could not be named."""
        return self.body.left_out if self.body is not None else LeftOut()

    def chunks(self) -> Iterator[bytes]:
        """The whole document. Errors as `ManifestBody` and its elements."""
        body = self.body = self.body or ManifestBody(self.generation)
        yield from (piece.encode() for piece in self._head(body.root))
        yield b"  <hashes>\n"
        yield from body.elements()
        yield b"  </hashes>\n"
        yield from (piece.encode() for piece in _references(self.generation.references))
        yield b"</hashlist>\n"

    def _head(self, root: FolderHash | None) -> Iterator[str]:
        generation = self.generation
        written_at = generation.written_at or generation.started_at
        yield '<?xml version="1.0" encoding="UTF-8"?>\n'
        yield f'<hashlist version="{VERSION}" xmlns="{NAMESPACE}">\n'
        yield "  <creatorinfo>\n"
        yield f"    <creationdate>{date_text(written_at)}</creationdate>\n"
        yield from _creator(generation.creator)
        yield "  </creatorinfo>\n  <processinfo>\n"
        yield f"    <process>{generation.process.value}</process>\n"
        if root is not None and root.content:
            yield "    <roothash>\n"
            yield from _folder_hashes(root, "      ")
            yield "    </roothash>\n"
        yield "    <ignore>\n"
        for pattern in dict.fromkeys((*DEFAULT_PATTERNS, *generation.ignore_patterns)):
            yield f"      <pattern>{xml_text(pattern)}</pattern>\n"
        yield "    </ignore>\n  </processinfo>\n"


def _element(name: str, text: str, indent: str, attributes: str = "") -> str:
    return f"{indent}<{name}{attributes}>{xml_text(text)}</{name}>\n"


def _creator(creator: Creator) -> Iterator[str]:
    yield _element("hostname", creator.host, "    ")
    yield _element("tool", creator.tool, "    ", f' version="{xml_text(creator.tool_version)}"')
    for author in creator.authors:
        yield _element("author", author.name, "    ", _author_attributes(author))
    if creator.location:
        yield _element("location", creator.location, "    ")
    if creator.comment:
        yield _element("comment", creator.comment, "    ")


def _author_attributes(author: Author) -> str:
    # an address that the schema refuses would make the whole manifest invalid
    email = author.email if _EMAIL.fullmatch(author.email) else ""
    found = {"email": email, "phone": author.phone, "role": author.role}
    return "".join(f' {name}="{xml_text(value)}"' for name, value in found.items() if value)


def _file(file: FileHash) -> str:
    modified = None if file.modified_ns is None else time_text(file.modified_ns)
    date = "" if file.hash_date is None else f' hashdate="{date_text(file.hash_date)}"'
    hashes = file.hashes
    lines = [
        f'      <{name} action="{file.action_of(name).value}"{date}>{xml_text(hashes[name])}</{name}>\n'
        for name in STANDARD_NAMES
        if name in hashes
    ]
    if file.previous_path is not None and not why_not_recorded(file.previous_path):
        lines.append(_element("previousPath", file.previous_path.decode(), "      "))
    if file.clip:
        told = "".join(f' {name}="{xml_text(value)}"' for name, value in file.clip.items())
        lines.append(f'      <metadata><clip xmlns="{CLIP_NAMESPACE}"{told}/></metadata>\n')
    size = "" if file.size is None else f' size="{file.size}"'
    last_modified = "" if modified is None else f' lastmodificationdate="{modified}"'
    path = xml_text(file.path.decode())
    return f"    <hash>\n      <path{size}{last_modified}>{path}</path>\n{''.join(lines)}    </hash>\n"


def _folder(folder: FolderHash, path: bytes) -> Iterator[str]:
    yield "    <directoryhash>\n"
    yield _element("path", path.decode(), "      ")
    yield from _folder_hashes(folder, "      ")
    yield "    </directoryhash>\n"


def _folder_hashes(folder: FolderHash, indent: str) -> Iterator[str]:
    for name, hashes in (("content", folder.content), ("structure", folder.structure)):
        yield f"{indent}<{name}>\n"
        yield from _texts(hashes, indent + "  ")
        yield f"{indent}</{name}>\n"


def _texts(hashes: Mapping[str, str], indent: str) -> Iterator[str]:
    for name in STANDARD_NAMES:
        if name in hashes:
            yield _element(name, hashes[name], indent)


def _references(references: tuple[Reference, ...]) -> Iterator[str]:
    if not references:
        return
    yield "  <references>\n"
    for reference in references:
        yield "    <hashlistreference>\n"
        yield _element("path", reference.path.decode(), "      ")
        yield _element("c4", reference.c4, "      ")
        yield "    </hashlistreference>\n"
    yield "  </references>\n"
