"""Trees as data: build one from a mapping, compare two, and one tree of everything that is awkward.

    build(card, {"CLIPS/A003C001.mov": Blob(100_000, seed=1), "CLIPS/A003C001.xml": b"<clip/>", "EMPTY": Folder()})

Everything works below folder handles, so names may be any bytes and paths longer than the system's limit.
"""

from __future__ import annotations

import os
import random
import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

DAY_NS = 1_778_746_502_123_456_789
"""14 May 2026, 08:15:02.123456789 UTC: the shooting day of all examples."""

_PIECE = 1 << 20
_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@dataclass(frozen=True, slots=True)
class Blob:
    """A file of `size` bytes that look random and are the same for the same seed."""

    size: int
    seed: int = 0
    modified_ns: int | None = None

    def pieces(self) -> Iterator[bytes]:
        """The content in pieces of 1 MiB, each made on its own."""
        for number, start in enumerate(range(0, self.size, _PIECE)):
            yield random.Random(f"{self.seed}/{number}").randbytes(min(_PIECE, self.size - start))

    def data(self) -> bytes:
        """The whole content."""
        return b"".join(self.pieces())


@dataclass(frozen=True, slots=True)
class Text:
    """A file with this very content, where its modification time matters; plain bytes do otherwise."""

    content: bytes
    modified_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder; give it entries or leave it empty."""

    entries: Tree = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Link:
    """A symbolic link to `target`, whatever that is."""

    target: bytes


@dataclass(frozen=True, slots=True)
class HardLink:
    """A second name in the same folder for the file `beside`, which must stand before it."""

    beside: bytes


@dataclass(frozen=True, slots=True)
class Fifo:
    """A named pipe: opening it the careless way blocks for ever."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A sparse file of `size` zero bytes that takes no space."""

    size: int
    modified_ns: int | None = None


Node = bytes | Blob | Text | Folder | Link | HardLink | Fifo | Hole
Tree = Mapping[bytes | str, "Node"]


def as_bytes(name: bytes | str) -> bytes:
    """Text is UTF-8 as written, in whatever Unicode form."""
    return name if isinstance(name, bytes) else name.encode()


def build(root: Path, tree: Tree, *, start_ns: int = DAY_NS, step_ns: int = 2_000_000_000) -> Path:
    """Make `tree` below `root` (created where missing) and return `root`.

    Keys may be paths: folders in between are made. A file without a time of its own gets `start_ns` plus one
    `step_ns` for each file before it.
    """
    root.mkdir(parents=True, exist_ok=True)
    clock = iter(range(start_ns, start_ns + (1 << 20) * step_ns, step_ns))
    handle = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        _build_below(handle, tree, clock)
    finally:
        os.close(handle)
    return root


def _build_below(folder: int, tree: Tree, clock: Iterator[int]) -> None:
    for name, node in tree.items():
        *parents, last = as_bytes(name).split(b"/")
        with _descend(folder, parents) as parent:
            _make(parent, last, node, clock)


@contextmanager
def _descend(folder: int, parts: list[bytes]) -> Iterator[int]:
    """A handle of the folder at `parts` below, made where missing."""
    current = os.dup(folder)
    try:
        for part in parts:
            if not _taken(current, part):
                os.mkdir(part, dir_fd=current)
            following = os.open(part, _FOLDER_FLAGS, dir_fd=current)
            os.close(current)
            current = following
        yield current
    finally:
        os.close(current)


def _taken(folder: int, name: bytes) -> bool:
    try:
        os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def _make(folder: int, name: bytes, node: Node, clock: Iterator[int]) -> None:
    match node:
        case Folder():
            with _descend(folder, [name]) as inner:
                _build_below(inner, node.entries, clock)
        case Link():
            os.symlink(node.target, name, dir_fd=folder)
        case HardLink():
            os.link(node.beside, name, src_dir_fd=folder, dst_dir_fd=folder)
        case Fifo():
            os.mkfifo(name, dir_fd=folder)
        case bytes():
            _write(folder, name, iter([node]), next(clock))
        case Text():
            _write(folder, name, iter([node.content]), node.modified_ns or next(clock))
        case Blob():
            _write(folder, name, node.pieces(), node.modified_ns or next(clock))
        case Hole():
            _write(folder, name, iter(()), node.modified_ns or next(clock), size=node.size)


