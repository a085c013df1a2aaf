"""What a roll is called, and when only a person can say."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from card.trees_at_hand import listed, walked
from rollproof.card.clips import group_clips
from rollproof.card.roll_name import (
    FROM_CARD_FOLDER,
    FROM_CLIPS,
    FROM_FOLDER,
    FROM_LABEL,
    RollGuess,
    guess_roll,
    is_valid_roll_name,
    roll_name_problem,
)
from rollproof.models.folder_names import MAX_BYTES

DEMO = Path(__file__).parents[2] / "demo_media" / "cards"


def guess(names: list[str], top: str | bytes = "card", label: str = "") -> RollGuess:
    snapshot = listed(names)
    return guess_roll(snapshot, group_clips(snapshot), top if isinstance(top, bytes) else top.encode(), label)


CAMERA = ["A003C001_260514.mov", "A003C002_260514.mov"]
PLAIN = ["DCIM/100ABCDE/C0001.MP4"]

GUESSES: list[tuple[str, list[str], str, str, str | None, bool]] = [
    # what, files, mount folder, label, best, disagree
    ("clips alone", CAMERA, "card", "", "A003", False),
    ("clips with a gap before the counter", ["A003_C001_0514AB.R3D"], "x", "", "A003", False),
    ("clips with a date before the counter", ["A003_05140812_C012.braw"], "untitled", "", "A003", False),
    ("clips, folder and label agree", CAMERA, "A003", "A003", "A003", False),
    ("case and separators do not matter", CAMERA, "a_003", "A-003", "A003", False),
    ("a longer code of the same roll agrees", CAMERA, "A003R1BF", "A003R1BF", "A003", False),
    ("a folder with the day behind the roll agrees", ["A003_0514BF.RDM/A003_C001_0514BF.RDC/A003_C001_0514BF_001.R3D"],
     "A003", "A003_0514BF", "A003", False),
    ("a folder with the day behind another roll", ["A003_C001_0514BF.R3D"], "A0031_0514BF", "", "A003", True),
    ("what is no day behind the roll", ["A003_C001_0514BF.R3D"], "A003_2", "", "A003", True),
    ("the folder names another roll", CAMERA, "A004", "", "A003", True),
    ("the label names another roll", CAMERA, "card", "A004", "A003", True),
    ("one more digit is another roll", CAMERA, "A0031", "", "A003", True),
    ("two rolls on one card", [*CAMERA, "B001C001_260514.mov"], "card", "", "A003", True),
    ("the folder on the card names another roll", [f"B001R1AA/{CAMERA[0]}"], "card", "", "A003", True),
    ("generic names are no guesses", CAMERA, "UNTITLED", "NO NAME", "A003", False),
    ("numbered media are no guesses", CAMERA, "CARD_07", "USB 2", "A003", False),
    ("the number of a volume is no guess", CAMERA, "1A2B-3C4D", "", "A003", False),
    ("the number of a volume alone", PLAIN, "1A2B-3C4D", "20260514", None, False),
    ("folder alone", PLAIN, "A003", "", "A003", False),
    ("label alone", PLAIN, "mnt", "S001", "S001", False),
    ("folder and label differ", PLAIN, "A003", "B001", "A003", True),
    ("a sound roll", ["SR012/T01_1.WAV"], "sdcard", "", "SR012", False),
    ("a folder on the card with its suffix", ["A003.RDM/A003_C001.RDC/x.R3D"], "card", "", "A003", False),
    ("nothing tells", PLAIN, "card", "UNTITLED", None, False),
    ("nothing at all", [], "", "", None, False),
    ("a telling word where nothing looks like a roll", PLAIN, "belltower", "", "belltower", False),
    ("two telling words that differ", PLAIN, "belltower", "CASTING", "belltower", True),
    ("a roll beats a telling word", PLAIN, "belltower", "A003", "A003", False),
    ("a name no folder can have is no guess", PLAIN, "a:b", "x/y", None, False),
    ("a counter without a roll is no guess", ["C0001.MP4", "IMG_0002.mov"], "card", "", None, False),
    ("scene and take are no roll", ["S01T003.wav"], "card", "", None, False),
]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "names", "top", "label", "best", "disagree"), GUESSES, ids=[row[0] for row in GUESSES]
)
def test_the_roll_is_guessed_when(
    what: str, names: list[str], top: str, label: str, best: str | None, disagree: bool
) -> None:
    found = guess(names, top, label)
    assert (found.best, found.disagree) == (best, disagree)
    assert (found.candidates[0][0] if found.candidates else None) == best


def test_each_candidate_says_where_it_was_read() -> None:
    assert guess([f"A003R1BF/{CAMERA[0]}"], "A003", "A003").candidates == (
        ("A003", FROM_CLIPS), ("A003R1BF", FROM_CARD_FOLDER), ("A003", FROM_FOLDER), ("A003", FROM_LABEL)
    )  # fmt: skip


def test_a_mount_folder_that_is_not_text_is_no_guess() -> None:
    assert guess(PLAIN, b"A003\xff").best is None


@pytest.mark.parametrize(("card", "roll"), [("A003", "A003"), ("B002", "B002"), ("S001", "S001")])
def test_the_demo_cards_name_their_rolls(card: str, roll: str) -> None:
    snapshot = walked(DEMO / card)
    found = guess_roll(snapshot, group_clips(snapshot), b"card", "")
    assert (found.best, found.disagree) == (roll, False)


@given(st.lists(st.text(max_size=20), max_size=4), st.binary(max_size=20), st.text(max_size=20))
def test_whatever_the_card_says_a_guess_is_a_name_every_drive_can_hold(
    names: list[str], top: bytes, label: str
) -> None:
    usable = [name.encode("utf-8", "replace").replace(b"/", b"_").replace(b"\0", b"_") + b".mov" for name in names]
    snapshot = listed(usable)
    found = guess_roll(snapshot, group_clips(snapshot), top, label)
    assert all(is_valid_roll_name(name) for name, _ in found.candidates)


GOOD = [
    "A003",
    "a roll",
    "Rolle-ä",
    "鐘",
    "🔔",
    "A003.RDC",
    "S001_MIX",
    "x" * MAX_BYTES,
    "CONTENT",
    "com",
    "ascmhl2",
    "12",
]
BAD = {
    "": "empty", "a/b": "/", "a\\b": "\\", "a:b": ":", 'a"b': '"', "a*": "*", "a?": "?", "a<b": "<", "a>b": ">",
    "a|b": "|",
    " a": "space", "a ": "space", "a.": "dot", ".": "dot", "..": "dot", ".a": "begins with .", "-rf": "begins with -",
    "~": "begins with ~", "con": "Windows", "NUL.txt": "Windows", "Com1": "Windows", "LPT9.a.b": "Windows",
    "ascmhl": "itself",
    "RollProof": "itself", "x.rollproof-partial": "itself", "a\nb": "control", "a\x1b[31m": "control",
    "a\u202eb": "control", "a\u200bb": "control", "a\0b": "control", "x" * (MAX_BYTES + 1): "longer",
    "ä" * MAX_BYTES: "longer", "a\u0308": "NFC", "a\udcff": "Unicode",
}  # fmt: skip


@pytest.mark.parametrize("name", GOOD)
def test_a_name_every_file_system_can_hold_is_a_roll_name(name: str) -> None:
    assert roll_name_problem(name) is None
    assert is_valid_roll_name(name)


@pytest.mark.parametrize("name", BAD, ids=[ascii(name)[:30] for name in BAD])
def test_a_name_some_file_system_cannot_hold_is_refused_with_the_reason(name: str) -> None:
    problem = roll_name_problem(name)
    assert problem is not None
    assert BAD[name] in problem
    assert not is_valid_roll_name(name)
