"""Drives and ledgers that an earlier version wrote are read with the same answers. See README.md in this folder."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from legacy.kept import DRIVES, HERE, Kept, ask_images, ask_trees
from rollproof.ledger.opening import open_ledger
from rollproof.ledger.station_file import StationFile
from rollproof.ledger.trouble import LedgerProblem
from rollproof.records.chain import read_chain
from rollproof.records.founding import founder_of
from rollproof.storage.system import system_io

ANSWERS: dict[str, dict[str, Any]] = json.loads((HERE / "answers.json").read_text())

for _answers in (ANSWERS["trees"], ANSWERS["images"]):
    # that version counted proven copies of which only another drive's record tells
    for _roll in _answers["rolls rebuilt"][1]:
        _roll |= {"state": "not proven", "devices_proven": 0}
# … said of each roll that copies are too few, where the cause is one: these images lie on other devices now
for _asked in ("audit with the ledger", "audit without"):
    ANSWERS["images"][_asked][3] = ["differs", "other-device"]
# … and read a card through of which this station knows nothing at all
ANSWERS["images"]["may-wipe unknown"][2] = None


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept.unpacked(tmp_path / "kept")


def as_read_back(answers: dict[str, Any]) -> dict[str, Any]:
    """As JSON has it: no tuples."""
    read: dict[str, Any] = json.loads(json.dumps(answers))
    return read


def test_the_set_is_what_its_readme_says() -> None:
    size = sum(path.stat().st_size for path in HERE.glob("*.tar.xz"))
    assert size < 1 << 20
    assert ANSWERS["trees"]["rolls"][1][0]["permit"] == "given"
    assert ANSWERS["images"]["may-wipe A003 verified"][1] == "MAY WIPE"


def test_kept_ledgers_and_the_files_of_kept_drives_are_read_with_the_same_answers(kept: Kept) -> None:
    assert as_read_back(ask_trees(kept)) == ANSWERS["trees"]


@pytest.mark.device
def test_kept_drives_are_read_with_the_same_answers(kept: Kept) -> None:
    assert as_read_back(ask_images(kept)) == ANSWERS["images"]


def test_a_kept_ledger_learns_the_identity_of_its_copies_and_is_kept_as_it_was(kept: Kept) -> None:
    home = kept.home("cart")
    was = _rows(home / "ledger.sqlite3", "SELECT id, state, folder FROM copies ORDER BY id")
    with open_ledger(home) as ledger:
        rolls = {roll.name: ledger.copies_of(roll.id) for roll in ledger.rolls()}
    founders = {name: [copy.founder for copy in copies] for name, copies in rolls.items()}
    for name, copies in rolls.items():
        for copy in copies:
            drive = copy.drive.identity.volume_label
            folder = kept.place / "trees" / drive / os.fsdecode(copy.folder) / "rollproof"
            records = [hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.glob("*.json"))]
            assert copy.founder == records[3 if drive == "FOUNDRY_3" else 0], (name, drive)
            assert (copy.proven_at is not None) == (copy.state == "proven")
        assert len(set(founders[name])) == 3, "three copies"
    (before,) = home.glob("ledger-kept-*.sqlite3")
    assert before.stat().st_mode & 0o077 == 0
    assert _rows(before, "SELECT max(number) FROM migrations") == [(3,)]
    assert _rows(before, "SELECT id, state, folder FROM copies ORDER BY id") == was
    with open_ledger(home):
        assert list(home.glob("ledger-kept-*.sqlite3")) == [before], "only once"


def test_a_kept_ledger_is_left_as_it_is_where_no_copy_of_it_can_be_kept(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = kept.home("cart")

    def full(station: StationFile, now: datetime) -> Path:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(StationFile, "keep_copy", full)
    with pytest.raises(LedgerProblem, match="no copy of it could be kept"):
        open_ledger(home)
    assert _rows(home / "ledger.sqlite3", "SELECT max(number) FROM migrations") == [(3,)]


def _rows(path: Path, query: str) -> list[Any]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


def test_the_identity_of_kept_copies_is_read_from_their_records(kept: Kept) -> None:
    for name in DRIVES:
        for roll in (kept.place / "trees" / name / "The Bell Foundry" / "2026-05-14").iterdir():
            io = system_io()
            handle = io.open_root(os.fsencode(roll))
            chain = read_chain(io, handle)
            io.close(handle)
            assert founder_of(chain) == chain.links[3 if name == "FOUNDRY_3" else 0].sha256
