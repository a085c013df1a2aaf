"""Every I/O call of a small offload goes wrong once, in every way, and again in the run that resumes it.

Shown for each: the card is untouched; nothing stands under a final name but whole camera originals, records and
manifests; nothing of anybody else is changed; what is called proven is so by its bytes on the medium; a failed call is
never a success; the other drive finishes; a rerun completes and copies nothing twice.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.faults import Call
from support.stage import Stage, stage
from support.sweep import ATTACKS, Attack, cases, sweep


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


@pytest.fixture(scope="module")
def first_calls(place: Stage) -> list[Call]:
    return cases(place, place.clear)


@pytest.mark.timeout(900)
@pytest.mark.parametrize("attack", ATTACKS, ids=lambda attack: attack.name.replace(" ", "-"))
def test_no_call_of_an_offload_can_break_an_invariant(place: Stage, first_calls: list[Call], attack: Attack) -> None:
    wrong, reached = sweep(place, attack, first_calls, place.clear)
    assert not wrong, f"{len(wrong)} broken:\n" + "\n".join(wrong[:40])
    fitting = sum(attack.fits(call) for call in first_calls)
    assert reached >= fitting * 0.9, f"only {reached} of {fitting} calls were reached"
