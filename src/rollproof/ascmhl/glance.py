"""A quick way through a history that lies there exactly as this tool writes them; whatever is otherwise is left to
`read_history`, which judges it.

For an audit of hundreds of thousands of files: the elements of `hashes` are taken from the text one after the other,
without a gap between them, instead of going through the parser; everything before and after them goes through it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from rollproof.ascmhl.chain import read_chain
from rollproof.ascmhl.expected import ExpectedFiles
from rollproof.ascmhl.folder import C4Sum, history_folder, list_manifests, manifest_chunks
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.model import Action, FileHash, History, ManifestRead, ManifestState
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.standard import CHAIN_NAME, is_ignored, number_in_name, parse_time, why_not_recorded
from rollproof.models.errors import UntrustedInput
from rollproof.models.names import is_safe_relative
from rollproof.storage.io import Io

_BEGIN, _END = b"  <hashes>\n", b"  </hashes>\n"
# nothing that XML could read otherwise than as it stands: no reference, no markup, no control
_PLAIN = rb"[ -%'-;=?-~\x80-\xff]"
_DIGITS = {b"md5": 32, b"sha1": 40, b"xxh128": 32, b"xxh3": 16, b"xxh64": 16}
_HASHES = b"|".join(
    name + rb' action="(?:original|verified|failed)">[0-9a-f]{%d}</' % width + name + b">"
    for name, width in _DIGITS.items()
)
_FILE = re.compile(
    rb'    <hash>\n      <path size="([0-9]{1,19})" lastmodificationdate="([0-9T:.Z-]{20,30})">('
    + _PLAIN
    + rb"{1,4096})</path>\n((?:      <(?:"
    + _HASHES
    + rb")\n){1,5})    </hash>\n"
)
_ONE_HASH = re.compile(rb'      <([a-z0-9]+) action="([a-z]+)">([0-9a-f]+)<')
_FOLDER_HASHES = (
    b"(?:        <(?:"
    + b"|".join(name + rb">[0-9a-f]{%d}</" % width + name for name, width in _DIGITS.items())
    + b")>\n){1,5}"
)
_FOLDER = re.compile(
    rb"    <directoryhash>\n      <path>("
    + _PLAIN
    + rb"{1,4096})</path>\n      <content>\n"
    + _FOLDER_HASHES
    + rb"      </content>\n      <structure>\n"
    + _FOLDER_HASHES
    + rb"      </structure>\n    </directoryhash>\n"
)
_LONGEST_ELEMENT = 16 << 10
_LONGEST_HEAD = 4 << 20
_ACTIONS = {action.value.encode(): action for action in Action}


class _Otherwise(Exception):
    """Something is not as this tool writes it."""


def glance_history(io: Io, roll: int) -> History | None:
    """What `read_history` gives for the open folder `roll`, where nothing whatever is odd about the history; None where
    there is none, or anything is. OSError when the folder cannot be listed."""
    try:
        with history_folder(io, roll) as folder:
            return None if folder is None else _Glance(io, folder).history()
    except (UntrustedInput, _Otherwise):
        return None


@dataclass(slots=True)
class _Counts:
    files: int = 0
    failed: int = 0


class _Glance:
    def __init__(self, io: Io, folder: int) -> None:
        self._io = io
        self._folder = folder
        self._expected = ExpectedFiles()

    def history(self) -> History:
        """Generation by generation; a chain that is whole names every manifest there is, counted from 1."""
        listed = list_manifests(self._io, self._folder)
        chain = read_chain(self._io, self._folder, CHAIN_NAME)
        if not chain or listed.odd or {entry.path for entry in chain} != listed.manifests:
            raise _Otherwise
        if len(chain) != len(listed.manifests) or any(
            entry.sequence != number or number_in_name(entry.path) != number for number, entry in enumerate(chain, 1)
        ):
            raise _Otherwise
        generations = []
        for number, entry in enumerate(chain, 1):
            total, noted, counts = C4Sum(), Noted(), _Counts()
            scan = _Scan(self._expected, counts)
            try:
                outside = scan.outside(total.over(manifest_chunks(self._io, self._folder, entry.path)))
            except OSError:
                raise _Otherwise from None
            if total.text != entry.c4:
                raise _Otherwise
            reader = ManifestReader(outside, noted)
            for _ in reader:
                pass
            if noted.any or reader.header is None:
                raise _Otherwise
            generations.append(
                ManifestRead(
                    entry.path,
                    number,
                    ManifestState.WHOLE,
                    entry.c4,
                    reader.header,
                    tuple(reader.references),
                    counts.files,
                    counts.failed,
                )
            )
        if self._expected.left_out:
            raise _Otherwise
        return History(tuple(generations), self._expected.found)


@dataclass(slots=True)
class _Scan:
    """Goes through one manifest's text; of the elements of `hashes` only the last is kept for the parser, which wants
    one there."""

    expected: ExpectedFiles
    counts: _Counts
    last: bytes = b""
    folders: set[bytes] = field(default_factory=set)
    element: bytes = b""

    def outside(self, chunks: Iterable[bytes]) -> list[bytes]:
        """The text without the elements of `hashes` but the last. Raises _Otherwise."""
        head, tail, text = b"", b"", b""
        state = "head"
        for chunk in chunks:
            text += chunk
            if state == "head":
                at = text.find(_BEGIN)
                if at < 0:
                    if len(text) > _LONGEST_HEAD:
                        raise _Otherwise
                    continue
                head, text, state = text[: at + len(_BEGIN)], text[at + len(_BEGIN) :], "hashes"
            if state == "hashes":
                at = self._elements(text)
                text = text[at:]
                if text.startswith(_END):
                    state = "tail"
                elif len(text) > _LONGEST_ELEMENT:
                    raise _Otherwise
            if state == "tail":
                tail += text
                text = b""
                if len(tail) > _LONGEST_HEAD:
                    raise _Otherwise
        if state != "tail":
            raise _Otherwise
        return [head, self.element, tail]

    def _elements(self, text: bytes) -> int:
        """Take in whole elements from the start; returns where they end."""
        at = 0
        while True:
            match = _FILE.match(text, at)
            if match is not None:
                self._file(match)
            else:
                match = _FOLDER.match(text, at)
                if match is None:
                    return at
                self._name(match[1])
                if match[1] in self.folders or match[1] in self.expected.found or match[1] == b".":
                    raise _Otherwise
                self.folders.add(match[1])
            at = match.end()
            self.element = match[0]

    def _name(self, path: bytes) -> None:
        if not is_safe_relative(path) or is_ignored(path) or (not path.isascii() and why_not_recorded(path)):
            raise _Otherwise

    def _file(self, match: re.Match[bytes]) -> None:
        size, modified, path, hashes = match.groups()
        # in order and each once: then none stands twice, and no set of all paths is needed
        if path <= self.last or path in self.folders:
            raise _Otherwise
        self._name(path)
        self.last = path
        self.counts.files += 1
        found = _ONE_HASH.findall(hashes)
        if any(action == b"failed" for _, action, _ in found):
            self.counts.failed += 1
        earlier = self.expected.found.get(path)
        if earlier is not None:
            known = earlier.algorithms
            if all(name.decode() in known or action == b"failed" for name, action, _ in found):
                return  # nothing that was not known before
        texts = {name.decode(): text.decode() for name, _, text in found}
        actions = {name.decode(): _ACTIONS[action] for name, action, _ in found}
        if len(texts) < len(found) or list(texts) != sorted(texts):
            raise _Otherwise
        first = next(iter(actions.values()))
        try:
            self.expected.take(
                FileHash(
                    path,
                    int(size),
                    parse_time(modified.decode("ascii")),
                    texts,
                    first,
                    actions={name: each for name, each in actions.items() if each is not first},
                )
            )
        except ValueError:
            raise _Otherwise from None
