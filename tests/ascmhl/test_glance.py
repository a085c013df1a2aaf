"""The quick way through a history gives what the careful one gives, or nothing."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rollproof.ascmhl.folder import C4Sum
from rollproof.ascmhl.glance import glance_history
from rollproof.ascmhl.model import Action, Creator, FileHash, Generation, History, Process
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.storage.system import system_io

WHEN = datetime(2026, 5, 14, 8, 15, 2, tzinfo=UTC)
FILES = [
    FileHash(b"A.mov", 5, 1_778_746_502_540_000_000, {"xxh128": "ab" * 16}),
    FileHash(b"CLIP/B 1.mov", 0, 1_778_746_502_000_000_000, {"md5": "cd" * 16, "xxh128": "ef" * 16}),
    FileHash("CLIP/Glocke_ö.mov".encode(), 7, 1, {"xxh128": "12" * 16}),
]


def histories(folder: Path) -> tuple[History | None, History]:
    """Both ways' answers."""
    io = system_io()
    handle = io.open_root(bytes(folder))
    try:
        return glance_history(io, handle), read_history(io, handle)
    finally:
        io.close(handle)


def write(folder: Path, files: list[FileHash], process: Process = Process.TRANSFER) -> None:
    """A generation."""
    io = system_io()
    handle = io.open_root(bytes(folder))
    try:
        creator = Creator(host="cart", tool="rollproof", tool_version="1")
        write_generation(
            io, handle, b"A003", Generation(process, WHEN, creator, ("xxh128",), files, [b"CLIP", b"EMPTY"])
        )
    finally:
        io.close(handle)


@pytest.fixture
def roll(tmp_path: Path) -> Path:
    """A roll with three generations: an offload, a verify that found a file damaged, one that read it well."""
    write(tmp_path, FILES)
    write(
        tmp_path,
        [replace(file, action=Action.VERIFIED) for file in FILES[:-1]]
        + [replace(FILES[-1], action=Action.FAILED, hashes={"xxh128": "34" * 16})],
        Process.IN_PLACE,
    )
    write(
        tmp_path,
        [
            replace(
                FILES[0],
                action=Action.VERIFIED,
                hashes={**FILES[0].hashes, "sha1": "9a" * 20},
                actions={"sha1": Action.ORIGINAL},
            ),
            *FILES[1:],
        ],
        Process.IN_PLACE,
    )
    return tmp_path


def test_both_ways_give_the_same(roll: Path) -> None:
    quick, careful = histories(roll)
    assert quick == careful
    assert quick is not None
    assert [made.failed for made in quick.generations] == [0, 1, 0]


@pytest.mark.slow
def test_many_files_in_many_pieces_give_the_same(tmp_path: Path) -> None:
    write(tmp_path, [FileHash(b"CLIP/%06d.dng" % n, n, n * 10**9, {"xxh128": f"{n:032x}"}) for n in range(12_000)])
    quick, careful = histories(tmp_path)
    assert quick == careful
    assert quick is not None
    assert len(quick.expected) == 12_000


def _edit(change: Callable[[bytes], bytes]) -> Callable[[Path], object]:
    """Change the first manifest, and make the chain agree with it: what a stranger can do."""

    def edit(roll: Path) -> None:
        manifest = min((roll / "ascmhl").glob("*.mhl"))
        text = change(manifest.read_bytes())
        manifest.write_bytes(text)
        total = C4Sum()
        list(total.over([text]))
        chain = roll / "ascmhl" / "ascmhl_chain.xml"
        chain.write_text(re.sub("<c4>[^<]*</c4>", f"<c4>{total.text}</c4>", chain.read_text(), count=1))

    return edit


def _remove(pattern: str) -> Callable[[Path], object]:
    return lambda roll: min((roll / "ascmhl").glob(pattern)).unlink()


OTHERWISE: dict[str, Callable[[Path], object]] = {
    "a changed manifest": lambda roll: max((roll / "ascmhl").glob("*.mhl")).write_bytes(b"<hashlist/>"),
    "a changed hash": lambda roll: (path := min((roll / "ascmhl").glob("*.mhl"))).write_bytes(
        path.read_bytes().replace(b"ab" * 16, b"ba" * 16)
    ),
    "a manifest is gone": _remove("*.mhl"),
    "no chain": _remove("*.xml"),
    "a stray manifest": lambda roll: (roll / "ascmhl" / "0009_A003_2026-05-14_081502Z.mhl").write_bytes(b"x"),
    "a path that escapes": _edit(lambda text: text.replace(b"CLIP/B 1", b"../../B 1")),
    "a path twice": _edit(lambda text: text.replace(b">CLIP/B 1.mov<", b">A.mov<")),
    "a reference in a path": _edit(lambda text: text.replace(b"A.mov", b"&#65;.mov")),
    "an element nobody knows": _edit(lambda text: text.replace(b"    </hash>", b"<x/>    </hash>", 1)),
    "a comment between": _edit(lambda text: text.replace(b"    <hash>", b"<!-- -->    <hash>", 1)),
    "a hash of another length": _edit(lambda text: text.replace(b"ab" * 16, b"ab" * 15)),
    "an action that is none": _edit(lambda text: text.replace(b'"original"', b'"best"', 1)),
    "a doctype": _edit(lambda text: text.replace(b"<hashlist", b"<!DOCTYPE x><hashlist", 1)),
    "not UTF-8": _edit(lambda text: text.replace("ö".encode(), b"\xff")),
    "cut off": _edit(lambda text: text[: len(text) // 2]),
    "two ends": _edit(lambda text: text + text),
    "a size beyond all": _edit(lambda text: text.replace(b'size="5"', b'size="' + b"9" * 30 + b'"')),
    "a day that is none": _edit(
        lambda text: text.replace(b'lastmodificationdate="2026-05', b'lastmodificationdate="2026-55')
    ),
}


@pytest.mark.parametrize("case", OTHERWISE)
def test_whatever_is_otherwise_is_left_to_the_careful_way(roll: Path, case: str) -> None:
    OTHERWISE[case](roll)
    quick, careful = histories(roll)
    assert quick is None or quick == careful
    assert careful.findings or case in ("a reference in a path", "a comment between")
    assert quick is None


def test_where_there_is_no_history_there_is_no_answer(tmp_path: Path) -> None:
    assert histories(tmp_path) == (None, History())
