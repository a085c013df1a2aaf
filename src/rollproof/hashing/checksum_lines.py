"""Plain checksum files: one line per file, in the two forms that stock tools write and check.

    HASH  NAME                  as `sha256sum`, `md5sum`, `xxhsum`, `b3sum` print it (`HASH *NAME` means the same)
    ALGORITHM (NAME) = HASH     the tagged form of the BSD tools, and of `--tag`

A name with a backslash, a line feed or a carriage return is escaped (`\\\\`, `\\n`, `\\r`), and its line then begins
with a backslash: the form of GNU coreutils 9. Lines come from strangers: memory is bounded, and a line that is none
is told, never guessed at.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from rollproof.hashing.algorithms import ALGORITHMS, raw_of
from rollproof.models.errors import UntrustedInput
from rollproof.models.names import is_safe_relative

FILE_LIMIT_BYTES = 512 << 20
"""A larger checksum file is not read."""
LINES_LIMIT = 1_000_000
LINE_LIMIT_BYTES = 64 << 10
"""No path is longer on any system; a line past it is no checksum."""

CHECKERS = {
    "xxh128": "xxhsum -c",
    "xxh3": "xxhsum -c",
    "xxh64": "xxhsum -c",
    "md5": "md5sum -c",
    "sha1": "sha1sum -c",
    "sha256": "sha256sum -c",
    "blake3": "b3sum -c",
}
"""The stock tool that checks a file of each algorithm. (C4 has none.)"""

_TAGGED_ONLY = {"xxh3": b"XXH3"}  # xxhsum takes a bare hash of this length for XXH64
_TAGS = {
    b"XXH128": "xxh128",
    b"XXH3": "xxh3",
    b"XXH64": "xxh64",
    b"MD5": "md5",
    b"SHA1": "sha1",
    b"SHA256": "sha256",
    b"SHA2-256": "sha256",
    b"SHA512": "c4",  # C4 is SHA-512 in another writing
    b"SHA2-512": "c4",
    b"BLAKE3": "blake3",
}
_BY_LENGTH = {
    16: ("xxh64",),
    32: ("md5", "xxh128"),
    40: ("sha1",),
    64: ("sha256", "blake3"),
    128: ("c4",),
    90: ("c4",),
}
"""What a bare hash of so many letters may be. Where that is not clear, either will do: none can be met by chance."""
_NAMED = re.compile(
    rb"(?:^|[._-])(xxh128|xxh3|xxh64|xxh(?:ash)?|md5|sha1|sha256|sha512|blake3|b3|c4)(?:sums?)?(?:\.txt)?$"
)
_SUMS = re.compile(rb"^(md5|sha1|sha256|sha512|b3|xxh128|xxh3|xxh64|xxh)sums?(?:\.txt)?$")
_ALIASES = {"sha512": "c4", "b3": "blake3", "xxhash": "xxh128", "xxh": "xxh128"}
"""(A file of the whole xxHash family: 32 letters in it are XXH128 and no MD5; 16 are what they are anywhere.)"""

_PLAIN = re.compile(rb"(?:(XXH3)_)?([0-9A-Za-z]{16,128}) [ *](.+)", re.DOTALL)
_TAGGED = re.compile(rb"([A-Z0-9-]{2,20}) ?\((.+)\) ?= ?([0-9A-Za-z]{16,128})", re.DOTALL)
_ESCAPE = re.compile(rb"\\(.?)", re.DOTALL)
_UNESCAPED = {b"\\": b"\\", b"n": b"\n", b"r": b"\r"}
_ESCAPED = {b"\\": b"\\\\", b"\n": b"\\n", b"\r": b"\\r"}


@dataclass(frozen=True, slots=True)
class ChecksumLine:
    """One file of a checksum file: `path` is relative and safe, `algorithms` are those the hash may be of."""

    number: int
    path: bytes
    raw: bytes
    algorithms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that was not taken. `escapes` when its path would leave the folder; it is then in `path`."""

    number: int
    why: str
    path: bytes = b""
    escapes: bool = False


def needs_escape(path: bytes) -> bool:
    """Whether the line of this path begins with a backslash."""
    return any(letter in path for letter in _ESCAPED)