def _write(folder: int, name: bytes, pieces: Iterator[bytes], modified_ns: int, *, size: int = 0) -> None:
    handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644, dir_fd=folder)
    try:
        for piece in pieces:
            if os.write(handle, piece) != len(piece):
                raise OSError("a test tree could not be written whole")
        if size:
            os.ftruncate(handle, size)
        os.utime(handle, ns=(modified_ns, modified_ns))
    finally:
        os.close(handle)


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing found in a tree. `kind` is `file`, `folder`, `link` or `special`."""

    kind: str
    size: int = 0
    modified_ns: int = 0
    target: bytes = b""


def walk(root: Path | bytes) -> dict[bytes, Entry]:
    """Everything below `root` by relative path, links not followed, in path order."""
    found: dict[bytes, Entry] = {}
    handle = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        _walk_below(handle, b"", found)
    finally:
        os.close(handle)
    return dict(sorted(found.items()))


def _walk_below(folder: int, prefix: bytes, found: dict[bytes, Entry]) -> None:
    for name in map(os.fsencode, sorted(os.listdir(folder))):
        at = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if stat.S_ISDIR(at.st_mode):
            found[prefix + name] = Entry("folder")
            inner = os.open(name, _FOLDER_FLAGS, dir_fd=folder)
            try:
                _walk_below(inner, prefix + name + b"/", found)
            finally:
                os.close(inner)
        elif stat.S_ISREG(at.st_mode):
            found[prefix + name] = Entry("file", at.st_size, at.st_mtime_ns)
        elif stat.S_ISLNK(at.st_mode):
            found[prefix + name] = Entry("link", target=os.readlink(name, dir_fd=folder))
        else:
            found[prefix + name] = Entry("special")


def open_inside(root: Path | bytes, path: bytes, flags: int = os.O_RDONLY) -> int:
    """Open a file at a relative path of any length."""
    *parents, last = path.split(b"/")
    current = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        for part in parents:
            following = os.open(part, _FOLDER_FLAGS, dir_fd=current)
            os.close(current)
            current = following
        return os.open(last, flags | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=current)
    finally:
        os.close(current)


def read(root: Path | bytes, path: bytes) -> bytes:
    """The whole content of a file at a relative path."""
    with os.fdopen(open_inside(root, path), "rb") as opened:
        return opened.read()


def compare(
    a: Path,
    b: Path,
    *,
    ignore: Callable[[bytes], bool] | frozenset[bytes] = frozenset(),
    granularity_ns: int = 1,
    content: bool = True,
) -> list[str]:
    """What differs between two trees, one sentence each; empty when they are the same.

    Looks both ways: what is missing in `b` and what is there that should not be. `ignore` holds top-level names (or
    decides by path) left out on both sides. Modification times may differ by less than `granularity_ns`. With
    `content` every byte is compared.
    """
    names = ignore if isinstance(ignore, frozenset) else frozenset()
    decide = (lambda path: path.split(b"/")[0] in names) if isinstance(ignore, frozenset) else ignore
    left = {path: entry for path, entry in walk(a).items() if not decide(path)}
    right = {path: entry for path, entry in walk(b).items() if not decide(path)}
    out = [f"missing: {path!r}" for path in left.keys() - right.keys()]
    out += [f"extra: {path!r}" for path in right.keys() - left.keys()]
    for path in left.keys() & right.keys():
        out += _differences(a, b, path, left[path], right[path], granularity_ns, content)
    return sorted(out)


def _differences(
    a: Path, b: Path, path: bytes, one: Entry, other: Entry, granularity_ns: int, content: bool
) -> list[str]:
    if one.kind != other.kind:
        return [f"kind: {path!r} is a {one.kind} there and a {other.kind} here"]
    if one.target != other.target:
        return [f"target: {path!r} leads to {one.target!r} there and {other.target!r} here"]
    out: list[str] = []
    if one.size != other.size:
        out.append(f"size: {path!r} has {one.size} bytes there and {other.size} here")
    elif one.kind == "file" and content and not _same_content(a, b, path):
        out.append(f"content: {path!r} differs")
    if abs(one.modified_ns - other.modified_ns) >= granularity_ns:
        out.append(f"time: {path!r} is of {one.modified_ns} there and {other.modified_ns} here")
    return out


def _same_content(a: Path, b: Path, path: bytes) -> bool:
    with os.fdopen(open_inside(a, path), "rb") as one, os.fdopen(open_inside(b, path), "rb") as other:
        while True:
            piece = one.read(_PIECE)
            if piece != other.read(_PIECE):
                return False
            if not piece:
                return True


_NFC = "Glocke-\u00e4.mov"
_NFD = "Glocke-a\u0308.mov"

PORTABLE: Tree = {
    "with space/ leading and trailing .mov": Blob(5_000, 1),
    "\U0001f514 bell/\U0001f514.wav": Blob(70_001, 2),
    "forms/" + _NFC: Blob(1_000, 3),
    "-leading/-rf": Blob(4_096, 4),
    "-leading/--help.mov": Blob(4_095, 5),
    "percent %s %20 $HOME `x` ;'.mov": Blob(513, 6),
    "[link=x]markup[/x].mov": Blob(511, 7),
    "=formula.csv": b"=1+1",
    "n" * 251 + ".mov": Blob(4_097, 8),
    "/".join(f"d{level}" for level in range(40)) + "/deep.mov": Blob(12_345, 9),
    "empty/none.mov": b"",
    "empty/one.mov": b"\x00",
    "empty folder": Folder(),
    "outer/inner/innermost": Folder(),
    "zeros.bin": bytes(65_536),
    "aligned.bin": Blob(1 << 20, 10),
    "unaligned.bin": Blob((1 << 20) + 1, 11),
    ".hidden": b"a dot file that is nobody's litter",
    "clip/._A003C001.mov": b"a metadata twin",
    "many.dots...mov": b"dots",
    "A.mov": b"upper",
}
"""Awkward, and still something every file system can hold."""

AWKWARD: Tree = {
    **PORTABLE,
    "forms/" + _NFD: Blob(1_001, 12),
    "a.mov": b"lower",
    "new\nline.mov": Blob(2_222, 13),
    "tab\tand\x1b[31mescape.mov": Blob(2_223, 14),
    'quote"star*colon:pipe|.mov': Blob(2_224, 15),
    "back\\slash.mov": Blob(2_225, 16),
    "right\u202eto left.mov": Blob(2_226, 17),
    b"not\xff\xfeutf8/\x80\x81.mov": Blob(3_333, 18),
    "\u00e9" * 127 + "x": Blob(3_334, 19),
    "trailing dot.": b"dot",
    "CON": b"a device name elsewhere",
}
"""Everything that may lawfully be a name or a file on a card with a POSIX file system, and all of it together."""
