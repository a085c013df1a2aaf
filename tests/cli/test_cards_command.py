"""`rollproof cards`: keep or free, told after what really happened to a card, and what a page of it looks like."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.running import run_line
from rollproof.cli.commands.cards import _STATES
from rollproof.proof.cards import CardState
from rollproof.workflows.cards import CardLine, CardsResult
from support.devices import Devices
from support.trees import Blob, build

_NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)


def a_card(**changes: Any) -> CardLine:
    base = CardLine(
        label="A003",
        serial="6B2D-F86B",
        capacity_bytes=64_000_000_000,
        state="keep",
        roll="A003",
        since=_NOON,
        errors=0,
        why="no permit was given for it",
        rolls=["A003"],
    )
    return base.model_copy(update=changes)


def shows(*cards: CardLine) -> str:
    ran = run_line("cards", list_cards=lambda **_options: CardsResult(cards=list(cards), findings=[]))
    assert ran.status == 0
    return ran.out


def test_a_fresh_station_knows_no_card() -> None:
    assert run_line("cards").out == "This station has offloaded no such card.\n"


def test_the_states_are_those_of_the_proof() -> None:
    assert set(_STATES) == set(CardState.__args__)  # type: ignore[attr-defined]


def test_cards_to_keep_come_first_and_free_ones_say_what_free_means() -> None:
    out = shows(a_card(errors=2), a_card(label="B001", roll="B001", state="free", rolls=["B001", "B000"]))
    lines = out.splitlines()
    assert lines[0] == "KEEP  (1 card)"
    assert "2 read errors" in lines[1]
    assert lines[4] == "FREE  (1 card)"
    assert "before: B000" in lines[6]
    assert lines[-1].startswith("A free card may have been used since.")
    assert max(map(len, lines)) <= 100
    assert "may have been used" not in shows(a_card())


@pytest.mark.parametrize("name", NAMES)
def test_no_label_gets_onto_the_screen_alive(name: str) -> None:
    assert not alive(shows(a_card(label=name, roll=name)), terminal=False)


@pytest.mark.device
def test_a_card_is_kept_until_its_permit_and_again_when_it_comes_back_full(devices: Devices) -> None:
    card, one, two = (devices.image("ext4", name=name) for name in ("A003", "primary", "backup"))
    (card.mount / "lost+found").rmdir()
    build(card.mount, {"CLIPS/A003C001.bin": Blob(70_000, seed=1)})
    offload = ("offload", str(card.mount), "--to", str(one.mount), "--to", str(two.mount), "--roll")
    assert run_line(*offload, "A003").status == 0
    assert _states() == {"keep": ["A003"]}

    assert run_line("may-wipe", str(card.mount), "--by", "Station A").status == 0
    assert _states() == {"free": ["A003"]}

    build(card.mount, {"CLIPS/A004C001.bin": Blob(60_000, seed=2)})  # used again
    (card.mount / "CLIPS/A003C001.bin").unlink()
    assert run_line(*offload, "A004").status == 0
    assert _states() == {"keep": ["A004"]}
    assert json.loads(run_line("cards", "--json").out)["cards"][0]["rolls"] == ["A004", "A003"]


@pytest.mark.device
def test_a_card_whose_copy_went_bad_after_the_permit_is_kept(devices: Devices) -> None:
    card, one, two = (devices.image("ext4", name=name) for name in ("A003", "primary", "backup"))
    (card.mount / "lost+found").rmdir()
    build(card.mount, {"CLIPS/A003C001.bin": Blob(70_000, seed=1)})
    run_line("offload", str(card.mount), "--to", str(one.mount), "--to", str(two.mount), "--roll", "A003")
    assert run_line("may-wipe", str(card.mount), "--by", "Station A").status == 0
    assert _states() == {"free": ["A003"]}
    one.flip(Path(one.mount) / "A003/CLIPS/A003C001.bin", 1_000)
    assert run_line("verify", str(one.mount / "A003")).status == 1
    assert _states() == {"keep": ["A003"]}


def _states() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for card in json.loads(run_line("cards", "--json").out)["cards"]:
        found.setdefault(card["state"], []).append(card["roll"])
    return found