def checksum_line(algorithm: str, text: str, path: bytes) -> bytes:
    """The line for one file, with its line feed. The hash comes in the house's text form."""
    start = b""
    if needs_escape(path):
        start = b"\\"
        path = re.sub(rb"[\\\n\r]", lambda match: _ESCAPED[match.group()], path)
    tag = _TAGGED_ONLY.get(algorithm)
    if tag is not None:
        return b"%s%s (%s) = %s\n" % (start, tag, path, text.encode("ascii"))
    return b"%s%s  %s\n" % (start, text.encode("ascii"), path)


def algorithm_in_name(file_name: bytes) -> str | None:
    """The algorithm a checksum file's own name speaks of (`A003.md5`, `SHA256SUMS`), if any."""
    lowered = file_name.lower()
    match = _SUMS.search(lowered) or _NAMED.search(lowered)
    if match is None:
        return None
    name = match.group(1).decode()
    return _ALIASES.get(name, name)


def parse_checksums(chunks: Iterable[bytes], *, algorithm: str | None = None) -> Iterator[ChecksumLine | BadLine]:
    """Every line of a checksum file in either form, one at a time. Empty lines and those that begin with `#` or `;`
    say nothing. `algorithm` (from the file's name) settles what a bare hash is.

    Raises UntrustedInput where the whole is no checksum file: not UTF-8-like text, too long a line, too many lines.
    """
    for number, line in enumerate(_lines(chunks), 1):
        if number > LINES_LIMIT:
            raise UntrustedInput(f"It has more than {LINES_LIMIT} lines.")
        if b"\0" in line:
            raise UntrustedInput("It holds bytes that no text has: it is no checksum file, or one in UTF-16.")
        if line.strip() and line[:1] not in (b"#", b";"):
            yield _parsed(number, line, algorithm)


def _lines(chunks: Iterable[bytes]) -> Iterator[bytes]:
    rest = b""
    mark = b"\xef\xbb\xbf"  # what some editors put before the first line
    for chunk in chunks:
        *whole, rest = (rest + chunk).split(b"\n")
        for line in whole:
            yield _bounded(line.removeprefix(mark))
            mark = b""
        _bounded(rest)
    if rest:
        yield _bounded(rest.removeprefix(mark))


def _bounded(line: bytes) -> bytes:
    if len(line) > LINE_LIMIT_BYTES:
        raise UntrustedInput(f"A line is longer than {LINE_LIMIT_BYTES} bytes.")
    # a carriage return that belongs to the name is written as \r, so this one is the other systems' line end
    return line.removesuffix(b"\r")


def _parsed(number: int, line: bytes, algorithm: str | None) -> ChecksumLine | BadLine:
    escaped = line.startswith(b"\\")
    body = line[1:] if escaped else line
    tagged = _TAGGED.fullmatch(body)
    if tagged is not None:
        tag, path, text = tagged.groups()
        names: tuple[str, ...] = (_TAGS[tag],) if tag in _TAGS else ()
        if not names:
            return BadLine(number, f"its algorithm {tag.decode('ascii')} is not one that can be compared here")
    else:
        plain = _PLAIN.fullmatch(body)
        if plain is None:
            return BadLine(number, "it is not of the form of a checksum")
        tag, text, path = plain.groups()
        names = ("xxh3",) if tag else _BY_LENGTH.get(len(text), ())
        if algorithm is not None and (algorithm in names or (algorithm == "xxh3" and names == ("xxh64",))):
            names = (algorithm,)
    raw = _raw(text.decode("ascii"), names)
    if raw is None:
        return BadLine(number, "its hash is not one that can be compared here")
    if escaped:
        unescaped = _unescape(path)
        if unescaped is None:
            return BadLine(number, "its name is not escaped as the form defines")
        path = unescaped
    while path.startswith(b"./"):
        path = path[2:].lstrip(b"/")
    if not is_safe_relative(path):
        return BadLine(number, "its path would lead out of the folder; it was never opened", path, escapes=True)
    return ChecksumLine(number, path, raw, names)


def _raw(text: str, names: tuple[str, ...]) -> bytes | None:
    if names == ("c4",) and len(text) == 128:
        return bytes.fromhex(text) if re.fullmatch("[0-9A-Fa-f]{128}", text) else None
    for name in names:
        if len(text) != 2 * ALGORITHMS[name].raw_bytes and name != "c4":
            return None
    try:
        return raw_of(names[0], text) if names else None
    except UntrustedInput:
        return None


def _unescape(path: bytes) -> bytes | None:
    if any(match.group(1) not in _UNESCAPED for match in _ESCAPE.finditer(path)):
        return None
    return _ESCAPE.sub(lambda match: _UNESCAPED[match.group(1)], path)
