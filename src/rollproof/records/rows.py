"""One file, or one clip, in a record: a slots class, its one line of JSON, and the digest over all files.

200,000 of these pass through a record, so nothing here is a pydantic model.
"""

from __future__ import annotations

import binascii
import hashlib
import re
import sys
from dataclasses import dataclass
from json.encoder import encode_basestring, encode_basestring_ascii
from typing import Any, TypeVar

from rollproof.hashing.algorithms import ALGORITHMS
from rollproof.models import names
from rollproof.models.errors import UntrustedInput
from rollproof.models.volumes import Evidence
from rollproof.records import clock

MAX_SIZE = (1 << 63) - 1
"""No file system here holds a larger file (bytes)."""
MAX_HASHES = 16

ROW_STATES = frozenset({"proven", "copied", "failed", "incomplete", "differs", "missing", "unknown"})
"""What `state` may say: the states of a copy, and of a file that a verify found to be otherwise than recorded."""

_HEX = "[0-9a-f]"
_SHAPES = {
    name: re.compile("c4[1-9A-HJ-NP-Za-km-z]{88}" if name == "c4" else f"{_HEX}{{{2 * algorithm.raw_bytes}}}")
    for name, algorithm in ALGORITHMS.items()
}
# an algorithm of a later version: not ours to judge, but it must be harmless
_OTHER_NAME = re.compile("[a-z0-9]{1,16}")
_OTHER_HASH = re.compile("[0-9A-Za-z]{1,200}")


@dataclass(slots=True)
class FileRow:
    """One file of a copy.

    `path` is relative and exact, `modified_ns` nanoseconds since the epoch, `hashes` text by algorithm name.
    `proven` is this file's proof in this copy. `state` says more where `proven` is not the whole story (see
    `ROW_STATES`); `evidence` is how this one file was read back, where that differs from the copy's `readback`.
    """

    path: bytes
    size: int
    modified_ns: int
    hashes: dict[str, str]
    proven: bool
    state: str | None = None
    evidence: Evidence | None = None


def text_to_json(text: str) -> str:
    """A JSON string that is harmless on a terminal: controls, bidi and surrogates appear as `\\u` escapes."""
    return encode_basestring(text) if names.inert(text) == text else encode_basestring_ascii(text)


def to_line(row: FileRow) -> str:
    """The row as one line of JSON, without a comma or a line end. ValueError for a row that no record may hold."""
    path = row.path
    if not names.is_safe_relative(path):
        raise ValueError(f"a path that no record may hold: {names.shown(path)}")
    if row.state is not None and row.state not in ROW_STATES:
        raise ValueError(f"no state of a file: {row.state}")
    if not 0 <= row.size <= MAX_SIZE:
        raise ValueError(f"no size of a file: {row.size}")
    coded = "" if path.isascii() or names.is_text(path) else f', "path_b64": "{names.to_base64(path)}"'
    beyond = "" if clock.fits(row.modified_ns) else f', "modified_ns": {row.modified_ns}'
    for algorithm, text in row.hashes.items():
        _check_hash(algorithm, text)
    hashes = ", ".join([f'"{algorithm}": "{text}"' for algorithm, text in row.hashes.items()])
    state = "" if row.state is None else f', "state": "{row.state}"'
    evidence = "" if row.evidence is None else f', "evidence": "{row.evidence.value}"'
    # (one text, not a list of parts: 200,000 of them are written for each card of frames)
    return (
        f'{{"path": {text_to_json(names.to_text(path))}{coded}, "size": {row.size}'
        f', "modified": "{clock.from_ns(row.modified_ns)}"{beyond}, "hashes": {{{hashes}}}'
        f', "proven": {"true" if row.proven else "false"}{state}{evidence}}}'
    )


def _check_hash(algorithm: str, text: str) -> None:
    shape = _SHAPES.get(algorithm)
    if shape is None:
        if not _OTHER_NAME.fullmatch(algorithm) or not _OTHER_HASH.fullmatch(text):
            raise ValueError("no hash")
    elif not shape.fullmatch(text):
        raise ValueError(f"not a {algorithm} hash")


_MUST = frozenset({"path", "size", "modified", "hashes", "proven"})
_EVIDENCE = {evidence.value: evidence for evidence in Evidence}


def from_json(found: object) -> FileRow:
    """The row that parsed JSON means. Raises UntrustedInput for wrong types, unsafe paths and impossible values.

    Keys of later versions are passed over.
    """
    if not isinstance(found, dict):
        raise UntrustedInput("an entry of `files` is no object")
    if not found.keys() >= _MUST:
        raise UntrustedInput(f"an entry of `files` lacks {', '.join(sorted(_MUST - found.keys()))}")
    hashes = found["hashes"]
    try:
        path = _path(found["path"], found.get("path_b64"))
        size, proven, state = found["size"], found["proven"], found.get("state")
        if type(size) is not int or not 0 <= size <= MAX_SIZE:
            raise ValueError("`size` is no size")
        if type(proven) is not bool:
            raise ValueError("`proven` is neither true nor false")
        if type(hashes) is not dict or len(hashes) > MAX_HASHES:
            raise ValueError("`hashes` is no set of hashes")
        for algorithm, text in hashes.items():
            if type(text) is not str:
                raise ValueError("a hash is no text")
            _check_hash(algorithm, text)
        if state is not None and (type(state) is not str or state not in ROW_STATES):
            raise ValueError("`state` is none")
        modified_ns = _modified(found["modified"], found.get("modified_ns"))
        evidence = found.get("evidence")
        if evidence is not None and (type(evidence) is not str or evidence not in _EVIDENCE):
            raise ValueError("`evidence` is none")
    except (ValueError, OverflowError) as problem:
        raise UntrustedInput(f"an entry of `files` is not as it should be: {problem}") from None
    # one name per algorithm, not one per file
    hashes = {sys.intern(algorithm): text for algorithm, text in hashes.items()}
    return FileRow(path, size, modified_ns, hashes, proven, state, _EVIDENCE[evidence] if evidence else None)


