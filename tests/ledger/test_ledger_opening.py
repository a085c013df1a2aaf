"""A ledger is an index: lost, damaged, copied or held by another, it is reported and never in the way."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import Connection, text
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from ledger.notes import ELSEWHERE, HERE, WHEN, copy, files, later, offload
from rollproof.ledger import tables
from rollproof.ledger.entries import ClipNote, PaceNote
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.migrations import MIGRATIONS, Migration
from rollproof.ledger.opening import fresh_ledger, open_ledger
from rollproof.ledger.trouble import LedgerBusy, LedgerProblem
from rollproof.models.findings import Kind

NEXT = MIGRATIONS[-1].number + 1
CLIP = ClipNote("B002C001", 1, 5, "sound", "00:00:10.000", "10:00:00:00", "24", "1920x1080", "h264")
PACE = PaceNote("read back", WHEN, 4.5, 10**12, 2.0, (4 * 10**11, 6 * 10**11))

NEXT = MIGRATIONS[-1].number + 1


def _filled(home: Path, machine: str = HERE) -> None:
    with open_ledger(home, machine=machine) as ledger:
        ledger.remember_offload(offload(), files(2000))


def _kinds(ledger: Ledger) -> list[Kind]:
    return [found.kind for found in ledger.findings]


def test_the_first_ledger_is_made_without_a_word_for_its_owner_alone(home: Path) -> None:
    with open_ledger(home, machine=HERE) as ledger:
        assert ledger.findings == ()
        assert ledger.rolls() == []
        assert ledger.check() == []
    assert stat.S_IMODE(home.stat().st_mode) == 0o700


def test_the_station_s_home_is_taken_where_no_folder_is_named(station_home: Path) -> None:
    with open_ledger(machine=HERE):
        assert (station_home / "ledger.sqlite3").exists()


def test_what_was_remembered_is_there_when_the_ledger_is_opened_again(home: Path) -> None:
    _filled(home)
    with open_ledger(home, machine=HERE) as ledger:
        assert ledger.findings == ()
        assert ledger.find_by_listing("listing-1")[0].ours


def test_writes_are_flushed_foreign_keys_hold_and_the_log_is_written_ahead(home: Path) -> None:
    with open_ledger(home, machine=HERE) as ledger, ledger.reading() as connection:
        found = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "foreign_keys")]
        assert found == ["wal", 1]
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
    with (
        open_ledger(home, machine=HERE) as ledger,
        pytest.raises(LedgerProblem, match="FOREIGN KEY"),
        ledger.writing("x") as connection,
    ):
        connection.execute(tables.copy_states.insert().values(copy_id=7, offload_id=7, state="proven"))


def _noise(path: Path) -> None:
    path.write_bytes(os.urandom(8192))


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _pages_overwritten(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 * 3 : 4096 * 40] = b"\xa5" * (4096 * 37)
    path.write_bytes(content)


def _one_page_overwritten(path: Path) -> None:
    content = bytearray(path.read_bytes())
    last = len(content) - 4096 * 4
    content[last : last + 4096] = b"\x0d" + b"\x5a" * 4095
    path.write_bytes(content)


def _table_dropped(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE permit_copies")
    connection.close()


DAMAGE = {
    "noise": _noise,
    "empty": _empty,
    "cut in half": _cut,
    "pages overwritten": _pages_overwritten,
    "one page overwritten": _one_page_overwritten,
    "a table dropped": _table_dropped,
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_ledger_is_set_aside_whole_and_a_fresh_one_made(home: Path, damage: object) -> None:
    _filled(home)
    path = home / "ledger.sqlite3"
    damage(path)  # type: ignore[operator]
    damaged = path.read_bytes()
    with open_ledger(home, machine=HERE, now=later(days=1)) as ledger:
        assert _kinds(ledger) == [Kind.LEDGER_DAMAGED]
        assert "rebuild" in ledger.findings[0].remedy
        assert ledger.rolls() == []
        ledger.remember_offload(offload(), files())
    assert (home / "ledger-set-aside-2026-05-15T081502Z.sqlite3").read_bytes() == damaged
    with open_ledger(home, machine=HERE) as ledger:
        assert ledger.findings == ()
        assert len(ledger.rolls()) == 1


def test_a_second_damaged_ledger_of_one_second_does_not_replace_the_first(home: Path) -> None:
    for _ in range(2):
        _filled(home)
        _noise(home / "ledger.sqlite3")
        open_ledger(home, machine=HERE, now=later(days=1)).close()
    assert len(list(home.glob("ledger-set-aside-*.sqlite3"))) == 2


def test_a_ledger_that_is_gone_is_missed(home: Path) -> None:
    _filled(home)
    (home / "ledger.sqlite3").unlink()
    with open_ledger(home, machine=HERE) as ledger:
        assert _kinds(ledger) == [Kind.LEDGER_MISSING]
    with open_ledger(home, machine=HERE) as ledger:
        assert ledger.findings == ()


def test_a_ledger_from_another_machine_vouches_for_nothing(home: Path, tmp_path: Path) -> None:
    _filled(home, ELSEWHERE)
    moved = tmp_path / "moved"
    shutil.copytree(home, moved)
    with open_ledger(moved, machine=HERE) as ledger:
        assert _kinds(ledger) == [Kind.LEDGER_FROM_ELSEWHERE]
        roll = ledger.rolls()[0]
        assert not any(copy.seen_here for copy in ledger.copies_of(roll.id))
        # not even for what this station sees now: the rest of its memory is another's
        ledger.remember_seen(ledger.copies_of(roll.id)[0].id, later(hours=1))
        assert not any(copy.seen_here for copy in ledger.copies_of(roll.id))


def test_a_machine_without_an_identity_vouches_for_nothing(home: Path) -> None:
    with open_ledger(home, machine="") as ledger:
        assert _kinds(ledger) == [Kind.LEDGER_FROM_ELSEWHERE]
        made = ledger.remember_offload(offload(station=""), files())
        assert not any(copy.seen_here for copy in ledger.copies_of(made.roll_id))
        assert not ledger.find_by_listing("listing-1")[0].ours


def test_an_older_ledger_put_back_vouches_only_for_what_it_sees_from_then_on(home: Path, tmp_path: Path) -> None:
    _filled(home)
    backup = tmp_path / "backup.sqlite3"
    shutil.copy(home / "ledger.sqlite3", backup)
    with open_ledger(home, machine=HERE) as ledger:
        roll = ledger.rolls()[0]
        for copy in ledger.copies_of(roll.id):
            ledger.remember_verify(copy.id, state="unproven", readback=None, at=later(hours=1))
    for name in ("ledger.sqlite3", "ledger.sqlite3-wal", "ledger.sqlite3-shm"):
        (home / name).unlink(missing_ok=True)
    shutil.copy(backup, home / "ledger.sqlite3")
    with open_ledger(home, machine=HERE, now=later(days=2)) as ledger:
        assert _kinds(ledger) == [Kind.LEDGER_RESTORED]
        first, second = ledger.copies_of(roll.id)
        assert (first.state, first.seen_here) == ("proven", False)
        assert not ledger.find_by_listing("listing-1")[0].ours
        ledger.remember_seen(second.id, later(days=3))
    with open_ledger(home, machine=HERE) as ledger:
        assert [copy.seen_here for copy in ledger.copies_of(roll.id)] == [False, True]


def test_a_fresh_ledger_sets_the_old_one_aside_without_a_complaint(home: Path) -> None:
    _filled(home)
    with fresh_ledger(home, machine=HERE, now=later(days=1)) as ledger:
        assert ledger.findings == ()
        assert ledger.rolls() == []
    aside = home / "ledger-set-aside-2026-05-15T081502Z.sqlite3"
    with sqlite3.connect(aside) as connection:
        assert connection.execute("SELECT count(*) FROM files").fetchone() == (2000,)
    connection.close()


def test_a_ledger_held_by_another_process_is_waited_for_and_then_its_holder_named(home: Path) -> None:
    with open_ledger(home, machine=HERE) as holder, open_ledger(home, machine=HERE, wait_seconds=0.05) as waiter:
        with holder.writing("counting bells"):
            with pytest.raises(LedgerBusy) as caught:
                waiter.remember_offload(offload(), files())
            assert str(os.getpid()) in caught.value.message
            assert "counting bells" in caught.value.message
            assert waiter.rolls() == [], "reading goes on meanwhile"
        waiter.remember_offload(offload(), files())
        assert len(holder.rolls()) == 1


def test_a_ledger_of_today_s_form_can_be_opened_while_another_process_writes(home: Path) -> None:
    _filled(home)
    with (
        open_ledger(home, machine=HERE) as holder,
        holder.writing("counting bells"),
        open_ledger(home, machine=HERE, wait_seconds=0.05) as reader,
    ):
        assert len(reader.rolls()) == 1


def test_a_waiting_process_gets_its_turn(home: Path) -> None:
    with open_ledger(home, machine=HERE) as one, open_ledger(home, machine=HERE) as two:
        started = threading.Event()
        done: list[int] = []

        def second() -> None:
            started.set()
            done.append(two.remember_offload(offload("B007"), files()).roll_id)

        thread = threading.Thread(target=second)
        with one.writing("counting bells"):
            thread.start()
            assert started.wait(5)
        thread.join(20)
        assert len(done) == 1


def test_a_holder_that_was_killed_is_said_not_to_run_any_more(home: Path) -> None:
    with open_ledger(home, machine=HERE, wait_seconds=0.05) as ledger:
        ended = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
        host = os.uname().nodename
        word = f'{{"pid": {int(ended.stdout)}, "host": "{host}", "since": 1, "doing": "counting bells"}}'
        with open_ledger(home, machine=HERE) as holder, holder.writing("x"):
            (home / "ledger.writer").write_text(word)
            with pytest.raises(LedgerBusy, match="not running any more"):
                ledger.remember_offload(offload(), files())


def test_a_process_killed_in_the_middle_leaves_the_ledger_as_it_was(home: Path) -> None:
    _filled(home)
    script = (
        "import os, sys\nfrom sqlalchemy import text\nfrom rollproof.ledger.opening import open_ledger\n"
        "from pathlib import Path\n"
        "with open_ledger(Path(sys.argv[1]), machine='this-machine') as ledger, ledger.writing('x') as connection:\n"
        "    connection.execute(text('DELETE FROM files'))\n    os._exit(9)\n"
    )
    ended = subprocess.run([sys.executable, "-c", script, str(home)], check=False)
    assert ended.returncode == 9
    with open_ledger(home, machine=HERE) as ledger:
        assert ledger.findings == ()
        assert len(list(ledger.files_of(ledger.find_by_listing("listing-1")[0].id))) == 2000


def test_a_home_that_cannot_be_made_is_our_own_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(LedgerProblem, match="cannot be opened"):
        open_ledger(tmp_path / "file" / "home", machine=HERE)


def test_a_folder_in_the_place_of_the_ledger_is_our_own_error(home: Path) -> None:
    (home / "ledger.sqlite3" / "x").mkdir(parents=True)
    with pytest.raises(LedgerProblem):
        open_ledger(home, machine=HERE)


def _adds_a_table(connection: Connection) -> None:
    connection.execute(text("CREATE TABLE bells (weight INTEGER)"))


def _fails_half_way(connection: Connection) -> None:
    connection.execute(text("CREATE TABLE hammers (weight INTEGER)"))
    connection.execute(text("INSERT INTO nowhere VALUES (1)"))


def _table_names(home: Path) -> set[str]:
    with sqlite3.connect(home / "ledger.sqlite3") as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    connection.close()
    return names


def test_a_step_to_a_new_form_runs_once_and_is_noted(home: Path) -> None:
    _filled(home)
    steps = (*MIGRATIONS, Migration(NEXT, "bells", _adds_a_table))
    for _ in range(2):
        with open_ledger(home, machine=HERE, steps=steps) as ledger, ledger.reading() as connection:
            noted = connection.execute(tables.migrations.select().order_by(tables.migrations.c.number)).all()
            assert [(row.number, row.name) for row in noted] == [(step.number, step.name) for step in steps]
    assert "bells" in _table_names(home)


def test_a_step_that_came_later_under_an_earlier_number_runs_too(home: Path) -> None:
    _filled(home)
    with open_ledger(home, machine=HERE) as ledger, ledger.writing("x") as connection:
        connection.execute(tables.migrations.delete().where(tables.migrations.c.number == 3))
    steps = (*MIGRATIONS[:2], Migration(3, "bells", _adds_a_table), *MIGRATIONS[3:])
    open_ledger(home, machine=HERE, steps=steps).close()
    assert "bells" in _table_names(home)


def test_a_step_that_fails_leaves_no_trace_of_itself(home: Path) -> None:
    _filled(home)
    steps = (*MIGRATIONS, Migration(NEXT, "bells", _adds_a_table), Migration(NEXT + 1, "hammers", _fails_half_way))
    with pytest.raises(LedgerProblem, match="nowhere"):
        open_ledger(home, machine=HERE, steps=steps)
    assert "bells" in _table_names(home), "the step before it stays"
    assert "hammers" not in _table_names(home)


def test_a_ledger_of_a_newer_version_is_left_as_it_is(home: Path) -> None:
    _filled(home)
    open_ledger(home, machine=HERE, steps=(*MIGRATIONS, Migration(NEXT, "bells", _adds_a_table))).close()
    before = (home / "ledger.sqlite3").read_bytes()
    with pytest.raises(LedgerProblem, match="newer version"):
        open_ledger(home, machine=HERE)
    assert (home / "ledger.sqlite3").read_bytes() == before


def test_a_disk_that_is_full_changes_nothing_and_is_our_own_error(home: Path) -> None:
    with open_ledger(home, machine=HERE) as ledger:
        ledger.remember_offload(offload(), files())

        def limited() -> object:
            with pytest.raises(LedgerProblem, match="full"), ledger.writing("x") as connection:
                pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
                connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
                connection.execute(
                    tables.people.insert(), [{"name": f"{number}" * 50, "role": ""} for number in range(5000)]
                )
            return None

        limited()
    with open_ledger(home, machine=HERE) as ledger:
        assert len(ledger.rolls()) == 1
        with ledger.reading() as connection:
            assert len(connection.execute(tables.people.select()).all()) == 1


def test_the_tables_can_be_made_in_postgresql() -> None:
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    made = "".join(str(CreateTable(table).compile(dialect=dialect)) for table in tables.metadata.sorted_tables)
    made += "".join(
        str(CreateIndex(index).compile(dialect=dialect))
        for table in tables.metadata.sorted_tables
        for index in table.indexes
    )
    assert "BIGSERIAL" in made
    assert "BYTEA" in made


def test_a_ledger_of_the_first_form_learns_what_is_known_of_clips_and_how_fast_copies_were_made(home: Path) -> None:
    _filled(home)
    with sqlite3.connect(home / "ledger.sqlite3") as connection:
        for name in tables.CLIP_FACTS:
            connection.execute(f"ALTER TABLE clips DROP COLUMN {name}")
        for name in ("paces", "together", "clock_words"):
            connection.execute(f"DROP TABLE {name}")
        for name in ("founder", "proven_at"):
            connection.execute(f"ALTER TABLE copies DROP COLUMN {name}")
        connection.execute("DELETE FROM migrations WHERE number > 1")
    connection.close()
    with open_ledger(home, machine=HERE) as ledger:
        (known,) = ledger.rolls(name="A003")
        (run,) = ledger.offloads_of(known.id)
        assert [clip.duration for clip in ledger.clips_of(run.id)] == [None, None]
        noted = ledger.remember_offload(replace(offload(roll="B002"), clips=(CLIP,)), files(roll="B002"))
        assert ledger.clips_of(noted.offload_id) == [CLIP]
        assert ledger.paces_of(known.id) == {}
        quick = replace(copy(), pace=(PACE,), seen_at=None, said_at=later(hours=1))
        for _ in range(2):
            number = ledger.remember_copy(known.id, quick)
            assert ledger.paces_of(known.id) == {number: [PACE]}
