"""The station helper proves itself on the real command."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from support.station import Inject, Station, instants
from support.trees import Blob, build


@pytest.fixture
def station(tmp_path: Path) -> Station:
    for name in ("home", "desk"):
        (tmp_path / name).mkdir()
    return Station(tmp_path / "home", tmp_path / "desk")


@pytest.fixture
def card(tmp_path: Path) -> Path:
    (tmp_path / "drive").mkdir()
    return build(tmp_path / "card", {"CLIPS/A003C001.mov": Blob(200_000, seed=1), "A003.xml": b"<roll/>"})


def _offload(card: Path) -> tuple[str | Path, ...]:
    return ("offload", card, "--to", card.parent / "drive", "--roll", "A003", "--json")


@pytest.mark.slow
def test_the_command_runs_and_its_json_is_read(station: Station, card: Path) -> None:
    ended = station.run(*_offload(card))
    assert ended.status == 0, ended.text
    assert ended.json["verdict"] == "proven"
    assert (card.parent / "drive" / "A003" / "A003.xml").read_bytes() == b"<roll/>"


def test_a_killed_command_is_reported_as_killed(station: Station, card: Path) -> None:
    ended = station.run_and_kill(0.01, *_offload(card))
    assert ended.killed
    assert ended.stdout == b""


def test_instants_are_the_same_for_the_same_seed() -> None:
    assert instants(7, 5, 2.0) == instants(7, 5, 2.0)
    assert instants(7, 5, 2.0) != instants(8, 5, 2.0)
    assert all(0.5 <= at <= 2.0 for at in instants(9, 100, 2.0, shortest_seconds=0.5))


@pytest.mark.device
def test_strace_fails_the_call_it_is_told_to(station: Station, card: Path) -> None:
    ended = station.run_with_faults([Inject("fsync", "error=EIO", when="1+")], *_offload(card))
    assert ended.faults > 0
    assert ended.status == 4, ended.text
    assert ended.json["verdict"] == "not proven"


@pytest.mark.device
def test_strace_kills_at_the_call_it_is_told_to(station: Station, card: Path) -> None:
    ended = station.run_with_faults([Inject("renameat2", "signal=SIGKILL", when="1")], *_offload(card))
    assert ended.killed
    assert not os.path.exists(card.parent / "drive" / "A003" / "rollproof")
