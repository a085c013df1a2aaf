"""One bad read of the history never goes into it; what the drive holds otherwise is named and taken away again."""

from __future__ import annotations

import os

import pytest

from ascmhl.mhl_trees import BELL, Roll, files_of, generation
from rollproof.ascmhl.model import Action
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.storage.posix import LinuxIo
from rollproof.storage.readback import NotAsWritten, ReadsDiffer
from support.faults import Flip, Rule
from support.faulty_io import FaultyIo

CHAIN = b"ascmhl/ascmhl_chain.xml"


def state(roll: Roll) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in roll.history_path.iterdir()}


def append(roll: Roll, rule: Rule) -> None:
    io = FaultyIo(LinuxIo(), [rule])
    handle = io.open_root(os.fsencode(roll.path))
    try:
        write_generation(io, handle, b"A003", generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    finally:
        assert io.reached
        io.inner.close(handle)


@pytest.mark.parametrize("nth", [1, 3], ids=["first time", "second time"])  # between them one finds the end
@pytest.mark.parametrize("place", [None, 300])
def test_a_chain_that_is_read_wrong_once_is_not_written_down_again(roll: Roll, nth: int, place: int | None) -> None:
    roll.append(generation(files_of(BELL)))
    before = state(roll)
    with pytest.raises(ReadsDiffer, match="ascmhl_chain"):
        append(roll, Rule(Flip(place), "read_into", path=CHAIN, nth=nth))
    assert state(roll) == before


@pytest.mark.parametrize("nth", [1, 3])
def test_a_stray_manifest_is_taken_into_the_chain_with_the_hash_it_has(roll: Roll, nth: int) -> None:
    """Its hash goes into the chain: a bad read of it would call it changed for ever."""
    roll.append(generation(files_of(BELL)))
    chain = roll.chain_path.read_bytes()
    stray = roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    roll.chain_path.write_bytes(chain)
    before = state(roll)
    rule = Rule(Flip(60), "read_into", path=b"ascmhl/" + stray.name, nth=nth)
    try:
        append(roll, rule)
    except ReadsDiffer:
        assert state(roll) == before
    assert not any("changed" in found.detail for found in roll.read().findings)


@pytest.mark.parametrize("path", [b"ascmhl/0002_*", CHAIN + b"*"])
def test_a_manifest_or_chain_that_the_drive_holds_otherwise_gets_no_name(roll: Roll, path: bytes) -> None:
    roll.append(generation(files_of(BELL)))
    chain = roll.chain_path.read_bytes()
    with pytest.raises(NotAsWritten):
        append(roll, Rule(Flip(), "write_from", path=path))
    assert roll.chain_path.read_bytes() == chain
    roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=2))
    assert not [found for found in roll.read().findings if found.severity == "error"]


def test_a_manifest_that_reads_otherwise_the_second_time_is_not_built_on(roll: Roll) -> None:
    written = roll.append(generation(files_of(BELL)))
    io = FaultyIo(LinuxIo(), [Rule(Flip(), "read_into", path=b"ascmhl/" + written.name, nth=3)])
    handle = io.open_root(os.fsencode(roll.path))
    try:
        history = read_history(io, handle)
    except ReadsDiffer:
        pass
    else:
        assert any(found.severity == "error" for found in history.findings)
    io.inner.close(handle)
    assert io.reached
