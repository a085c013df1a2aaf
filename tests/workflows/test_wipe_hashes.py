"""What a card holds by path: what was read, what was noted, and notes that contradict each other."""

from __future__ import annotations

from rollproof.copies.tree_hashes import HashesByPath
from rollproof.models.tree import FileEntry

FILES = [FileEntry(b"A/one.mov", 5, 1), FileEntry(b"A/two.mov", 6, 1), FileEntry(b"B/three.wav", 7, 1)]


def test_what_was_read_is_found_by_path_and_what_was_not_read_is_not() -> None:
    hashes = HashesByPath(FILES)
    hashes.take_in(0, {"md5": "0a", "c4": "c41"})
    hashes.take_in(2, {"md5": "0b"})
    assert dict(hashes) == {b"A/one.mov": {"md5": "0a", "c4": "c41"}, b"B/three.wav": {"md5": "0b"}}
    assert b"A/two.mov" not in hashes
    assert sorted(hashes.texts("md5")) == ["0a", "0b"]
    assert list(hashes.texts("sha1")) == []


def test_the_first_note_stands_and_another_one_is_seen_to_contradict_it() -> None:
    hashes = HashesByPath(FILES)
    assert hashes.remembered(b"A/one.mov", "md5", "0a") == "0a"
    assert hashes.remembered(b"A/one.mov", "md5", "0a") == "0a"
    assert hashes.remembered(b"A/one.mov", "md5", "0b") == "0a"
    assert hashes[b"A/one.mov"] == {"md5": "0a"}


def test_a_note_of_an_impossible_length_is_no_word_that_anything_could_agree_with() -> None:
    hashes = HashesByPath(FILES)
    hashes.remembered(b"A/one.mov", "md5", "0a")
    assert hashes.remembered(b"A/two.mov", "md5", "0a0") != "0a0"
    assert b"A/two.mov" not in hashes


def test_notes_of_a_file_that_is_not_on_the_card_contradict_each_other_too() -> None:
    hashes = HashesByPath(FILES)
    assert hashes.remembered(b"elsewhere", "md5", "0a") == "0a"
    assert hashes.remembered(b"elsewhere", "md5", "0b") == "0a"
    assert sorted(hashes.texts("md5")) == ["0a"]
