"""A permit speaks of what was on the card when it was given, wherever it is shown: on real drives."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rollproof.cli.views.audit_view import audit_lines
from rollproof.cli.views.rolls_view import rolls_lines
from rollproof.models.requests import Cancel, ReportRequest
from rollproof.station.context import Context
from rollproof.workflows.report import report
from rollproof.workflows.rolls import list_rolls
from support.devices import Devices
from support.loops import until
from workflows.station import SMALL, fill
from workflows.wipe_bench import ASSISTANT, Bench

pytestmark = pytest.mark.device

USED = "for what was on it then; used again since"
MORE = {"CLIP/A003C004_260514.mov": 60_000}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("permits")
    with Devices(folder) as devices:
        (folder / "work").mkdir()
        yield Bench(devices, folder / "work")


@pytest.fixture
def bench(made: Bench) -> Bench:
    """A card that was permitted to be wiped."""
    made.sweep()
    made.offload()
    assert made.ask().answer == "MAY WIPE"
    return made


def rolls_screen() -> str:
    return "\n".join(line.plain for line in rolls_lines(list_rolls(), named=False))


def page(bench: Bench, out: Path, *drives: Path) -> str:
    out.mkdir()
    request = ReportRequest(
        tuple(os.fsencode(drive) for drive in drives), whole=True, out=os.fsencode(out), posters=False,
        person=ASSISTANT, working_folder=os.fsencode(bench.folder),
    )  # fmt: skip
    result = report(request, Context.of(cancel=Cancel(), drives=bench.drives, settings=SMALL))
    states = {roll["permit"]["state"] for roll in json.loads(Path(result.files["json"]).read_text())["rolls"]}
    return Path(result.files["html"]).read_text(encoding="utf-8") + f" states {sorted(states)}"


def test_a_permit_of_a_card_that_was_used_again_says_so_wherever_it_is_shown(bench: Bench, tmp_path: Path) -> None:
    (roll,) = list_rolls().rolls
    assert roll.permit == "given" and "used again" not in rolls_screen()
    assert "used again" not in page(bench, tmp_path / "before", bench.one.mount)
    audited = bench.audit(bench.one, bench.two)
    assert [each.permit_used_again for each in audited.rolls] == [False]

    second = int(time.time())
    until(lambda: int(time.time()) > second)  # nobody uses a card again within the second of its permit
    fill(bench.card.mount, MORE)
    bench.offload()
    (roll,) = list_rolls().rolls
    assert roll.permit == "used again"
    assert USED in rolls_screen() and "permit given  " not in rolls_screen()
    for name, drives in (("memory", ()), ("drives", (bench.one.mount, bench.two.mount))):
        told = page(bench, tmp_path / name, *drives)
        assert USED in told and "states ['used again']" in told, name
    audited = bench.audit(bench.one, bench.two)
    assert [each.permit_used_again for each in audited.rolls] == [True]
    assert any(USED in found.detail for found in audited.findings)
    assert USED in "\n".join(line.plain for line in audit_lines(audited, everything=True))


def test_another_copy_of_the_same_card_is_no_use_of_it(bench: Bench) -> None:
    bench.offload(bench.three)
    (roll,) = list_rolls().rolls
    assert roll.permit == "given" and "used again" not in rolls_screen()
