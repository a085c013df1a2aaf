"""What a hostile file does to the native media library, it does in a process of its own: *not known*, nothing else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from media import bad_reader
from media.checked import Checked
from media.corpus import corpus
from rollproof.media.facts import read_facts
from rollproof.media.problems import CannotSay, Failure, LibraryFailed
from rollproof.media.reader import process as reader_process
from rollproof.media.reader.process import MOST_FAILURES, Readers
from rollproof.media.reader.talk import ASK_FACTS
from rollproof.media.source import BytesSource

ISO = "ISO media"
GOOD = BytesSource(corpus()["prores.mov"])
TRAP = BytesSource(corpus()["prores.mov"][:2000] + bad_reader.TRAP)
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of POSIX")
linux = pytest.mark.skipif(sys.platform != "linux", reason="address space and paths are closed on Linux")

Start = Callable[..., Readers]


@pytest.fixture
def bad() -> Iterator[Start]:
    """Readers whose library does something bad with a trap, and reads every other file."""
    started: list[Readers] = []

    def start(what: str, *more: str, seconds: float = 20) -> Readers:
        started.append(Readers((sys.executable, "-P", bad_reader.__file__, what, *more), facts_seconds=seconds))
        return started[-1]

    yield start
    for readers in started:
        readers.close()


def _children() -> set[int]:
    folder = Path(f"/proc/{os.getpid()}/task")
    return {int(each) for task in folder.iterdir() for each in (task / "children").read_text().split()}


@posix
@pytest.mark.parametrize("what", ["crash", "leave", "babble", "lie"])
def test_what_goes_wrong_there_costs_one_file_its_facts(bad: Start, what: str) -> None:
    readers = bad(what)
    assert readers.facts(GOOD, ISO).codec == "ProRes HQ"

    with pytest.raises(CannotSay):
        readers.facts(TRAP, ISO)

    assert readers.facts(GOOD, ISO).codec == "ProRes HQ"


@posix
def test_bytes_that_are_no_text_arrive_as_text_that_every_paper_can_hold(bad: Start) -> None:
    found = bad("half_characters").facts(TRAP, ISO)
    assert (found.reel, found.codec) == ("A00?1", "?" * 256)


@posix
@pytest.mark.parametrize("what", ["hang", "ask_for_ever"])
def test_one_that_never_ends_is_ended(bad: Start, what: str) -> None:
    readers = bad(what, seconds=1.0)

    with pytest.raises(CannotSay):
        readers.facts(TRAP, ISO)

    assert readers.failures == 1
    assert readers.facts(GOOD, ISO).codec == "ProRes HQ"


@linux
def test_one_that_eats_memory_gets_no_more_than_its_share(bad: Start) -> None:
    readers = bad("eat")

    with pytest.raises(CannotSay):
        readers.facts(TRAP, ISO)

    assert readers.facts(GOOD, ISO).codec == "ProRes HQ"


@posix
def test_after_some_failures_none_is_started_any_more(bad: Start) -> None:
    readers = bad("leave")
    for _ in range(MOST_FAILURES):
        with pytest.raises(CannotSay):
            readers.facts(TRAP, ISO)

    with pytest.raises(CannotSay, match="too many"):
        readers.facts(GOOD, ISO)


@posix
@pytest.mark.parametrize("what", ["unfit", "nothing"])
def test_a_library_that_does_not_work_here_is_not_blamed_on_the_files(bad: Start, what: str) -> None:
    readers = bad(what)
    told = set()
    for _ in range(MOST_FAILURES + 2):
        with pytest.raises(LibraryFailed) as failed:
            readers.facts(GOOD, ISO)
        told.add(failed.value.failure)

    assert (told, readers.failures) == ({Failure.AT_ALL}, MOST_FAILURES)


@posix
def test_who_failed_is_told_apart(bad: Start) -> None:
    readers = bad("leave")
    told = []
    for _ in range(MOST_FAILURES + 1):
        with pytest.raises(LibraryFailed) as failed:
            readers.facts(TRAP, ISO)
        told.append(failed.value.failure)

    assert told == [Failure.OVER_IT] * MOST_FAILURES + [Failure.TOO_OFTEN]


class Slow(Checked):
    """A medium of which every read takes a while, by a clock that it moves on."""

    def __init__(self, data: bytes, seconds: float, then: Callable[[], None] = lambda: None) -> None:
        super().__init__(data)
        self.now = 0.0
        self._seconds = seconds
        self._then = then

    def at(self, offset: int, length: int) -> bytes:
        self.now += self._seconds
        self._then()
        return super().at(offset, length)


def test_a_slow_medium_is_waited_for_a_few_seconds_in_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(reader_process.MEDIUM_SECONDS, ASK_FACTS, 0.5)
    slow = Slow(corpus()["prores.mov"], 1.0)
    readers = Readers(clock=lambda: slow.now)
    try:
        with pytest.raises(CannotSay):
            readers.facts(slow, ISO)
        assert slow.asked == 1
        assert (readers.failures, readers.facts(GOOD, ISO).width) == (0, 64)
    finally:
        readers.close()


@posix
def test_a_medium_that_hangs_is_not_blamed_on_the_library() -> None:
    def ended() -> None:  # as the watch does when time is up
        (reader,) = readers._all
        reader._process.kill()
        reader._process.wait()

    hanging = Slow(corpus()["prores.mov"], 30.0, ended)
    readers = Readers(clock=lambda: hanging.now)
    try:
        for _ in range(MOST_FAILURES + 1):
            with pytest.raises(CannotSay, match="medium"):
                readers.facts(hanging, ISO)
        assert (readers.failures, readers.facts(GOOD, ISO).width) == (0, 64)
    finally:
        readers.close()


@linux
def test_it_reaches_no_path_and_has_no_handle_of_ours(bad: Start, tmp_path: Path) -> None:
    seen = tmp_path / "card" / "A003C001.mov"
    seen.parent.mkdir()
    seen.write_bytes(b"picture")
    card = os.open(seen.parent, os.O_RDONLY)
    os.set_inheritable(card, True)
    try:
        told = bad("reach", str(seen), str(tmp_path / "made")).facts(TRAP, ISO).codec
    finally:
        os.close(card)

    assert json.loads(told) == [[], [0, 1, 2, 3]]
    assert [path.name for path in tmp_path.rglob("*")] == ["card", "A003C001.mov"]


@linux
def test_it_stands_in_no_folder_and_ends_with_the_program(tmp_path: Path) -> None:
    (tmp_path / "av.py").write_text("raise SystemExit('imported from the folder that somebody stood in')")
    program = (
        "import os, pathlib, sys\n"
        "from rollproof.media.reader.process import readers\n"
        "from rollproof.media.source import BytesSource\n"
        "data = pathlib.Path(sys.argv[1]).read_bytes()\n"
        "print(readers().facts(BytesSource(data), 'ISO media').codec, flush=True)\n"
        "child = readers()._idle[0]._process.pid\n"
        "print(child, os.readlink(f'/proc/{child}/cwd'), 'av' in sys.modules, flush=True)\n"
        "os.kill(os.getpid(), 9) if len(sys.argv) > 2 else None\n"
    )
    movie = tmp_path / "a.mov"
    movie.write_bytes(corpus()["prores.mov"])
    for how in ([], ["killed"]):
        ran = subprocess.run(
            [sys.executable, "-P", "-c", program, str(movie), *how],
            cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        codec, told = ran.stdout.splitlines()
        child, folder, imported = told.split()

        # communicate() waits for the pipes: the child, whose errors go elsewhere, does not hold them
        assert (codec, folder, imported, ran.stderr) == ("ProRes HQ", "/", "False", "")
        assert _gone(int(child))


def _gone(process: int) -> bool:
    """Whether it ends within a few seconds."""
    waiting = threading.Event()
    for _ in range(100):
        try:
            if Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except FileNotFoundError:
            return True
        waiting.wait(0.05)
    return False


def test_one_process_serves_many_files() -> None:
    readers = Readers()
    try:
        found = {name: readers.facts(BytesSource(corpus()[name]), ISO).width for name in ("prores.mov", "dnx.mov")}
        assert found == {"prores.mov": 64, "dnx.mov": 256}
        assert len(readers._all) == 1
    finally:
        readers.close()


def test_several_threads_get_their_own_answers() -> None:
    readers = Readers()
    wrong: list[object] = []

    def ask(name: str, wide: int) -> None:
        for _ in range(10):
            found = readers.facts(BytesSource(corpus()[name]), ISO).width
            if found != wide:
                wrong.append((name, found))

    threads = [
        threading.Thread(target=ask, args=each) for each in (("prores.mov", 64), ("dnx.mov", 256), ("mjpeg.mov", 64))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    try:
        assert wrong == []
        assert len(readers._all) <= 2
    finally:
        readers.close()


class Failing(Checked):
    def at(self, offset: int, length: int) -> bytes:
        if self.asked >= 2:
            raise OSError(5, "Input/output error")
        return super().at(offset, length)


def test_a_card_that_fails_is_told_as_such_and_the_process_lives_on() -> None:
    readers = Readers()
    try:
        with pytest.raises(OSError, match="Input/output error"):
            readers.facts(Failing(corpus()["prores.mov"]), ISO)
        assert readers.facts(GOOD, ISO).width == 64
        assert readers.failures == 0
    finally:
        readers.close()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork")
def test_a_fork_of_this_program_starts_its_own() -> None:
    assert read_facts(GOOD, b"A.MOV").width == 64
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            mine = read_facts(GOOD, b"A.MOV").width
            ours = reader_process.readers()
            os.write(write, json.dumps([mine, len(ours._all)]).encode())
            ours.close()
        finally:
            os._exit(0)
    os.close(write)
    assert json.loads(os.read(read, 100)) == [64, 1]
    os.close(read)
    os.waitpid(child, 0)
    assert read_facts(GOOD, b"A.MOV").width == 64


@pytest.mark.parametrize(
    "said",
    [b"", b"[]", b"{}", b'{"width": -1}', b"[" * 9000, b"\xff\xfe", b'{"duration_seconds": [1, 0]}', b"1" * 9000],
)
def test_facts_that_make_no_sense_are_none(said: bytes) -> None:
    with pytest.raises(CannotSay):
        reader_process._facts(said)


def test_facts_of_the_right_form_pass() -> None:
    whole = {
        "duration_seconds": [12, 25], "start_timecode": "", "frame_rate": None, "width": 64, "height": None,
        "codec": "x" * 5000, "reel": "", "scene": "", "take": "", "channels": None, "sample_rate": None,
    }  # fmt: skip
    facts = reader_process._facts(json.dumps(whole).encode())
    assert (facts.duration_seconds, facts.width, len(facts.codec)) == (Fraction(12, 25), 64, 256)
    for name, value in (
        ("width", 1.5),
        ("width", 1 << 40),
        ("frame_rate", [1, 0]),
        ("frame_rate", [1]),
        ("height", ""),
    ):
        with pytest.raises(CannotSay):
            reader_process._facts(json.dumps(whole | {name: value}).encode())
