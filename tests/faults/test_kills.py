"""SIGKILL to the real command at random seeded instants of an offload and of a verify.

Some eighty in the suite, at other instants each day (see `support.sweep`); ROLLPROOF_KILLS sets another number, and
`make campaign` has its own by the thousand. Shown for each: no empty or half file under a final name, no record that
says too much, card untouched; in the end the same command completes, and what was right is never copied again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from support.forked import ForkedStation
from support.invariants import MARKER, Copy, Known, check_copy, check_finished, suspects
from support.station import Ended, Station, instants
from support.sweep import SEED
from support.trees import Blob, Tree, build

KILLS = int(os.environ.get("ROLLPROOF_KILLS", "80"))
SHARES = 4
ROLL = "A003"
CARD: Tree = {
    **{f"CLIPS/A003C{number:03}.mov": Blob(300_000 + number, seed=number) for number in range(1, 7)},
    **{f"CLIPS/A003C{number:03}.xml": Blob(900, seed=100 + number) for number in range(1, 7)},
    "A003.xml": b"<roll/>",
}


class Set:
    """A station, a card and two drives in plain folders."""

    def __init__(self, top: Path) -> None:
        for name in ("home", "desk", "one", "two"):
            (top / name).mkdir(parents=True)
        self.station = ForkedStation(Station(top / "home", top / "desk"))
        self.card = build(top / "card", CARD)
        self.known = Known.of(self.card)
        self.folders = [top / name / ROLL for name in ("one", "two")]
        self.offload: tuple[str | Path, ...] = (
            "offload", self.card, "--to", top / "one", "--to", top / "two", "--roll", ROLL, "--json",
        )  # fmt: skip

    def in_order(self) -> list[str]:
        """What is wrong, whatever was killed when."""
        out = self.known.changes(self.card)
        for folder in self.folders:
            out += [f"{folder.parent.name}: {problem}" for problem in check_copy(folder, self.known)]
        return out

    def right(self) -> dict[tuple[Path, bytes], int]:
        """Inodes of all files that are right and trusted."""
        found = {}
        for folder in self.folders:
            copy, distrusted = Copy.at(folder), suspects(folder)
            for path in copy.footage.keys() - distrusted:
                if not copy.right(self.known, path):
                    found[folder, path] = copy.inodes[path]
        return found

    def finish(self) -> list[str]:
        """Run to the end, and say what is missing then."""
        before = self.right()
        ended = self.station.run(*self.offload)
        out = [] if ended.status == 0 else [f"the rerun ended with {ended.status}: {ended.text[:500]}"]
        for folder in self.folders:
            out += [f"{folder.parent.name}: {problem}" for problem in check_finished(folder, self.known)]
        now = self.right()
        out += [
            f"{path!r} was right and was copied again"
            for (folder, path) in before
            if now.get((folder, path)) != before[folder, path]
        ]
        return out


@pytest.fixture
def set_up(tmp_path: Path) -> Set:
    return Set(tmp_path)


def _at_work(made: Set) -> Callable[[], bool]:
    """Says True from the moment a run that starts now has put its line into a marker."""

    def marks() -> list[tuple[int, int] | None]:
        out: list[tuple[int, int] | None] = []
        for folder in made.folders:
            try:
                found = os.stat(os.path.join(os.fsencode(folder), MARKER))
                out.append((found.st_ino, found.st_size))
            except OSError:
                out.append(None)
        return out

    before = marks()
    return lambda: any(now is not None and now != then for now, then in zip(marks(), before, strict=True))


def _length(made: Set) -> float:
    """How many seconds of the processor a run takes from its first mark to its end."""
    ended = made.station.run_and_kill(60.0, *made.offload, since=_at_work(made))
    assert ended.status == 0, ended.text
    return ended.work_seconds


@pytest.mark.timeout(900)
@pytest.mark.parametrize("share", range(SHARES))
def test_a_kill_at_any_instant_of_an_offload_breaks_no_invariant(set_up: Set, share: int) -> None:
    count = KILLS * 3 // 4 // SHARES
    length = _length(set_up)
    for folder in set_up.folders:
        _clear(folder)
    wrong: list[str] = []
    kills = inside = 0
    for number, instant in enumerate(instants(SEED * SHARES + share, count * 4, length)):
        if kills == count:
            break
        before = set_up.right()
        ended = set_up.station.run_and_kill(instant, *set_up.offload, since=_at_work(set_up))
        where = f"seed {SEED}, instant {number} ({instant:.3f} s of work)"
        wrong += [f"{where}: {problem}" for problem in set_up.in_order()]
        now = set_up.right()
        wrong += [
            f"{where}: {path!r} was right and was copied again"
            for (folder, path), inode in before.items()
            if now.get((folder, path)) != inode
        ]
        if ended.killed:
            kills += 1
            inside += any(Copy.at(folder).marker for folder in set_up.folders)
            if number % 3:
                continue  # the next run goes on where this one was killed, to be killed again
        wrong += [f"{where}: then {problem}" for problem in set_up.finish()]
        for folder in set_up.folders:
            _clear(folder)
    wrong += set_up.finish()
    assert not wrong, f"{len(wrong)} broken:\n" + "\n".join(wrong[:30])
    assert kills == count, f"only {kills} of {count} runs were killed before their end"
    # how many depends on how busy the machine is; none at all would mean that this test tests nothing
    assert inside > 0, f"none of {kills} kills fell into the copying"


@pytest.mark.timeout(900)
@pytest.mark.parametrize("share", range(SHARES // 2))
def test_a_kill_at_any_instant_of_a_verify_breaks_nothing(set_up: Set, share: int) -> None:
    count = KILLS // 4 // (SHARES // 2)
    assert set_up.finish() == []
    verify: tuple[str | Path, ...] = ("verify", *set_up.folders, "--json")
    whole = set_up.station.run(*verify)
    assert whole.status == 0, whole.text
    wrong: list[str] = []
    kills = 0
    seed = 1_000_000 + SEED * SHARES + share  # others than those of the offloads
    for instant in instants(seed, count * 3, whole.work_seconds, shortest_seconds=whole.work_seconds * 0.3):
        if kills == count:
            break
        ended: Ended = set_up.station.run_and_kill(instant, *verify)
        kills += ended.killed
        wrong += [f"seed {SEED}, {instant:.3f} s: {problem}" for problem in set_up.in_order()]
    again = set_up.station.run(*verify)
    assert again.status == 0, again.text
    for folder in set_up.folders:
        wrong += [f"left over: {path!r}" for path in Copy.at(folder).entries if path.endswith(b".rollproof-partial")]
    assert not wrong, f"{len(wrong)} broken:\n" + "\n".join(wrong[:30])
    assert kills == count


def _clear(folder: Path) -> None:
    import shutil  # noqa: PLC0415 - only here

    shutil.rmtree(folder, ignore_errors=True)
