"""The outer shape of a record: lines of bounded length, each a piece of JSON that is parsed on its own.

    {
      "format": "rollproof-record/1",
      "clips": [
        {…},
        {…}
      ],
      "files": [
        {…}
      ]
    }

Every key of the header starts a line; a list has one entry per line; `clips` (of an offload) and `files` come last and
are streamed, so that the header is read without them. Because no piece is longer
than `MAX_LINE_BYTES` nor nested deeper than `MAX_DEPTH`, a hostile record can cost neither memory nor stack.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from typing import Any

from rollproof.models.errors import UntrustedInput
from rollproof.storage.io import Io

MAX_LINE_BYTES = 1 << 20
MAX_HEADER_BYTES = 8 << 20
MAX_DEPTH = 32
MAX_DIGITS = 30
"""Enough for any moment a file system can hold in nanoseconds."""
MAX_RECORD_BYTES = 4 << 30
"""Some ten million files; anything longer is no record."""
ENDING = b"\n  ]\n}\n"
"""The last bytes of every whole record."""

_CHUNK_BYTES = 1 << 18
_LIST_OPENING = re.compile(rb'  "([a-z0-9_]{1,100})": \[')
_STREAMED = {b'  "clips": [': "clips", b'  "files": [': "files"}
_STRING = re.compile(rb'"(?:[^"\\]|\\.)*+"', re.DOTALL)


class BadRecord(UntrustedInput):
    """A record that breaks its format. `defect` is `truncated`, `unreadable`, `foreign` or `newer` (than this tool)."""

    def __init__(self, message: str, *, defect: str = "unreadable") -> None:
        super().__init__(message)
        self.defect = defect


class Lines:
    """The lines of an open file, without their line ends, and the SHA-256 over the bytes taken from it so far.

    Raises BadRecord for a line longer than `MAX_LINE_BYTES` and for a file longer than `MAX_RECORD_BYTES`; OSError
    when the drive fails.
    """

    def __init__(self, io: Io, handle: int) -> None:
        self._io = io
        self._handle = handle
        self._offset = 0
        self._pending = b""
        self._position = 0
        self._digest = hashlib.sha256()
        self._tail = b""
        self.header_bytes = 0
        """How long the header's text was, once it was read."""

    def next(self) -> bytes:
        """The next line. BadRecord (truncated) when the file ends before a line does."""
        while True:
            end = self._pending.find(b"\n", self._position)
            if end >= 0:
                line = self._pending[self._position : end]
                self._position = end + 1
                if len(line) > MAX_LINE_BYTES:
                    raise BadRecord(f"a line is longer than {MAX_LINE_BYTES} bytes")
                return line
            rest = self._pending[self._position :]
            if len(rest) > MAX_LINE_BYTES:
                raise BadRecord(f"a line is longer than {MAX_LINE_BYTES} bytes")
            chunk = self._chunk()
            if not chunk:
                raise BadRecord("it ends in the middle", defect="truncated")
            self._pending = rest + chunk
            self._position = 0

    def at_end(self) -> bool:
        """Whether nothing comes after the lines taken so far."""
        return self._position >= len(self._pending) and not self._more()

    def _more(self) -> bool:
        self._pending, self._position = self._chunk(), 0
        return bool(self._pending)

    def _chunk(self) -> bytes:
        buffer = bytearray(_CHUNK_BYTES)
        count = self._io.read_into(self._handle, memoryview(buffer), self._offset)
        self._offset += count
        if self._offset > MAX_RECORD_BYTES:
            raise BadRecord(f"it is longer than {MAX_RECORD_BYTES} bytes")
        chunk = bytes(buffer[:count])
        self._digest.update(chunk)
        self._tail = (self._tail + chunk)[-len(ENDING) :]
        return chunk

    def finish(self) -> tuple[str, bool]:
        """Read on to the end of the file: the SHA-256 of all of it, and whether it ends as a whole record does."""
        while self._chunk():
            pass
        return self._digest.hexdigest(), self._tail == ENDING


_DECODER: json.JSONDecoder


def parse(piece: bytes) -> Any:
    """One piece of JSON from a drive. Raises BadRecord for anything but strict JSON in UTF-8.

    No key twice, no NaN or infinity, no number beyond `MAX_DIGITS`, no nesting beyond `MAX_DEPTH`.
    """
    if piece.count(b"[") + piece.count(b"{") > MAX_DEPTH and _depth(piece) > MAX_DEPTH:
        raise BadRecord(f"it is nested deeper than {MAX_DEPTH} levels")
    try:
        text = piece.decode("utf-8")
        value, end = _DECODER.raw_decode(text)
        if end != len(text):
            raise BadRecord("more than one value stands in a line")
        return value
    except (ValueError, RecursionError) as problem:
        raise BadRecord(f"a line is no JSON: {problem}"[:300]) from None


