"""When all of the ledger is looked through, and what is looked at always."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ledger.notes import HERE, files, offload
from rollproof.ledger.opening import open_ledger
from rollproof.ledger.soundness import EVERY_SECONDS, needs_full_check
from rollproof.ledger.station_file import StationFile
from rollproof.ledger.trouble import LedgerProblem
from rollproof.models.findings import Kind


@pytest.fixture
def left(home: Path) -> StationFile:
    """A ledger that was let go of in good order."""
    with open_ledger(home, machine=HERE) as ledger:
        ledger.remember_offload(offload(), files(300))
    return StationFile(home)


def test_a_ledger_left_in_good_order_is_not_looked_through_again_the_same_week(left: StationFile) -> None:
    now = time.time()
    assert not needs_full_check(left, now)
    assert needs_full_check(left, now + EVERY_SECONDS + 60)
    assert needs_full_check(left, now - 60)  # the clock was set back: nobody knows how long it was


def test_reading_it_again_does_not_put_the_next_full_check_off(left: StationFile) -> None:
    first = left.checked_as_left()
    for _ in range(2):
        with open_ledger(left.home, machine=HERE) as ledger:
            assert len(ledger.rolls()) == 1
    assert first is not None
    assert left.checked_as_left() == first


def test_a_ledger_that_somebody_touched_is_looked_through(left: StationFile) -> None:
    before = left.path.stat()
    content = bytearray(left.path.read_bytes())
    content[-1] ^= 1
    left.path.write_bytes(content)
    os.utime(left.path, ns=(before.st_atime_ns, before.st_mtime_ns))  # and put the date back
    assert needs_full_check(left, time.time())


def test_a_ledger_that_was_put_back_from_a_backup_is_looked_through(left: StationFile) -> None:
    content = left.path.read_bytes()
    left.path.unlink()
    left.path.write_bytes(content)
    assert needs_full_check(left, time.time())


def test_a_ledger_whose_process_was_killed_is_looked_through(left: StationFile) -> None:
    script = (
        "import os, sys, pathlib\n"
        "from rollproof.ledger.opening import open_ledger\n"
        "ledger = open_ledger(pathlib.Path(sys.argv[1]), machine=sys.argv[2])\n"
        "with ledger.writing('dying') as connection:\n"
        "    connection.exec_driver_sql(\"insert into people (name, role) values ('a', 'b')\")\n"
        "os._exit(9)\n"
    )
    assert subprocess.run([sys.executable, "-c", script, left.home, HERE], check=False).returncode == 9
    assert needs_full_check(left, time.time())
    with open_ledger(left.home, machine=HERE) as ledger:
        assert ledger.findings == ()
    assert not needs_full_check(left, time.time())


def _rot(station: StationFile, name: str) -> None:
    """Bytes that change without anybody writing: a page of a table or index, and no date tells of it."""
    with sqlite3.connect(station.path) as connection:
        (page,) = connection.execute("select rootpage from sqlite_master where name = ?", (name,)).fetchone()
        (size,) = connection.execute("pragma page_size").fetchone()
    connection.close()
    content = bytearray(station.path.read_bytes())
    content[(page - 1) * size + size // 2 : page * size] = b"\x5a" * (size // 2)
    content[(page - 1) * size + 3 : (page - 1) * size + 5] = b"\x00\x00"  # and it says that it has no rows
    station.path.write_bytes(content)
    station.note_as_left(time.time())


@pytest.mark.parametrize(
    "name",
    ["records", "copies", "records_by_roll", "copies_by_device", "sqlite_autoindex_records_1", "offloads", "clips"],
)
def test_a_table_that_could_hide_a_bad_word_is_checked_at_every_opening(left: StationFile, name: str) -> None:
    _rot(left, name)
    assert not needs_full_check(left, time.time())
    with open_ledger(left.home, machine=HERE) as ledger:
        assert [found.kind for found in ledger.findings] == [Kind.LEDGER_DAMAGED]


def test_damage_among_the_files_is_met_when_they_are_asked_for_and_the_ledger_set_aside_next_time(
    left: StationFile,
) -> None:
    _rot(left, "files")
    with open_ledger(left.home, machine=HERE) as ledger:
        assert ledger.findings == ()
        with pytest.raises(LedgerProblem, match="damaged"):
            list(ledger.files_of(1))
    with open_ledger(left.home, machine=HERE) as ledger:
        assert [found.kind for found in ledger.findings] == [Kind.LEDGER_DAMAGED]
