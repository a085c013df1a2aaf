"""One manifest, read as a stream: its header, then file by file, then its references. Memory stays flat.

What breaks the format as a whole (XML, namespace, order) ends the reading with `UntrustedInput`. What is wrong with
one file (an unsafe path, a path given twice, a value that is no hash) is a finding, and that file is left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping

import xxhash

from rollproof.ascmhl.model import (
    Action,
    Author,
    Creator,
    FileHash,
    FolderHash,
    ManifestHeader,
    Process,
    Reference,
)
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.standard import MANIFEST_LIMIT_ENTRIES, NAMESPACE, VERSION, parse_moment, parse_time
from rollproof.ascmhl.strict_xml import Child, Rule, Rules, StrictReader, ended
from rollproof.hashing import STANDARD_NAMES, raw_of, text_of
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Kind
from rollproof.models.names import inert, is_safe_relative, shown

_SIZE = re.compile("[0-9]{1,19}")
_DATES = frozenset({"creationdate", "lastmodificationdate"})
_HASHES = tuple(Child(name, 0) for name in STANDARD_NAMES)
_HASH_TEXT = Rule(text=True, attributes=frozenset({"action", "hashdate"}))
_TEXT = Rule(text=True)
_ANYTHING = Rule(open_ended=True)
_LAST = (Child("previousPath", 0), Child("metadata", 0))

_RULES: Rules = {
    "hashlist": Rule(
        children=(
            Child("creatorinfo"),
            Child("processinfo"),
            Child("hashes"),
            Child("metadata", 0),
            Child("references", 0),
        ),
        attributes=frozenset({"version"}),
    ),
    "creatorinfo": Rule(
        children=(
            Child("creationdate"),
            Child("hostname"),
            Child("tool"),
            Child("author", 0, 1000),
            Child("location", 0),
            Child("comment", 0),
        )
    ),
    "processinfo": Rule(children=(Child("process"), Child("roothash", 0), Child("ignore", 0))),
    "ignore": Rule(children=(Child("pattern", 1, 10_000),)),
    "roothash": Rule(children=(Child("content"), Child("structure"))),
    "content": Rule(children=_HASHES),
    "structure": Rule(children=_HASHES),
    "hashes": Rule(
        children=(Child("hash", 0, MANIFEST_LIMIT_ENTRIES), Child("directoryhash", 0, MANIFEST_LIMIT_ENTRIES)),
        choice=True,
    ),
    "hash": Rule(children=(Child("path"), *_HASHES, *_LAST)),
    "directoryhash": Rule(children=(Child("path"), Child("content"), Child("structure"), *_LAST)),
    "references": Rule(children=(Child("hashlistreference", 1, 100_000),)),
    "hashlistreference": Rule(children=(Child("path"), Child("c4"))),
    "creationdate": _TEXT,
    "hostname": _TEXT,
    "tool": Rule(text=True, attributes=frozenset({"version"})),
    "author": Rule(text=True, attributes=frozenset({"email", "phone", "role"})),
    "location": _TEXT,
    "comment": _TEXT,
    "process": _TEXT,
    "pattern": _TEXT,
    "hash/path": Rule(text=True, attributes=_DATES | {"size"}),
    "directoryhash/path": Rule(text=True, attributes=_DATES),
    "hashlistreference/path": _TEXT,
    "path": _TEXT,
    "previousPath": _TEXT,
    "metadata": _ANYTHING,
} | dict.fromkeys(STANDARD_NAMES, _HASH_TEXT)


class _BadEntry(Exception):
    """One entry is of no use; the message says why, the kind what sort of error it is."""

    def __init__(self, detail: str, kind: Kind = Kind.BAD_MANIFEST) -> None:
        super().__init__(detail)
        self.detail = detail
        self.kind = kind


class ManifestReader:
    """Iterate to get `FileHash` and `FolderHash` as they stand in the manifest; a folder's path is empty for the top.

    `header` is there as soon as the first of them is, `references` after the last. Findings about single entries go
    to `noted`. Iterating raises UntrustedInput when the manifest as a whole breaks the format, and whatever the
    pieces raise. Hashes come in the standard's text form, those of a file only when they say what they are.
    """

    def __init__(self, chunks: Iterable[bytes], noted: Noted, name: str = "") -> None:
        self.header: ManifestHeader | None = None
        self.references: list[Reference] = []
        self._chunks = chunks
        self._noted = noted
        self._name = name
        self._ready: list[FileHash | FolderHash] = []
        self._seen: set[int] = set()
        self._path = ""
        self._path_attributes: Mapping[str, str] = {}
        self._previous: str | None = None
        self._values: dict[str, tuple[str, Mapping[str, str]]] = {}
        self._content: dict[str, tuple[str, Mapping[str, str]]] = {}
        self._head: dict[str, str] = {}
        self._version = ""
        self._authors: list[Author] = []
        self._patterns: list[str] = []
        self._root: FolderHash | None = None

    def __iter__(self) -> Iterator[FileHash | FolderHash]:
        reader = StrictReader(NAMESPACE, "hashlist", _RULES, self._opened, self._closed)
        with ended(self._chunks):
            for chunk in self._chunks:
                reader.feed(chunk)
                yield from self._ready
                self._ready.clear()
        reader.close()

    # --- what the grammar passes on
    def _opened(self, _parent: str, name: str, attributes: Mapping[str, str]) -> None:
        if name == "hashlist" and attributes.get("version") != VERSION:
            said = inert(attributes.get("version", "")[:20])
            raise UntrustedInput(f"The manifest is of version {said!r}; only {VERSION} is known.")
        if name in ("hash", "directoryhash"):
            self._previous = None
            self._values = {}

    def _closed(self, parent: str, name: str, attributes: Mapping[str, str], text: str) -> None:
        if name in STANDARD_NAMES:
            self._values[name] = (text.strip(), attributes)
        elif name == "path":
            self._path, self._path_attributes = text, attributes
        elif name == "hash":
            self._entry(self._file)
        elif name == "content":
            self._content, self._values = self._values, {}
        elif name == "directoryhash":
            self._entry(self._folder)
        elif name == "previousPath":
            self._previous = text
        else:
            self._outer(parent, name, attributes, text)

    def _outer(self, parent: str, name: str, attributes: Mapping[str, str], text: str) -> None:
        if name == "hashlistreference":
            self._entry(self._reference)
        elif name == "pattern":
            self._patterns.append(text)
        elif name == "author":
            found = {key: attributes.get(key, "") for key in ("role", "email", "phone")}
            self._authors.append(Author(text, **found))
        elif name == "roothash":
            self._path, self._path_attributes = ".", {}
            self._entry(self._top)
        elif name == "processinfo":
            self._finish_header()
        elif parent in ("creatorinfo", "processinfo"):
            self._head[name] = text
            if name == "tool":
                self._version = attributes.get("version", "")

    # --- what they become
    def _finish_header(self) -> None:
        head = self._head
        try:
            process = Process(head["process"].strip())
            parse_time(head["creationdate"])
        except ValueError:
            raise UntrustedInput("The manifest's process or creation date is none that the standard knows.") from None
        creator = Creator(
            host=head["hostname"],
            tool=head["tool"],
            tool_version=self._version,
            authors=tuple(self._authors),
            location=head.get("location", ""),
            comment=head.get("comment", ""),
        )
        self.header = ManifestHeader(process, head["creationdate"].strip(), creator, self._root, tuple(self._patterns))

    def _entry(self, build: Callable[[], None]) -> None:
        try:
            build()
        except _BadEntry as bad:
            detail = f"{bad.detail} (in {self._name})" if self._name else bad.detail
            self._noted.add(bad.kind, detail, path=shown(self._path.encode())[:1000])

    def _safe(self, text: str) -> bytes:
        path = text.encode()
        if not is_safe_relative(path):
            raise _BadEntry("The path would leave its folder; it was never opened.", Kind.PATH_ESCAPES)
        return path

    def _once(self, path: bytes) -> bytes:
        # eight bytes per path instead of the path: a million of them must fit
        key = xxhash.xxh3_64_intdigest(path)
        if key in self._seen:
            raise _BadEntry("The path stands twice in one manifest.")
        self._seen.add(key)
        return path

    def _file(self) -> None:
        path = self._once(self._safe(self._path))
        hashes: dict[str, str] = {}
        actions: dict[str, Action] = {}
        date: str | None = None
        for name, (text, attributes) in self._values.items():
            hashes[name] = self._hash_text(name, text)
            try:
                actions[name] = Action(attributes.get("action", ""))
            except ValueError:
                raise _BadEntry(f"Its {name} does not say whether it is original, verified or failed.") from None
            date = date or attributes.get("hashdate")
        if not hashes:
            raise _BadEntry("The file has no hash.")
        action = next(iter(actions.values()))
        different = {name: each for name, each in actions.items() if each is not action}
        size = self._path_attributes.get("size")
        if size is not None and not _SIZE.fullmatch(size):
            raise _BadEntry("Its size is no number of bytes.")
        modified = self._path_attributes.get("lastmodificationdate")
        try:
            self._ready.append(
                FileHash(
                    path=path,
                    size=None if size is None else int(size),
                    modified_ns=None if modified is None else parse_time(modified),
                    hashes=hashes,
                    action=action,
                    hash_date=None if date is None else parse_moment(date),
                    previous_path=None if self._previous is None else self._safe(self._previous),
                    actions=different,
                )
            )
        except ValueError:
            raise _BadEntry("One of its dates is none.") from None

    @staticmethod
    def _hash_text(name: str, text: str) -> str:
        try:
            return text_of(name, raw_of(name, text))
        except UntrustedInput as error:
            raise _BadEntry(inert(error.message)) from None

    def _built_folder(self, path: bytes) -> FolderHash:
        content = {name: self._hash_text(name, text) for name, (text, _) in self._content.items()}
        structure = {name: self._hash_text(name, text) for name, (text, _) in self._values.items()}
        return FolderHash(path, content, structure)

    def _folder(self) -> None:
        # the top may be named as `.`, where a manifest has nothing else to name
        path = b"" if self._path == "." else self._safe(self._path)
        self._ready.append(self._built_folder(self._once(path)))

    def _top(self) -> None:
        self._root = self._built_folder(b"")
        self._values = {}

    def _reference(self) -> None:
        path = self._safe(self._path)
        self.references.append(Reference(path, self._hash_text("c4", self._values["c4"][0])))
