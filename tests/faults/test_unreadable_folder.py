"""A folder of the card that cannot be read: when somebody may take it upon themselves, and when that is of no use."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

import pytest

from rollproof.models.requests import Cancel, MayWipeRequest, Person
from rollproof.models.results import MayWipeResult
from rollproof.station.context import Context
from rollproof.storage.system import system_io
from rollproof.workflows.may_wipe import may_wipe
from support.faults import Fail, Rule
from support.faulty_io import FaultyIo
from support.stage import SETTINGS, Stage, stage


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


def broken(place: Stage) -> Rule:
    return Rule(Fail(errno.EIO), "list_folder", path=b"SOUND", drive=os.fsencode(place.card), onward=True)


def ask(place: Stage, *accepted: str) -> MayWipeResult:
    clips = tuple(sorted(os.fsdecode(path)[6:14] for path in place.known.files if path.endswith(b".mov")))
    person = Person(name="data wrangler")
    request = MayWipeRequest(os.fsencode(place.card), accepted=(*clips, *accepted), reason="seen", person=person)
    io = FaultyIo(system_io(), [broken(place)])
    result = may_wipe(
        request, Context.of(emit=lambda event: None, cancel=Cancel(), io=io, drives=place.places, settings=SETTINGS)
    )
    assert io.reached
    return result


def test_a_folder_that_no_offload_could_read_keeps_the_card_whatever_is_accepted(place: Stage) -> None:
    place.clear()
    run = place.run([broken(place)])
    assert set(run.states().values()) == {"incomplete"}
    plain = ask(place)
    assert plain.answer == "KEEP"
    (reason,) = [reason for reason in plain.reasons if reason.startswith("SOUND: ")]
    assert "keep the card" in reason
    accepted = ask(place, "SOUND")
    assert accepted.answer == "KEEP"
    (reason,) = [reason for reason in accepted.reasons if "accepted" in reason]
    assert "keep the card" in reason


def test_a_folder_that_was_read_when_the_copies_were_made_can_be_accepted(place: Stage) -> None:
    place.clear()
    assert set(place.run().states().values()) == {"proven"}
    assert ask(place).answer == "KEEP"
    accepted = ask(place, "SOUND")
    assert accepted.answer == "MAY WIPE", accepted.reasons
    assert any("responsibility for SOUND" in finding.detail for finding in accepted.findings)
