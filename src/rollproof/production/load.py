"""Find the production file and read it; everything that is wrong with it in one message."""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Sequence

from pydantic import ValidationError

from rollproof.models.errors import ProductionFileProblem
from rollproof.models.names import inert, shown
from rollproof.production.lines import key_lines
from rollproof.production.model import Production
from rollproof.production.problems import MAX_PROBLEMS, problems_of

FILE_NAME = b"production.toml"
MAX_BYTES = 1 << 20
MAX_LINE = 1000
"""Characters in a line. The time to read one grows with the square of its length."""

_POSITION = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)\Z")
_HINT = "correct the file and run the command again; `rollproof init` writes a fresh one with every key explained"

Problem = tuple[int | None, str]


def find(start: bytes, named: bytes | None) -> bytes | None:
    """The production file: the one named (relative to `start`), else `production.toml` in `start` or a folder above.

    None when nothing is named and none is there. Raises ProductionFileProblem when the named one is not there.
    """
    try:
        folder = os.path.abspath(start)
    except OSError:
        # the working folder was removed: nothing is above it, and only a whole path leads anywhere
        folder = b"/"
        if not named:
            return None
    if named:
        path = os.path.join(folder, named)
        if b"\0" in path or not os.path.lexists(path):
            raise ProductionFileProblem(
                f"there is no production file {shown(named)}",
                hint="check the path given with --production or in ROLLPROOF_PRODUCTION",
            )
        return path
    while True:
        path = os.path.join(folder, FILE_NAME)
        if os.path.lexists(path):
            return path
        above = os.path.dirname(folder)
        if above == folder:
            return None
        folder = above


def load(path: bytes) -> Production:
    """Read and check a production file.

    Raises ProductionFileProblem with all that is wrong: each with its line, key, value and what would be right. The
    message is one line and safe to print.
    """
    return parse(_read(path), path)


def parse(data: bytes, path: bytes = FILE_NAME) -> Production:
    """Check the content of a production file; `path` is what messages call it. Raises as `load`."""
    import tomllib  # noqa: PLC0415 - most runs have no such file, and its patterns take time to be made

    text = _decoded(data, path)
    lines = text.split("\n")
    for number, line in enumerate(lines, start=1):
        if len(line) > MAX_LINE:
            raise _problem(path, [(number, f"is longer than {MAX_LINE} characters; break the list over several lines")])
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _problem(path, [_syntax(str(error), text, lines)]) from None
    except (ValueError, RecursionError) as error:
        what = "is nested too deeply" if isinstance(error, RecursionError) else "holds a number too long to be one"
        raise _problem(path, [(None, f"{what} for a production file")]) from None
    try:
        return Production.model_validate(values)
    except ValidationError as error:
        raise _problem(path, problems_of(error, key_lines(text))) from None


def _read(path: bytes) -> bytes:
    # not blocking: a FIFO under this name would hold the command for ever
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags)
        try:
            found = os.fstat(handle)
            if not stat.S_ISREG(found.st_mode):
                what = "a folder" if stat.S_ISDIR(found.st_mode) else "no regular file"
                raise _problem(path, [(None, f"is {what}; a text file is right")])
            data = bytearray()
            # one byte more than allowed tells a file that is too long, also one that grows meanwhile
            while len(data) <= MAX_BYTES:
                piece = os.read(handle, MAX_BYTES + 1 - len(data))
                if not piece:
                    return bytes(data)
                data += piece
        finally:
            with contextlib.suppress(OSError):
                os.close(handle)
    except OSError as error:
        raise _problem(path, [(None, f"cannot be read: {error.strerror or error}")]) from None
    raise _problem(path, [(None, f"is larger than {MAX_BYTES >> 20} MiB, so it is no production file")])


def _decoded(data: bytes, path: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _problem(path, [(None, "is UTF-16 text; save it as UTF-8")])
    try:
        text = data.decode("utf-8-sig")  # some editors begin UTF-8 with a mark that TOML does not know
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _problem(path, [(line, f"holds the byte 0x{data[error.start]:02x}; save it as UTF-8 text")]) from None
    return text.replace("\r\n", "\n")


def _syntax(message: str, text: str, lines: Sequence[str]) -> Problem:
    match = _POSITION.search(message)
    said = message[: match.start()] if match else message
    line = int(match[1]) if match and match[1] else len(text.rstrip("\n").split("\n"))
    if said.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate", "Cannot redefine", "Duplicate")):
        twice = key_lines(text).twice
        if twice is not None:
            path, first, second = twice
            key = ".".join(str(part) for part in path if isinstance(part, str))
            return second, f"{inert(key)[:80]}: stands twice, first in line {first}; each key once is right"
        return line, "a key or table stands twice; each once is right"
    source = inert(lines[line - 1].strip())
    if len(source) > 80:
        source = source[:80] + "…"
    said = said[:1].lower() + said[1:]
    return line, f"{source}: is not TOML ({inert(said)}); one key = value in each line, text in quotes, is right"


def _problem(path: bytes, problems: Sequence[Problem]) -> ProductionFileProblem:
    file = shown(path)
    told = [f"line {line}, {sentence}" if line is not None else sentence for line, sentence in problems[:MAX_PROBLEMS]]
    if len(problems) > MAX_PROBLEMS:
        told.append(f"and {len(problems) - MAX_PROBLEMS:,} more")
    if len(told) == 1:
        return ProductionFileProblem(f"the production file {file}: {told[0]}", hint=_HINT)
    listed = "; ".join(f"({number}) {sentence}" for number, sentence in enumerate(told, start=1))
    return ProductionFileProblem(f"the production file {file} has {len(problems):,} problems: {listed}", hint=_HINT)