def _path(text: Any, coded: Any) -> bytes:
    if type(text) is not str or (coded is not None and type(coded) is not str):
        raise ValueError("`path` is no text")
    try:
        path = names.from_record(text, coded)
    except (binascii.Error, UnicodeEncodeError):
        raise ValueError("`path` cannot be turned into a name") from None
    # one name must not be shown while another is meant
    if coded is not None and (names.is_text(path) or names.to_text(path) != text):
        raise ValueError("`path` and `path_b64` are two names")
    if not names.is_safe_relative(path):
        raise ValueError(f"`path` would leave the folder: {names.shown(path)[:200]}")
    return path


def _modified(text: Any, nanoseconds: Any) -> int:
    if type(text) is not str:
        raise ValueError("`modified` is no moment")
    written = clock.to_ns(text)
    if nanoseconds is None:
        return written
    # only for moments that the text cannot hold
    if type(nanoseconds) is not int or clock.fits(nanoseconds) or clock.from_ns(nanoseconds) != text:
        raise ValueError("`modified` and `modified_ns` are two moments")
    return int(nanoseconds)


@dataclass(slots=True)
class ClipRow:
    """One clip of a roll. What is not known is None; `health` is `sound`, `damaged` or `unknown`; `state` says `odd`
    where that is why the health is not known. `duration` is `hh:mm:ss.mmm`."""

    name: str
    files: int
    bytes: int
    duration: str | None = None
    timecode: str | None = None
    frame_rate: str | None = None
    health: str = "unknown"
    state: str | None = None
    resolution: str | None = None
    codec: str | None = None


CLIP_HEALTH = frozenset({"sound", "damaged", "unknown"})
_CLIP_TEXTS = ("duration", "timecode", "frame_rate", "resolution", "codec", "state")


def clip_to_line(clip: ClipRow) -> str:
    """The clip as one line of JSON. ValueError for a health that is none."""
    if clip.health not in CLIP_HEALTH:
        raise ValueError(f"no health of a clip: {clip.health}")
    parts = [f'{{"name": {text_to_json(clip.name)}, "files": {clip.files}, "bytes": {clip.bytes}']
    for key in _CLIP_TEXTS:
        text = getattr(clip, key)
        if text is not None:
            parts.append(f'"{key}": {text_to_json(text)}')
    parts.append(f'"health": "{clip.health}"}}')
    return ", ".join(parts)


def clip_from_json(found: object) -> ClipRow:
    """The clip that parsed JSON means. Raises UntrustedInput for wrong types and impossible values."""
    if not isinstance(found, dict):
        raise UntrustedInput("an entry of `clips` is no object")
    try:
        return ClipRow(
            name=_exactly(str, found["name"]),
            files=_count(found["files"]),
            bytes=_count(found["bytes"]),
            duration=_optional_text(found.get("duration")),
            timecode=_optional_text(found.get("timecode")),
            frame_rate=_optional_text(found.get("frame_rate")),
            health=_health(found["health"]),
            state=_optional_text(found.get("state")),
            resolution=_optional_text(found.get("resolution")),
            codec=_optional_text(found.get("codec")),
        )
    except (KeyError, ValueError):
        raise UntrustedInput("an entry of `clips` is not as it should be") from None


_T = TypeVar("_T")


def _exactly(kind: type[_T], value: object) -> _T:
    """The value, when it is of just this type: JSON's true is no number here."""
    if type(value) is not kind:
        raise ValueError(f"not a {kind.__name__}")
    return value


def _count(value: object) -> int:
    number = _exactly(int, value)
    if not 0 <= number <= MAX_SIZE:
        raise ValueError("no count")
    return number


def _optional_text(value: object) -> str | None:
    return None if value is None else _exactly(str, value)


def _health(value: object) -> str:
    health = _exactly(str, value)
    if health not in CLIP_HEALTH:
        raise ValueError("no health")
    return health


class FilesDigest:
    """SHA-256 over one line per file, in byte order of the paths.

    A line is: the path's bytes, NUL, the size in decimal digits, NUL, the hash's text, LF. Two sets of files have
    one digest exactly when every path, size and hash is the same.
    """

    def __init__(self, algorithm: str) -> None:
        self.algorithm = algorithm
        self._digest = hashlib.sha256()
        self._last: bytes | None = None

    def add(self, path: bytes, size: int, hash_text: str) -> None:
        """Take in one file. ValueError when it does not come after the one before."""
        if self._last is not None and path <= self._last:
            raise ValueError("files must come in byte order of their paths, each once")
        self._last = path
        self._digest.update(b"%b\0%d\0%b\n" % (path, size, hash_text.encode()))

    def text(self) -> str:
        """The digest so far, lowercase hexadecimal."""
        return self._digest.hexdigest()
