"""A parser cannot read outside a file, nor without bound, whatever it asks for."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from media.corpus import corpus
from rollproof.media.health import examine
from rollproof.media.source import BLOCK_BYTES, BytesSource, FileSource, TooMuch
from rollproof.storage.system import system_io

DATA = os.urandom(BLOCK_BYTES * 3 + 777)
LONG = os.urandom(BLOCK_BYTES * 40 + 123)
ANY = st.integers(-(1 << 70), 1 << 70) | st.integers(-10, len(DATA) + 10)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    path = tmp_path_factory.mktemp("source") / "clip"
    path.write_bytes(DATA)
    handle = os.open(path, os.O_RDONLY)
    yield handle
    os.close(handle)


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    path = tmp_path_factory.mktemp("source") / "long clip"
    path.write_bytes(LONG)
    handle = os.open(path, os.O_RDONLY)
    yield handle
    os.close(handle)


@given(offset=ANY, length=ANY)
def test_a_file_answers_like_the_bytes_in_it(opened: int, offset: int, length: int) -> None:
    source = FileSource(system_io(), opened, len(DATA), most_bytes=1 << 40, most_reads=1 << 40)

    got = source.at(offset, length)

    assert got == BytesSource(DATA).at(offset, length)
    assert got == DATA[max(offset, 0) :][: max(length, 0)]


def test_small_requests_share_a_read(opened: int) -> None:
    source = FileSource(system_io(), opened, len(DATA))

    for offset in range(0, BLOCK_BYTES, 100):
        source.at(offset, 16)

    assert source.reads <= 2


@given(places=st.lists(st.tuples(st.integers(0, 12 * BLOCK_BYTES), st.integers(0, 3 * BLOCK_BYTES)), max_size=30))
def test_whatever_was_asked_before_the_bytes_are_those_of_the_file(long: int, places: list[tuple[int, int]]) -> None:
    source = FileSource(system_io(), long, len(LONG))

    for offset, length in [*places, *((place * 5_000, 5_000) for place in range(30)), *reversed(places)]:
        assert source.at(offset, length) == LONG[offset : offset + length]


def test_a_long_table_takes_few_reads_and_parts_far_apart_one_block_each(long: int) -> None:
    table = FileSource(system_io(), long, len(LONG))
    for offset in range(0, len(LONG), 1000):
        table.at(offset, 1000)
    apart = FileSource(system_io(), long, len(LONG))
    for block in range(0, len(LONG) // BLOCK_BYTES, 2):
        apart.at(block * BLOCK_BYTES, 16)

    assert (table.reads, table.bytes_read) == (6, len(LONG))  # 1, 2, 4, 8, 16 blocks, and the rest
    assert apart.bytes_read == apart.reads * BLOCK_BYTES


def test_reading_ahead_does_not_use_up_what_is_allowed(long: int) -> None:
    source = FileSource(system_io(), long, len(LONG), most_bytes=10 * BLOCK_BYTES)
    read = 0
    with pytest.raises(TooMuch):
        for read in range(0, len(LONG), BLOCK_BYTES):
            source.at(read, 16)

    assert (read, source.bytes_read) == (10 * BLOCK_BYTES, 10 * BLOCK_BYTES)


def test_a_medium_that_is_slow_to_find_each_part_ends_the_look(opened: int) -> None:
    seconds = iter([0.0, 0.6, 1.0, 1.6, 2.0, 2.6])
    source = FileSource(system_io(), opened, len(DATA), most_seconds=1.0, clock=lambda: next(seconds))
    source.at(0, 10)
    source.at(2 * BLOCK_BYTES, 10)

    with pytest.raises(TooMuch):
        source.at(BLOCK_BYTES, 10)
    assert source.at(5, 5) == DATA[5:10], "what is known needs no medium"


def test_a_file_that_became_shorter_ends_earlier(opened: int) -> None:
    source = FileSource(system_io(), opened, len(DATA) + 5000)

    assert source.at(len(DATA) - 10, 100) == DATA[-10:]
    assert source.at(len(DATA) + 10, 100) == b""


def test_too_many_bytes_are_refused(opened: int) -> None:
    source = FileSource(system_io(), opened, len(DATA), most_bytes=BLOCK_BYTES * 2)
    source.at(0, 10)

    with pytest.raises(TooMuch):
        source.at(0, BLOCK_BYTES * 3)
    assert source.bytes_read == BLOCK_BYTES


def test_too_many_reads_are_refused(opened: int) -> None:
    source = FileSource(system_io(), opened, len(DATA), most_reads=2)
    source.at(0, 10)
    source.at(BLOCK_BYTES * 3, 10)

    with pytest.raises(TooMuch):
        source.at(BLOCK_BYTES, 10)


def test_a_sound_clip_takes_few_reads(tmp_path: Path) -> None:
    for name, data in corpus().items():
        path = tmp_path / name
        path.write_bytes(data)
        handle = os.open(path, os.O_RDONLY)
        source = FileSource(system_io(), handle, len(data))

        assert examine(source, name.encode()).state == "sound"

        os.close(handle)
        assert source.reads <= 20, name
        assert source.bytes_read <= 260 * 1024, name