def _depth(piece: bytes) -> int:
    deepest = depth = 0
    for byte in _STRING.sub(b"", piece):
        if byte in b"[{":
            depth += 1
            deepest = max(deepest, depth)
        elif byte in b"]}":
            depth -= 1
    return deepest


def header(lines: Lines) -> tuple[Any, bytes, str]:
    """The header: its `format`, its JSON text, and the list (`clips` or `files`) at whose first entry the lines stand.

    Raises BadRecord where the shape breaks, and when there are more than `MAX_HEADER_BYTES` of it.
    """
    if lines.next() != b"{":
        raise BadRecord("it does not begin as a record does", defect="foreign")
    keys: set[str] = set()
    written_format: Any = None
    text = bytearray(b"{")
    inside = False  # a list whose entries have a line each
    while (line := lines.next()) not in _STREAMED:
        text += line
        text += b"\n"
        if len(text) > MAX_HEADER_BYTES:
            raise BadRecord(f"its header is longer than {MAX_HEADER_BYTES} bytes")
        if inside:
            if line == b"  ],":
                inside = False
            else:
                parse(_inner(line, 4))
        elif (opening := _LIST_OPENING.fullmatch(line)) is not None:
            inside = True
            _only_once(keys, opening[1].decode("ascii"))
        else:
            if not line.endswith(b","):
                raise BadRecord("a comma is missing in its header")
            for key, value in parse(b"{" + _inner(line, 2) + b"}").items():
                _only_once(keys, key)
                if key == "format":
                    written_format = value
    if inside:
        raise BadRecord("a list in its header does not end")
    lines.header_bytes = len(text)
    return written_format, bytes(text).rstrip(b",\n") + b"}", _STREAMED[line]


def _inner(line: bytes, indent: int) -> bytes:
    if line[:indent].strip(b" ") or line[indent : indent + 1] == b" ":
        raise BadRecord("a line is not indented as a record's lines are")
    return line[indent:].removesuffix(b",")


def _only_once(keys: set[str], key: str) -> None:
    if key in keys or key in _STREAMED.values():
        raise BadRecord(f"the key {key[:100]!r} stands there twice")
    keys.add(key)


def pass_clips(lines: Lines) -> None:
    """From the first entry of `clips` to the first of `files`, without looking at what lies between."""
    while lines.next() != b"  ],":
        pass
    _begins_files(lines)


def clip_entries(lines: Lines) -> Iterator[Any]:
    """Every parsed entry of `clips`; afterwards the lines stand at the first entry of `files`."""
    yield from _entries(lines, b"  ],")
    _begins_files(lines)


def _begins_files(lines: Lines) -> None:
    if _STREAMED.get(lines.next()) != "files":
        raise BadRecord("after `clips` there is no `files`")


def file_entries(lines: Lines) -> Iterator[Any]:
    """Every parsed entry of `files`, and then the end of the record. Raises BadRecord where the shape breaks."""
    yield from _entries(lines, b"  ]")
    if lines.next() != b"}":
        raise BadRecord("it does not end as a record does")
    if not lines.at_end():
        raise BadRecord("something follows after its end")


def _entries(lines: Lines, closing: bytes) -> Iterator[Any]:
    comma = first = True
    while (line := lines.next()) != closing:
        if not comma:
            raise BadRecord("a comma is missing between two entries of a list")
        first = False
        comma = line.endswith(b",")
        yield parse(_inner(line, 4))
    if comma and not first:
        raise BadRecord("the last entry of a list is missing", defect="truncated")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands there twice")
    return found


def _no_constant(text: str) -> Any:
    raise ValueError(f"{text} is no number")


def _short_int(text: str) -> int:
    if len(text) > MAX_DIGITS:
        raise ValueError("a number has too many digits")
    return int(text)


def _finite(text: str) -> float:
    number = float(text) if len(text) <= MAX_DIGITS else float("inf")
    if number in (float("inf"), float("-inf")):
        raise ValueError("a number has too many digits")
    return number


_DECODER = json.JSONDecoder(
    object_pairs_hook=_no_key_twice, parse_constant=_no_constant, parse_int=_short_int, parse_float=_finite
)
