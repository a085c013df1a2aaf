"""The pace of a copy: every byte is in some stretch, whatever threads it comes from, and it never grows too long."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.events import Event, Leg, LegEnded, LegStarted, Moved
from rollproof.workflows.offload.speed import MOST_STRETCHES, SpeedNotes


class Clock:
    """Seconds that go by when told."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def moved(count: int, leg: Leg = Leg.WRITE, drive: str = "primary") -> Moved:
    return Moved("A003", leg, drive, count, 0, "clip.mov")


@given(st.lists(st.tuples(st.floats(0, 20_000), st.integers(0, 10**12)), min_size=1, max_size=60))
def test_every_byte_is_in_some_stretch_and_there_are_never_too_many(steps: list[tuple[float, int]]) -> None:
    clock = Clock()
    notes = SpeedNotes(lambda event: None, monotonic=clock)
    notes(LegStarted("A003", Leg.WRITE, "primary", 1, 1))
    for seconds, count in steps:
        clock.now += seconds
        notes(moved(count))
    notes(LegEnded("A003", Leg.WRITE, "primary", True))
    total = sum(count for _, count in steps)
    paces = notes.of("primary")
    if not total:
        assert paces == ()
        return
    (pace,) = paces
    assert pace.bytes == sum(pace.stretches) == total
    assert len(pace.stretches) <= MOST_STRETCHES
    assert pace.stretch_seconds * len(pace.stretches) >= pace.seconds - pace.stretch_seconds


def test_legs_and_drives_are_told_apart_and_the_card_is_no_drive() -> None:
    clock = Clock()
    seen: list[Event] = []
    notes = SpeedNotes(seen.append, monotonic=clock)
    events = [
        moved(5), moved(7, drive="backup"), moved(3, Leg.READ_BACK), moved(9, Leg.READ_CARD, ""),
        moved(4, Leg.READ_CARD_AGAIN, ""),
    ]  # fmt: skip
    for event in events:
        notes(event)
    assert seen == events
    assert {pace.leg: pace.bytes for pace in notes.of("primary")} == {"write": 5, "read back": 3}
    assert {pace.leg: pace.bytes for pace in notes.of("backup")} == {"write": 7}
    assert notes.of("") == ()


def test_bytes_stand_in_the_stretch_they_were_moved_in() -> None:
    clock = Clock()
    notes = SpeedNotes(lambda event: None, monotonic=clock)
    notes(LegStarted("A003", Leg.WRITE, "primary", 1, 1))
    for seconds, count in ((1, 10), (8, 20), (2, 30), (20, 40)):
        clock.now += seconds
        notes(moved(count))
    (pace,) = notes.of("primary")
    assert (pace.stretches, pace.seconds, pace.stretch_seconds) == ((30, 30, 0, 40), 31.0, 10.0)
