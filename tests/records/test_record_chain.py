"""Every way to tamper with a chain is told apart by kind and wording, and none crashes."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from records.samples import ROLL, Roll, offload_header, roll_folder, rows, verify_header
from rollproof.models.findings import Kind, Severity
from rollproof.records.chain import Chain, compare_with_memory, read_chain

FIRST = "0001_offload_2026-05-14T081502Z.json"
SECOND = "0002_verify_2026-05-14T081502Z.json"
THIRD = "0003_verify_2026-05-14T081502Z.json"
FOURTH = "0004_verify_2026-05-14T081502Z.json"


@pytest.fixture
def four(roll: Roll) -> Roll:
    """A chain of an offload and three verifies."""
    roll.offload(*rows(*ROLL))
    for _ in range(3):
        roll.append(verify_header())
    return roll


def _flip(path: Path, at: int = -20) -> None:
    text = bytearray(path.read_bytes())
    text[at] ^= 1
    path.write_bytes(text)


def _one_byte(roll: Roll) -> None:
    text = roll.record(SECOND).read_bytes()
    roll.record(SECOND).write_bytes(text.replace(b'"role": "primary"', b'"role": "primari"', 1))


def _one_byte_of_a_hash(roll: Roll) -> None:
    text = roll.record(FIRST).read_bytes()
    at = text.index(b'"xxh128": "') + 15
    _flip(roll.record(FIRST), at)


def _dropped(roll: Roll) -> None:
    roll.record(SECOND).unlink()


def _two_dropped(roll: Roll) -> None:
    roll.record(SECOND).unlink()
    roll.record(THIRD).unlink()


def _first_dropped(roll: Roll) -> None:
    roll.record(FIRST).unlink()


def _swapped(roll: Roll) -> None:
    aside = roll.record("aside")
    roll.record(SECOND).rename(aside)
    roll.record(THIRD).rename(roll.record(SECOND))
    aside.rename(roll.record(THIRD))


def _dropped_and_renamed(roll: Roll) -> None:
    roll.record(SECOND).unlink()
    roll.record(THIRD).rename(roll.record(SECOND))


def _dropped_and_renumbered(roll: Roll) -> None:
    roll.record(SECOND).unlink()
    text = roll.record(THIRD).read_bytes().replace(b'"sequence": 3', b'"sequence": 2')
    roll.record(THIRD).unlink()
    roll.record(SECOND).write_bytes(text)


def _truncated(roll: Roll) -> None:
    text = roll.record(SECOND).read_bytes()
    roll.record(SECOND).write_bytes(text[: len(text) // 2])


def _newest_truncated(roll: Roll) -> None:
    text = roll.record(FOURTH).read_bytes()
    roll.record(FOURTH).write_bytes(text[:-2])


def _emptied(roll: Roll) -> None:
    roll.record(SECOND).write_bytes(b"")


def _unreadable(roll: Roll) -> None:
    text = roll.record(SECOND).read_bytes()
    roll.record(SECOND).write_bytes(text.replace(b'"verdict": "proven"', b'"verdict": "lovely"'))


def _linked(roll: Roll) -> None:
    aside = roll.path.parent / "aside.json"
    roll.record(FOURTH).rename(aside)
    roll.record(FOURTH).symlink_to(aside)


def _piped(roll: Roll) -> None:
    roll.record(FOURTH).unlink()
    os.mkfifo(roll.record(FOURTH))


def _gap(roll: Roll) -> None:
    roll.record(FOURTH).rename(roll.record("0009_verify_2026-05-14T081502Z.json"))


def _of_another_roll(roll: Roll) -> None:
    with roll_folder(roll.path.parent / "B007") as other:
        other.offload(*rows(*ROLL), roll="B007")
        shutil.copy(other.record(FIRST), roll.record("0005_offload_2026-05-14T081502Z.json"))


def _of_another_tool(roll: Roll) -> None:
    roll.record("0005_offload_2026-05-14T081502Z.json").write_text('{"format": "something else"}\n')


def _of_a_later_version(roll: Roll) -> None:
    text = roll.record(FOURTH).read_bytes().replace(b"rollproof-record/1", b"rollproof-record/9")
    roll.record("0005_verify_2026-05-14T081502Z.json").write_bytes(text)


def _one_number_twice(roll: Roll) -> None:
    shutil.copy(roll.record(SECOND), roll.record("0002_verify_2026-05-14T091502Z.json"))


def _renamed_kind(roll: Roll) -> None:
    roll.record(SECOND).rename(roll.record("0002_permit_2026-05-14T081502Z.json"))


TAMPERED: dict[str, tuple[Callable[[Roll], None], Kind, str, dict[str, str]]] = {
    "one byte changed": (_one_byte, Kind.CHAIN_BROKEN, "was changed", {SECOND: "changed"}),
    "one byte of a hash": (_one_byte_of_a_hash, Kind.CHAIN_BROKEN, "was changed", {FIRST: "changed"}),
    "one dropped": (_dropped, Kind.RECORD_MISSING, "Record 2 is missing", {}),
    "two dropped": (_two_dropped, Kind.RECORD_MISSING, "Records 2 to 3 are missing", {}),
    "the first dropped": (_first_dropped, Kind.RECORD_MISSING, "Record 1 is missing", {}),
    "two swapped": (_swapped, Kind.CHAIN_BROKEN, "swapped", {SECOND: "swapped", THIRD: "swapped"}),
    "one dropped, the next renamed": (_dropped_and_renamed, Kind.CHAIN_BROKEN, "renamed", {SECOND: "swapped"}),
    "one dropped, the next made to fit": (_dropped_and_renumbered, Kind.CHAIN_BROKEN, "removed", {FIRST: "changed"}),
    "one cut off": (_truncated, Kind.BAD_RECORD, "cut off", {SECOND: "truncated"}),
    "the newest cut off": (_newest_truncated, Kind.BAD_RECORD, "cut off", {FOURTH: "truncated"}),
    "one emptied": (_emptied, Kind.BAD_RECORD, "cut off", {SECOND: "truncated"}),
    "one unreadable": (_unreadable, Kind.BAD_RECORD, "unreadable", {SECOND: "unreadable"}),
    "the newest a link": (_linked, Kind.BAD_RECORD, "a link, a pipe", {FOURTH: "unreadable"}),
    "the newest a pipe": (_piped, Kind.BAD_RECORD, "a link, a pipe", {FOURTH: "unreadable"}),
    "a gap": (_gap, Kind.RECORD_MISSING, "Records 4 to 8 are missing", {}),
    "of another roll": (_of_another_roll, Kind.FOREIGN_RECORD, "another roll: B007", {}),
    "of another tool": (_of_another_tool, Kind.FOREIGN_RECORD, "foreign file", {}),
    "of a later version": (
        _of_a_later_version,
        Kind.NEWER_VERSION,
        "newer version",
        {"0005_verify_2026-05-14T081502Z.json": "newer"},
    ),
    "one number twice": (_one_number_twice, Kind.CHAIN_BROKEN, "number 2", {SECOND: "duplicate"}),
    "renamed to another kind": (_renamed_kind, Kind.CHAIN_BROKEN, "renamed", {}),
}


def _errors(chain: Chain) -> list[tuple[Kind, str]]:
    return [(found.kind, found.detail) for found in chain.findings if found.severity is Severity.ERROR]


@pytest.mark.parametrize(("tamper", "kind", "words", "states"), TAMPERED.values(), ids=TAMPERED.keys())
def test_each_way_to_tamper_with_a_chain_is_told_by_its_kind_and_its_words(
    four: Roll, tamper: Callable[[Roll], None], kind: Kind, words: str, states: dict[str, str]
) -> None:
    assert read_chain(four.io, four.handle).whole
    tamper(four)
    chain = read_chain(four.io, four.handle)
    assert not chain.whole
    assert any(found is kind and words in detail for found, detail in _errors(chain)), _errors(chain)
    found = {link.name: link.state for link in chain.links}
    for name, state in states.items():
        assert found[name] == state


def test_what_happened_to_one_record_is_not_said_of_the_others(four: Roll) -> None:
    _one_byte(four)
    chain = read_chain(four.io, four.handle)
    assert [link.state for link in chain.links] == ["whole", "changed", "whole", "whole"]
    assert len(_errors(chain)) == 1


def test_a_whole_chain_lists_its_records_with_headers_and_digests(four: Roll) -> None:
    chain = read_chain(four.io, four.handle)
    assert chain.findings == ()
    assert [link.sequence for link in chain.links] == [1, 2, 3, 4]
    assert [link.kind for link in chain.links] == ["offload", "verify", "verify", "verify"]
    for before, after in zip(chain.links, chain.links[1:], strict=False):
        assert after.previous_sha256 == before.sha256
    assert chain.newest is not None
    assert chain.newest.name == FOURTH


def test_a_folder_without_records_is_empty_and_says_so(roll: Roll) -> None:
    chain = read_chain(roll.io, roll.handle)
    assert chain.links == ()
    assert [found.kind for found in chain.findings] == [Kind.NO_HISTORY]


def test_files_that_are_no_records_are_a_warning_and_break_nothing(four: Roll) -> None:
    four.record("notes.txt").write_text("the bell was cast at dawn")
    four.record("0002_verify_2026-05-14T081502Z.json.sig").write_text("a signature")
    four.record("._0002_verify_2026-05-14T081502Z.json").write_bytes(b"\0")
    four.record("0005_verify_2026-05-14T081502Z.json.rollproof-partial").write_bytes(b"{")
    chain = read_chain(four.io, four.handle)
    assert chain.whole
    assert [(found.kind, found.path) for found in chain.findings] == [(Kind.FOREIGN_RECORD, "notes.txt")]


def test_what_an_interrupted_run_left_unfinished_goes_when_the_next_record_is_written(four: Roll) -> None:
    partial = four.record("0005_verify_2026-05-14T071502Z.json.rollproof-partial")
    signature = four.record("0004_verify_2026-05-14T071502Z.json.sig.rollproof-partial")
    stranger = four.record("notes.rollproof-partial")
    for path in (partial, signature, stranger):
        path.write_bytes(b"{")
    there = rows(*ROLL)
    four.append(offload_header(None, there), there)
    assert not partial.exists()
    assert not signature.exists()
    assert stranger.read_bytes() == b"{"


def test_the_roll_that_was_asked_for_decides_which_records_are_foreign(four: Roll) -> None:
    chain = read_chain(four.io, four.handle, roll="B007")
    assert {link.state for link in chain.links} == {"foreign"}


def test_a_name_out_of_a_record_is_harmless_in_a_finding(roll: Roll) -> None:
    there = rows(*ROLL)
    roll.append(offload_header(None, there), there)
    roll.append(offload_header(None, there), there)
    roll.append(offload_header(None, there, roll="\x1b[2J"), there)
    chain = read_chain(roll.io, roll.handle)
    assert "\x1b" not in "".join(found.detail for found in chain.findings)
    assert not chain.whole


def test_the_loss_of_the_newest_record_shows_beside_a_memory_of_it(four: Roll) -> None:
    remembered = {link.sequence: [link.sha256] for link in read_chain(four.io, four.handle).links}
    four.record(FOURTH).unlink()
    chain = read_chain(four.io, four.handle)
    assert chain.whole
    findings = compare_with_memory(chain, remembered, whose="the ledger of this station")
    assert [(found.kind, found.detail) for found in findings] == [
        (Kind.RECORD_MISSING, "Record 4 is missing here, and the ledger of this station remembers it.")
    ]


def test_a_change_of_the_newest_record_shows_beside_a_memory_of_it(four: Roll) -> None:
    remembered = {link.sequence: [link.sha256] for link in read_chain(four.io, four.handle).links}
    text = four.record(FOURTH).read_bytes().replace(b'"role": "primary"', b'"role": "primari"', 1)
    four.record(FOURTH).write_bytes(text)
    chain = read_chain(four.io, four.handle)
    assert chain.whole
    assert [found.kind for found in compare_with_memory(chain, remembered)] == [Kind.CHAIN_BROKEN]
    assert compare_with_memory(chain, {1: remembered[1]}) == []
