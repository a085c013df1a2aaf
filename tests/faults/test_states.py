"""What a drive is called when the trouble is not its own, or comes late: never more than what is shown."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

import pytest

from support.faults import Fail, Rule
from support.invariants import check_copy, check_finished
from support.stage import Stage, stage


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


def on_card(place: Stage, operation: str, path: bytes, nth: int = 1, *, onward: bool = False) -> Rule:
    return Rule(Fail(errno.EIO), operation, path=path, drive=os.fsencode(place.card), nth=nth, onward=onward)


# the first time that a folder is listed is the question whether this is a card or a recorded copy: where that cannot
# be told, it is opened as a card, and whoever opens it says what is wrong
LISTING = {
    "a folder that cannot be listed": ("list_folder", b"CLIPS", 2),
    "an empty folder that cannot be listed": ("list_folder", b"SOUND", 2),
    "a folder that cannot be opened": ("open_folder", b"CLIPS", 2),
    "a file about which nothing can be learnt": ("stat", b"CLIPS/A003C002.mov", 1),
    "an empty folder that cannot be listed at the last look": ("list_folder", b"SOUND", 3),
}


@pytest.mark.parametrize("case", LISTING)
def test_a_copy_of_a_card_that_could_not_be_seen_whole_is_incomplete_and_says_so_on_the_drive(
    place: Stage, case: str
) -> None:
    place.clear()
    run = place.run([on_card(place, *LISTING[case])])
    assert run.io.reached
    assert run.result is not None, run.crash
    assert run.result.verdict == "not proven"
    assert int(run.result.status) == 1
    assert set(run.states().values()) == {"incomplete"}
    for folder in place.folders().values():
        assert (folder / "NOT-FINISHED.rollproof-partial").exists()
        assert check_copy(folder, place.known) == []
    place.let_an_hour_pass()
    again = place.run()
    assert again.result is not None
    assert again.result.verdict == "proven", again.result.rolls[0].findings
    for folder in place.folders().values():
        assert check_finished(folder, place.known) == []


@pytest.mark.parametrize(("operation", "nth"), [("open_root", 2), ("fstat", 1), ("list_folder", 2)])
def test_a_card_that_opens_and_then_fails_is_refused_with_a_sentence(place: Stage, operation: str, nth: int) -> None:
    place.clear()
    run = place.run([on_card(place, operation, b"", nth)])
    assert run.io.reached
    assert not run.crash
    assert run.result is not None
    assert int(run.result.status) == 3
    assert not any(copy.exists for copy in place.copies().values())


@pytest.mark.parametrize("operation", ["create", "write_from", "flush", "close"])
def test_a_drive_that_fails_right_after_its_record_is_not_called_proven(place: Stage, operation: str) -> None:
    """The question after the offload writes a small file to every counted drive."""
    place.clear()
    rule = Rule(Fail(errno.EIO), operation, path=b"*may-wipe-probe*", drive=os.fsencode(place.drives["one"]))
    run = place.run([rule])
    assert run.io.reached
    assert run.result is not None, run.crash
    roll = run.result.rolls[0]
    assert run.states() == {"one": "failed", "two": "proven"}
    assert (roll.verdict, int(run.result.status)) == ("not proven", 4)
    assert (roll.copies_counted, roll.enough_copies) == (1, False)
    assert roll.card is not None
    assert roll.card.answer == "KEEP"
    named = next(at for at in roll.destinations if at.drive == "one").findings
    assert any("failed right after" in finding.detail for finding in named)
    again = place.verify()
    assert again.result is not None
    assert again.result.verdict == "proven"
