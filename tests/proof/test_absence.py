"""Too few copies because a drive is away: a table of cases."""

from __future__ import annotations

import pytest

from rollproof.models.volumes import Device
from rollproof.proof.absence import AwayCopy, ShortRoll, causes


def disk(name: str) -> Device:
    """A device of that name."""
    return Device(key=f"disk:{name}", kind="disk")


def short(required: int, counted: str, away: str) -> ShortRoll:
    """A roll with copies that count and copies that are away, each on the device of its letter."""
    return ShortRoll(1, required, tuple(map(disk, counted)), tuple(AwayCopy(name, disk(name)) for name in away))


@pytest.mark.parametrize(
    ("roll", "drives"),
    [
        (short(2, "a", "b"), ("b",)),
        (short(2, "", "bc"), ("b", "c")),
        (short(3, "a", "bc"), ("b", "c")),
        (short(3, "a", "b"), ()),
        (short(2, "a", ""), ()),
        # what is away lies on the same device as what is here: it would not help
        (short(2, "a", "a"), ()),
    ],
)
def test_a_drive_that_is_away_explains_only_what_it_would_mend(roll: ShortRoll, drives: tuple[str, ...]) -> None:
    assert causes([roll]) == ([(drives, (1,))] if drives else [])


def test_rolls_are_gathered_by_the_drives_that_are_away() -> None:
    one, two = AwayCopy("backup", disk("b")), AwayCopy("shuttle", disk("s"))
    rolls = [
        ShortRoll(1, 2, (disk("a"),), (one,)),
        ShortRoll(2, 2, (), (one, two)),
        ShortRoll(3, 2, (disk("a"),), (one,)),
    ]
    assert causes(rolls) == [(("backup",), (1, 3)), (("backup", "shuttle"), (2,))]
