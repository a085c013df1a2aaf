"""Small files read together come out as they would one by one: hashes, faults, and whose they are."""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from copying.rig import SMALL, Rig, listing
from rollproof.hashing import new_hasher
from rollproof.models.findings import Finding, Kind
from rollproof.models.volumes import Evidence, MediumWay
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass, PassSettings
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.reading.turns import TURNS
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.system import system_io
from support.faults import Fail, Fault, Flip, Rule, Short
from support.faulty_io import FaultyIo

AT_ONCE = 4


class Read:
    """One pass over a card: texts and evidence by path, faults by path."""

    def __init__(self, card: Path, io: Io, at_once: int) -> None:
        files = listing(card).files
        self.texts: dict[str, str] = {}
        self.evidence: set[Evidence] = set()
        self.faults: dict[str, Finding] = {}
        root = io.open_root(os.fsencode(card))
        tree = OpenTree(root, files, MediumAccess(io, MediumWay.DIRECT, at_once=at_once))
        reader = TreeReader(io, tree, SMALL)

        def hashed(number: int, texts: dict[str, str], evidence: Evidence) -> None:
            self.texts[os.fsdecode(files[number].path)] = texts["xxh128"]
            self.evidence.add(evidence)

        def fault(number: int, finding: Finding) -> None:
            self.faults[os.fsdecode(files[number].path)] = finding

        try:
            work = HashPass(BufferPool(SMALL.block_bytes), reader, ("xxh128",), SMALL, PassSettings("p", lambda: False))
            work.run(range(len(files)), hashed, fault)
        finally:
            io.close(root)


def handles() -> int:
    return len(os.listdir("/proc/self/fd"))


@given(sizes=st.lists(st.sampled_from([0, 1, 511, 4095, 4096, 4097, 9_000, 16 << 10, 70_000]), max_size=30))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_together_or_alone_every_file_has_the_hash_of_its_bytes(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int]
) -> None:
    rig = Rig(tmp_path_factory.mktemp("card"))
    rig.card.mkdir()
    rig.fill({f"{number % 3}/{number:03}.dng": size for number, size in enumerate(sizes)})
    before = handles()
    for at_once in (1, AT_ONCE, 32):
        read = Read(rig.card, system_io(), at_once)
        assert read.faults == {}
        assert read.evidence <= {Evidence.MEDIUM}
        assert len(read.texts) == len(sizes)
        for name, text in read.texts.items():
            state = new_hasher("xxh128")
            state.update((rig.card / name).read_bytes())
            assert text == state.text(), f"{name} at {at_once} at once"
    assert handles() == before


def faulty(*rules: Rule) -> FaultyIo:
    return FaultyIo(system_io(), rules, reads_at_once=AT_ONCE)


@pytest.fixture
def card(tmp_path: Path) -> Path:
    rig = Rig(tmp_path)
    rig.fill({f"{number:02}.dng": 5_000 for number in range(10)})
    return rig.card


@pytest.mark.parametrize("fault", [Fail(errno.EIO), Fail(errno.EINVAL), Short()])
def test_a_read_that_fails_once_among_others_is_made_again_alone(card: Path, fault: Fault) -> None:
    io = faulty(Rule(fault, "read_into", path=b"05.dng"))
    read = Read(card, io, AT_ONCE)
    assert io.reached
    assert read.faults == {}
    assert read.texts == Read(card, system_io(), 1).texts


def test_a_file_that_cannot_be_read_is_named_and_its_neighbours_are_read(card: Path) -> None:
    before = handles()
    read = Read(card, faulty(Rule(Fail(errno.EIO), "read_into", path=b"05.dng", onward=True)), AT_ONCE)
    assert {name: finding.kind for name, finding in read.faults.items()} == {"05.dng": Kind.UNREADABLE}
    assert len(read.texts) == 9
    assert handles() == before


@pytest.mark.parametrize("operation", ["open_read", "fstat"])
def test_a_file_that_cannot_be_opened_or_looked_at_is_named_and_its_neighbours_are_read(
    card: Path, operation: str
) -> None:
    before = handles()
    read = Read(card, faulty(Rule(Fail(errno.EACCES), operation, path=b"05.dng", onward=True)), AT_ONCE)
    assert list(read.faults) == ["05.dng"]
    assert len(read.texts) == 9
    assert handles() == before


