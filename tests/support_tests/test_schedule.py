"""The order of the tests: what is quick comes first, and tests that share what takes long go to one worker."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.schedule import BOTTOM_UP, LONGEST, SLOW_ROOMS, TOGETHER, in_turn

TESTS = Path(__file__).resolve().parents[1]


class Found(pytest.Item):
    """A test as it was collected, of this module and with these marks."""

    def runtest(self) -> None:
        """Nothing."""


def found(session: pytest.Session, module: str, *marks: str) -> Found:
    item: Found = Found.from_parent(session, name="test", nodeid=f"tests/{module}::test")
    for mark in marks:
        item.add_marker(getattr(pytest.mark, mark))
    return item


def test_the_quick_ones_come_first_bottom_up_and_then_the_slow_ones_the_longest_first(
    request: pytest.FixtureRequest,
) -> None:
    session = request.session
    long = LONGEST[0].removeprefix("tests/")
    given = [
        found(session, "faults/test_kills.py"),
        found(session, "cli/test_words.py"),
        found(session, "workflows/test_verify.py", "path"),
        found(session, "storage/test_posix.py", "device"),
        found(session, long),
        found(session, "storage/test_files.py"),
        found(session, "records/test_signing.py", "slow"),
    ]
    named = [item.nodeid.removeprefix("tests/").removesuffix("::test") for item in in_turn(given)]
    assert named == [
        "storage/test_files.py",
        "cli/test_words.py",
        "workflows/test_verify.py",
        long,
        "faults/test_kills.py",
        "storage/test_posix.py",
        "records/test_signing.py",
    ]


def test_what_is_named_by_its_place_is_there() -> None:
    assert [name for name in (*LONGEST, *TOGETHER) if not (TESTS.parent / name).is_file()] == []
    assert [room for room in SLOW_ROOMS if not (TESTS / room).is_dir()] == []
    source = TESTS.parent / "src" / "rollproof"
    assert [room for room in BOTTOM_UP if not (source / room).is_dir()] == []
