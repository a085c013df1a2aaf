"""A roll's records are tampered with, and the real commands are asked: each way is told apart, none is a crash.

`offload` must refuse before it writes anything, `verify` must end with 1, and both must say the same of the records.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hostile.place import Papers, Place, answer, findings, no_traceback
from support.counting import FAULTS
from support.invariants import Known

Records = list[Path]


def _changed(records: Records) -> None:
    content = bytearray(records[1].read_bytes())
    at = content.index(b'"written_at": "') + len(b'"written_at": "20')
    content[at] ^= 0x01  # still a digit: still a record that can be read
    records[1].write_bytes(content)


def _dropped(records: Records) -> None:
    records[1].unlink()


def _swapped(records: Records) -> None:
    one, other = records[1].read_bytes(), records[2].read_bytes()
    records[1].write_bytes(other)
    records[2].write_bytes(one)


def _truncated(records: Records) -> None:
    content = records[1].read_bytes()
    records[1].write_bytes(content[: len(content) // 2])


def _cut_by_one_byte(records: Records) -> None:
    records[1].write_bytes(records[1].read_bytes()[:-1])


def _emptied(records: Records) -> None:
    records[1].write_bytes(b"")


def _newest_linked(records: Records) -> None:
    aside = records[-1].parents[3] / "aside.json"
    records[-1].rename(aside)
    records[-1].symlink_to(aside)


def _gap(records: Records) -> None:
    last = records[-1]
    text = last.read_text().replace('"sequence": 4,', '"sequence": 7,', 1)
    last.unlink()
    last.with_name(last.name.replace("0004_", "0007_")).write_text(text)


def _foreign(records: Records) -> None:
    last = records[-1]
    text = (
        last.read_text().replace('"roll": "A003"', '"roll": "B002"', 1).replace('"sequence": 4,', '"sequence": 5,', 1)
    )
    last.with_name(last.name.replace("0004_", "0005_")).write_text(text)


def _noise(records: Records) -> None:
    records[1].write_bytes(b"\x89not a record at all\n" * 100)


def _twice(records: Records) -> None:
    name = re.sub(r"T\d{6}Z", "T000001Z", records[1].name)
    records[1].with_name(name).write_bytes(records[1].read_bytes())


WAYS: dict[str, tuple[Callable[[Records], None], set[tuple[str, str]]]] = {
    "one byte changed": (_changed, {("chain-broken", "it was changed or replaced")}),
    "one dropped": (_dropped, {("record-missing", "Record 2 is missing")}),
    "two swapped": (_swapped, {("chain-broken", "records were swapped")}),
    "one truncated": (_truncated, {("bad-record", "it ends in the middle")}),
    "one byte missing at its end": (_cut_by_one_byte, {("bad-record", "it ends in the middle")}),
    "one emptied": (_emptied, {("bad-record", "it ends in the middle")}),
    "a link in place of the newest": (_newest_linked, {("bad-record", "a link, a pipe or a folder lies in its place")}),
    "a gap": (_gap, {("record-missing", "Records 4 to 6 are missing")}),
    "a record of another roll": (_foreign, {("foreign-record", "is about another roll: B002")}),
    "noise in place of one": (
        _noise,
        {("foreign-record", "it does not begin as a record does"), ("record-missing", "Record 2 is missing")},
    ),
    "one number twice": (_twice, {("chain-broken", "Two records have the number 2")}),
}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Place, Papers]]:
    """A proven roll with a chain of four records."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROLLPROOF_HOME", str(tmp_path_factory.mktemp("home")))
        place = Place(tmp_path_factory.mktemp("chains"))
        assert place.offload("--to", str(place.one)).status == 0
        for _ in range(3):
            assert place.verify().status == 0
        kept = tmp_path_factory.mktemp("kept")
        yield place, Papers(place.roll, kept)


def _told(told: Any) -> set[tuple[str, str]]:
    """What an answer says about records, as (kind, sentence)."""
    about = ("chain-broken", "record-missing", "bad-record", "foreign-record")
    return {(finding["kind"], finding["detail"]) for finding in findings(told) if finding["kind"] in about}


def _names(told: set[tuple[str, str]], expected: set[tuple[str, str]]) -> bool:
    """Whether every expected sentence was said, and nothing of another kind."""
    return {kind for kind, _ in told} == {kind for kind, _ in expected} and all(
        any(kind == said and words in sentence for said, sentence in told) for kind, words in expected
    )


@pytest.mark.parametrize("way", WAYS)
def test_every_way_to_tamper_with_the_chain_is_told_by_offload_and_by_verify(
    recorded: tuple[Place, Papers], way: str
) -> None:
    place, papers = recorded
    papers.restore()
    tamper, expected = WAYS[way]
    tamper(sorted((place.roll / "rollproof").glob("*.json")))
    FAULTS.add("record tampered with")
    before = Known.of(place.one)

    offloaded = place.offload("--to", str(place.one))
    no_traceback(offloaded)
    assert offloaded.status == 3
    assert _names(_told(answer(offloaded)), expected), _told(answer(offloaded))
    assert before.changes(place.one) == [], "a refused offload writes nothing"

    verified = place.verify()
    no_traceback(verified)
    assert verified.status == 1
    assert answer(verified)["verdict"] == "not proven"
    assert _names(_told(answer(verified)), expected), _told(answer(verified))


def test_no_two_ways_are_said_in_the_same_words_but_the_three_that_cut_a_record_short() -> None:
    said = [frozenset(expected) for _, expected in WAYS.values()]
    assert len(set(said)) == len(WAYS) - 2


def test_a_chain_that_nobody_touched_is_no_finding(recorded: tuple[Place, Papers]) -> None:
    place, papers = recorded
    papers.restore()
    assert place.verify().status == 0
    again = place.offload("--to", str(place.one))
    assert again.status == 0
    assert _told(answer(again)) == set()


def test_what_a_tampered_chain_says_is_harmless_on_a_terminal_too(recorded: tuple[Place, Papers]) -> None:
    place, papers = recorded
    papers.restore()
    last = sorted((place.roll / "rollproof").glob("*.json"))[-1]
    owner = "\x1b[2J\x1b[HPROVEN \u202e[bold]B002[/bold]"
    last.write_text(last.read_text().replace('"roll": "A003"', f'"roll": {json.dumps(owner)}', 1))
    shown = place.verify(terminal=True, json_too=False)
    no_traceback(shown)
    assert shown.status == 1
    assert "\x1b[2J" not in shown.out + shown.err
    assert "\u202e" not in shown.out + shown.err
    assert "[bold]B002[/bold]" in shown.out + shown.err
