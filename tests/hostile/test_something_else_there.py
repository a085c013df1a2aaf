"""Something else in the place of a file: in a copy and on a card, before every command that looks at it.

Nothing is followed, waited for, replaced or counted; nothing outside is touched.
"""

from __future__ import annotations

import os
import shutil
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hostile.place import Papers, Place, answer, findings, no_traceback
from rollproof.models.names import MARKER_NAME
from support.counting import FAULTS
from support.devices import Devices
from support.invariants import Known
from workflows.wipe_bench import FIRST, Bench

CLIP = "CLIPS/A003C001.mov"
_SOON_SECONDS = 20.0


def _pipe(at: Path, _: Path) -> None:
    os.mkfifo(at)


def _socket(at: Path, _: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        here = os.open(at.parent, os.O_RDONLY)
        made.bind(f"/proc/self/fd/{here}/{at.name}")
        os.close(here)


def _device(at: Path, _: Path) -> None:
    os.mknod(at, 0o600 | 0o020000, os.makedev(1, 5))  # endless zeros


def _folder(at: Path, _: Path) -> None:
    at.mkdir()


def _link(at: Path, outside: Path) -> None:
    at.symlink_to(outside)


def _hard_link(at: Path, outside: Path) -> None:
    os.link(outside, at)


def _link_to_itself(at: Path, _: Path) -> None:
    at.symlink_to(at.name)


THINGS: dict[str, Callable[[Path, Path], None]] = {
    "a pipe": _pipe,
    "a socket": _socket,
    "a device": _device,
    "a folder": _folder,
    "a link": _link,
    "a second name of somebody else's file": _hard_link,
    "a link to itself": _link_to_itself,
}
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root makes device nodes")


def _put(thing: str, at: Path, twin: Path) -> None:
    """Replace a file; `twin` has its very size and time and other bytes."""
    status = at.stat()
    twin.unlink(missing_ok=True)
    twin.write_bytes(bytes(status.st_size))
    os.utime(twin, ns=(status.st_mtime_ns, status.st_mtime_ns))
    at.unlink()
    THINGS[thing](at, twin)
    FAULTS.add(f"{thing} in the place of a file")


@pytest.fixture(scope="module")
def proven(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Place, Papers]]:
    """A roll proven on one drive."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROLLPROOF_HOME", str(tmp_path_factory.mktemp("home")))
        made = Place(tmp_path_factory.mktemp("else"))
        assert made.offload("--to", str(made.one)).status == 0
        yield made, Papers(made.roll, tmp_path_factory.mktemp("kept"))


@pytest.fixture
def place(proven: tuple[Place, Papers]) -> Place:
    """The same with whole papers and whole files."""
    made, papers = proven
    papers.restore()
    at = made.roll / CLIP
    if at.is_dir() and not at.is_symlink():
        at.rmdir()
    elif os.path.lexists(at):
        at.unlink()
    shutil.copy2(made.card / CLIP, at)
    (made.roll / os.fsdecode(MARKER_NAME)).unlink(missing_ok=True)
    return made


@needs_root
@pytest.mark.parametrize("thing", THINGS)
def test_in_a_copy_it_is_named_by_verify_and_by_a_resumed_offload_and_stays(place: Place, thing: str) -> None:
    at, twin = place.roll / CLIP, place.top / "twin"
    _put(thing, at, twin)
    before, outside = os.lstat(at), Known.of(place.card)
    content = twin.read_bytes()
    began = time.monotonic()
    verified, offloaded = place.verify(), place.offload("--to", str(place.one))
    assert time.monotonic() - began < _SOON_SECONDS
    for ran in (verified, offloaded):
        no_traceback(ran)
        assert ran.status in (1, 3), ran.out
        assert any(CLIP in f"{found['path']} {found['detail']}" for found in findings(answer(ran))), ran.out
    now = os.lstat(at)
    assert (now.st_ino, now.st_mode, now.st_mtime_ns) == (before.st_ino, before.st_mode, before.st_mtime_ns)
    assert twin.read_bytes() == content
    assert outside.changes(place.card) == []


@needs_root
@pytest.mark.parametrize("thing", THINGS)
def test_in_the_place_of_the_marker_it_is_neither_read_nor_written(place: Place, thing: str) -> None:
    shutil.rmtree(place.roll / "rollproof")
    shutil.rmtree(place.roll / "ascmhl")
    at, twin = place.roll / os.fsdecode(MARKER_NAME), place.top / "twin"
    at.write_bytes(b"x" * 50)
    _put(thing, at, twin)
    content = twin.read_bytes()
    ran = place.offload("--to", str(place.one))
    no_traceback(ran)
    assert twin.read_bytes() == content
    if at.is_dir() and not at.is_symlink():
        at.rmdir()
    elif os.path.lexists(at):
        at.unlink()


@pytest.mark.parametrize(
    "text",
    [
        b'{"suspect": "../outside/secret.txt", "size": 10, "modified_ns": 0}\n',
        b'{"suspect": "/etc/passwd", "size": 10, "modified_ns": 0}\n',
        b'{"suspect": "CLIPS/A003C001.mov", "size": 70000, "modified_ns": 1}\n',
        b'{"suspect": "x", "suspect_b64": "Li4vb3V0c2lkZS9zZWNyZXQudHh0", "size": 10, "modified_ns": 0}\n',
        b'{"suspect": "rollproof", "size": 10, "modified_ns": 0}\n',
        b"\x00\xff" * 1000,
        b"[" * 100_000 + b"\n",
    ],
    ids=["parent", "absolute", "another date", "hidden parent", "our folder", "noise", "deep"],
)
def test_a_forged_marker_makes_nothing_be_replaced_or_removed(place: Place, text: bytes) -> None:
    shutil.rmtree(place.roll / "rollproof")
    shutil.rmtree(place.roll / "ascmhl")
    (place.roll / os.fsdecode(MARKER_NAME)).write_bytes(b'{"not_finished": "x", "host": "elsewhere"}\n' + text)
    FAULTS.add("forged marker")
    inode = (place.roll / CLIP).stat().st_ino
    with place.guarded():
        ran = place.offload("--to", str(place.one))
    no_traceback(ran)
    assert ran.status in (0, 1, 3)
    assert (place.roll / CLIP).stat().st_ino == inode
    assert (place.roll / CLIP).read_bytes() == (place.card / CLIP).read_bytes()


@pytest.mark.device
@pytest.mark.timeout(240)
def test_a_card_is_kept_when_a_copy_or_the_card_holds_something_else(devices: Devices, tmp_path: Path) -> None:
    bench = Bench(devices, tmp_path)
    for thing, make in THINGS.items():
        for where in ("copy", "card"):
            bench.sweep()
            bench.offload()
            at = (bench.roll(bench.one) if where == "copy" else bench.card.mount) / FIRST
            _put(thing, at, (bench.one if where == "copy" else bench.card).mount / "twin")
            began = time.monotonic()
            # another file of the same size and date is only seen by reading it, as the page of guarantees says
            told = bench.ask(reread_copies=make is _hard_link)
            assert told.answer == "KEEP", (thing, where)
            assert time.monotonic() - began < _SOON_SECONDS
            assert "permit" not in bench.kinds(bench.two), (thing, where)