@pytest.mark.parametrize("operation", ["open_read", "read_into"])
def test_a_card_that_goes_away_among_them_ends_the_pass_and_leaves_no_handle_open(card: Path, operation: str) -> None:
    before = handles()
    with pytest.raises(TreeLost):
        Read(card, faulty(Rule(Fail(errno.ENODEV), operation, path=b"0[67].dng", onward=True)), AT_ONCE)
    assert handles() == before


def test_a_file_that_grew_or_shrank_since_the_scan_is_told_as_changed(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Late(FaultyIo):
        done = False

        def read_many(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
            if not self.done:
                self.done = True
                (card / "01.dng").write_bytes(b"x" * 5_001)
                (card / "02.dng").write_bytes(b"x" * 4_999)
            return super().read_many(reads)

    read = Read(card, Late(system_io(), [], reads_at_once=AT_ONCE), AT_ONCE)
    assert {name: finding.kind for name, finding in read.faults.items()} == {
        "01.dng": Kind.CARD_CHANGED,
        "02.dng": Kind.CARD_CHANGED,
    }


def test_a_bit_that_flips_among_others_spoils_its_own_file_only(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=replace(SMALL, files_at_once=AT_ONCE))
    rig.fill({f"{number:02}.dng": 5_000 for number in range(10)})
    io = faulty(Rule(Flip(), "read_into", path=b"05.dng", drive=os.fsencode(tmp_path / "one")))
    run = rig.run(io=io)
    assert io.reached
    assert run.proven("one") == {f"{number:02}.dng".encode() for number in range(10)} - {b"05.dng"}
    assert len(run.proven("two")) == 10


@pytest.mark.parametrize("every", [2, 4])
def test_a_card_is_not_gone_because_some_of_its_first_files_cannot_be_opened(tmp_path: Path, every: int) -> None:
    rig = Rig(tmp_path)
    rig.fill({f"{number:03}.dng": 5_000 for number in range(160)})
    bad = [Rule(Fail(errno.EACCES), "open_read", path=b"%03d.dng" % at, onward=True) for at in range(0, 160, every)]
    read = Read(rig.card, FaultyIo(system_io(), bad, reads_at_once=32), 32)
    assert len(read.faults) == 160 // every
    assert len(read.texts) == 160 - 160 // every


def test_a_computer_out_of_open_files_is_said_to_be_so_and_neither_card_nor_drive_is_called_gone(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path)
    rig.fill({f"{number:03}.dng": 5_000 for number in range(300)})
    out = [Rule(Fail(errno.EMFILE), "open_read", path=b"*.dng", nth=200, onward=True)]
    read = Read(rig.card, FaultyIo(system_io(), out, reads_at_once=AT_ONCE), AT_ONCE)
    assert len(read.faults) + len(read.texts) == 300
    assert len(read.faults) > 90
    for finding in read.faults.values():
        assert "no more files open" in finding.detail
        assert "ulimit -n" in finding.remedy


def test_a_computer_out_of_open_files_while_writing_does_not_blame_the_drive(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.fill({f"{number:03}.dng": 5_000 for number in range(10)})
    out = Rule(Fail(errno.EMFILE), "create", path=b"005.dng*", drive=os.fsencode(tmp_path / "one"), onward=True)
    run = rig.run(io=faulty(out))
    failure = next(lane.failure for lane in run.outcome.lanes if lane.drive == "one")
    assert failure is not None
    assert "the drive is not to blame" in failure.detail
    assert "ulimit -n" in failure.remedy
    assert len(run.proven("two")) == 10


@pytest.mark.parametrize("operation", ["open_read", "read_into"])
def test_nobody_waits_for_a_turn_while_a_file_in_trouble_is_tried_again(card: Path, operation: str) -> None:
    held: list[bool] = []

    class Slow(FaultyIo):
        def read_into(self, handle: int, view: memoryview, offset: int) -> int:
            held.append(TURNS.has(reader._turn()))
            return super().read_into(handle, view, offset)

    io = Slow(system_io(), [Rule(Fail(errno.EIO), operation, path=b"05.dng", onward=True)], reads_at_once=AT_ONCE)
    root = io.open_root(os.fsencode(card))
    files = listing(card).files
    tree = OpenTree(root, files, MediumAccess(io, MediumWay.DIRECT, at_once=AT_ONCE))
    reader = TreeReader(io, tree, SMALL)
    pool = BufferPool(SMALL.block_bytes)
    segments = [segment for job in reader.jobs(range(len(files))) for segment in job(pool.take())]
    reader.close()
    io.close(root)
    assert [segment.file for segment in segments if segment.fault is not None] == [5]
    assert held
    assert not any(held)
