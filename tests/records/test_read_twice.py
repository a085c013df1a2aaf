"""What a record is linked to is read twice: one bad read never goes into the chain."""

from __future__ import annotations

import os

import pytest

from records.samples import Roll, verify_header
from rollproof.records.chain import read_chain
from rollproof.records.write import append_record
from rollproof.storage.readback import NotAsWritten, ReadsDiffer
from support.faults import Flip, Rule
from support.faulty_io import FaultyIo


def append(roll: Roll, *rules: Rule, as_read: dict[str, str] | None = None) -> FaultyIo:
    io = FaultyIo(roll.io, rules)
    handle = io.open_root(os.fsencode(roll.path))
    try:
        append_record(io, handle, verify_header(), as_read=as_read)
    finally:
        io.inner.close(handle)
    return io


def names(roll: Roll) -> list[str]:
    return sorted(path.name for path in (roll.path / "rollproof").iterdir())


@pytest.mark.parametrize("nth", [1, 3], ids=["first time", "second time"])  # between them one finds the end
def test_one_flipped_bit_in_a_read_of_the_record_before_stops_the_next_one(roll: Roll, nth: int) -> None:
    append(roll)
    before = names(roll)
    with pytest.raises(ReadsDiffer, match="0001_verify"):
        append(roll, Rule(Flip(), "read_into", path=b"rollproof/0001_*", nth=nth))
    assert names(roll) == before
    append(roll)
    assert read_chain(roll.io, roll.handle).whole


def test_what_was_taken_from_a_record_must_still_be_what_it_says(roll: Roll) -> None:
    """Its header may have been read with a flipped bit: then its digest was another, too."""
    append(roll)
    append(roll)
    (first, second) = names(roll)
    digests = read_chain(roll.io, roll.handle).digests
    assert list(digests) == [first, second]
    with pytest.raises(ReadsDiffer, match="0001_verify"):
        append(roll, as_read=digests | {first: "0" * 64})
    append(roll, as_read=digests)
    assert read_chain(roll.io, roll.handle).whole


def test_a_record_that_the_drive_holds_otherwise_is_named_and_not_left_there(roll: Roll) -> None:
    append(roll)
    before = names(roll)
    with pytest.raises(NotAsWritten, match="0002_verify"):
        append(roll, Rule(Flip(), "write_from", path=b"rollproof/0002_*"))
    assert names(roll) == before
