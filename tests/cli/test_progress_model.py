"""What the screen knows, moment by moment, on a clock of the test's own."""

from __future__ import annotations

import pytest

from cli.replay import GB, GONE, Roll, Timed
from rollproof.cli.pictures import LaneState, MomentKind, Picture
from rollproof.cli.screen.progress_model import ProgressModel
from rollproof.cli.screen.speeds import Speed
from rollproof.models.events import CardFree, DriveDone, FindingRaised, Leg, LegEnded, LegStarted, Moved, StillNeeded
from rollproof.models.findings import Finding, Kind, Severity


class Play:
    """A model, and a clock that goes where events take it."""

    def __init__(self, *rolls: Roll) -> None:
        self.now = 0.0
        self.model = ProgressModel(lambda: self.now, cards_total=len(rolls))
        self.timeline: list[Timed] = []
        start = 0.0
        for roll in rolls:
            self.timeline += roll.events(start)
            start = self.timeline[-1][0] + 1.0
        self._next = 0

    def until(self, second: float) -> Picture:
        """Play all events up to this second; the picture then."""
        while self._next < len(self.timeline) and self.timeline[self._next][0] <= second:
            self.now, event = self.timeline[self._next]
            self.model.apply(event)
            self._next += 1
        self.now = second
        picture = self.model.picture()
        assert picture is not None
        return picture


def test_there_is_no_picture_before_anything_is_known() -> None:
    assert ProgressModel(lambda: 0.0).picture() is None


def test_before_any_speed_is_seen_nothing_is_promised() -> None:
    picture = Play(Roll()).until(0.0)
    assert picture.card_free_seconds is None
    assert picture.proven_seconds is None


# the made-up roll: card 80 s a pass; shuttle 128 s writing, 0.5 s later 107 s reading back, then its record
@pytest.mark.parametrize("second", [5.0, 30.0, 60.0])
def test_from_its_first_seconds_on_the_end_of_both_card_passes_is_foreseen(second: float) -> None:
    picture = Play(Roll()).until(second)
    assert picture.card_free_seconds == pytest.approx(160.0 - second, rel=0.05)


def test_the_slowest_drive_decides_when_everything_is_proven() -> None:
    picture = Play(Roll()).until(30.0)
    # its read-back was not seen yet, so its writing speed stands in for it: twice 128 s
    assert picture.proven_seconds == pytest.approx(256.0 - 30.0, rel=0.05)
    picture = Play(Roll()).until(180.0)
    assert picture.proven_seconds == pytest.approx(128.0 + 0.5 + 106.7 - 180.0, rel=0.05)


def test_with_a_single_read_the_card_is_free_after_the_first() -> None:
    roll = Roll()
    play = Play(roll)
    plan = roll.plan()
    play.timeline[0] = (0.0, type(plan)(plan.roll, plan.card, 1, 1, plan.size_bytes, 1, plan.drives))
    assert play.until(40.0).card_free_seconds == pytest.approx(40.0, rel=0.05)


def test_a_second_card_is_foreseen_by_the_speeds_of_the_first() -> None:
    play = Play(Roll(), Roll("B002", "/media/B002", size_bytes=64 * GB))
    second_card = next(at for at, event in play.timeline if getattr(event, "roll", "") == "B002")
    picture = play.until(second_card)
    assert picture.roll == "B002"
    assert picture.cards_before == 1
    assert picture.card_free_seconds == pytest.approx(160.0, rel=0.05)
    # shuttle: 128 s writing and 107 s reading back, as on the first card
    assert picture.proven_seconds == pytest.approx(235.0, rel=0.05)


def test_a_drive_is_followed_from_writing_over_read_back_to_proven() -> None:
    play = Play(Roll())
    seen = []
    for second in (10.0, 100.0, 152.0, 200.0):
        picture = play.until(second)
        [primary] = [each for each in picture.lanes if each.drive == "primary"]
        seen.append((primary.leg, primary.state, primary.done))
    assert seen == [
        (Leg.WRITE, LaneState.WORKING, ""),
        (Leg.READ_BACK, LaneState.WORKING, ""),
        (Leg.READ_BACK, LaneState.ENDED, ""),
        (Leg.RECORD, LaneState.ENDED, "proven"),
    ]


def test_a_lane_says_how_far_how_fast_and_what_is_left() -> None:
    picture = Play(Roll()).until(40.0)
    [shuttle] = [each for each in picture.lanes if each.drive == "shuttle"]
    assert shuttle.fraction == pytest.approx(40 / 128, abs=0.01)
    assert shuttle.left_bytes == pytest.approx(64 * GB * 88 / 128, rel=0.01)
    assert shuttle.rate == pytest.approx(0.5 * GB, rel=0.02)
    assert shuttle.seconds_left == pytest.approx(88.0, rel=0.05)
    assert shuttle.path.endswith(".mov")


def test_a_drive_that_moves_nothing_is_said_to_stand_still_and_nothing_is_promised_for_it() -> None:
    play = Play(Roll())
    play.until(30.0)
    play.now = 36.0
    picture = play.model.picture()
    assert picture is not None
    [shuttle] = [each for each in picture.lanes if each.drive == "shuttle"]
    assert shuttle.state is LaneState.STALLED
    assert shuttle.quiet_seconds == pytest.approx(6.0, abs=0.3)
    play.now = 60.0
    picture = play.model.picture()
    assert picture is not None
    assert picture.proven_seconds is None


def test_what_a_drive_did_on_an_earlier_card_is_no_promise_while_it_stands_still() -> None:
    play = Play(Roll(), Roll("B002", "/media/B002"))
    second_card = next(at for at, event in play.timeline if getattr(event, "roll", "") == "B002")
    assert play.until(second_card + 10.0).proven_seconds is not None
    play.now += 30.0
    picture = play.model.picture()
    assert picture is not None
    assert picture.proven_seconds is None


# of this roll shuttle writes 5 % in 32 s and is let go of; primary is flushed at 80 s; 608 s of catching up follow
BEHIND = Roll(write={"primary": 0.8 * GB, "backup": 0.7 * GB, "shuttle": 0.1 * GB}, behind={"shuttle": 0.05})


@pytest.mark.parametrize("second", [40.0, 70.0, 100.0, 400.0])
def test_the_end_of_catching_up_is_foreseen_while_it_has_not_begun_too(second: float) -> None:
    picture = Play(BEHIND).until(second)
    # its read-back was not seen yet: the cautious guess is its writing speed, 640 s
    assert picture.proven_seconds == pytest.approx(80.0 + 608.0 + 640.0 - second, rel=0.05)


def test_falling_behind_takes_nothing_from_what_is_done() -> None:
    play = Play(BEHIND)
    fractions = [play.until(float(second)).fraction for second in range(0, 810, 5)]
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0


def test_what_is_said_of_a_slow_drive_comes_once_and_its_helpers_are_released_at_the_end() -> None:
    play = Play(BEHIND)
    play.until(900.0)
    moments = play.model.take_moments()
    assert [moment.finding.kind for moment in moments if moment.finding] == [Kind.FELL_BEHIND]
    done = [(moment.drive, moment.needed is not None) for moment in moments if moment.kind is MomentKind.DRIVE_DONE]
    assert done == [
        ("primary", True), ("backup", True), ("primary", False), ("backup", False), ("shuttle", False),
    ]  # fmt: skip


def test_a_lost_drive_is_told_once_and_leaves_the_promise_to_the_others() -> None:
    play = Play(Roll(lost=frozenset({"shuttle"})))
    picture = play.until(70.0)
    moments = [(moment.kind, moment.drive) for moment in play.model.take_moments()]
    assert moments.count((MomentKind.DRIVE_LOST, "shuttle")) == 1
    [shuttle] = [each for each in picture.lanes if each.drive == "shuttle"]
    assert shuttle.state is LaneState.FAILED
    # the backup: 91 s writing, as long again reading back, as far as can be told
    assert picture.proven_seconds == pytest.approx(183.0 - 70.0, rel=0.05)


@pytest.mark.parametrize(
    "event",
    [
        LegEnded("A003", Leg.WRITE, "shuttle", False),
        DriveDone("A003", "shuttle", "failed"),
        FindingRaised("A003", Finding(Kind.DRIVE_HANGS, Severity.ERROR, "", "no answer", drive="shuttle")),
    ],
)
def test_any_word_of_a_lost_drive_is_enough(event: LegEnded | DriveDone | FindingRaised) -> None:
    play = Play(Roll())
    play.until(10.0)
    play.model.apply(event)
    assert (MomentKind.DRIVE_LOST, "shuttle") in [(each.kind, each.drive) for each in play.model.take_moments()]
    # the backup: 91 s writing, as long again reading back, as far as can be told
    assert play.until(20.0).proven_seconds == pytest.approx(183.0 - 20.0, rel=0.05)


def test_a_leg_that_was_asked_to_stop_is_no_lost_drive() -> None:
    play = Play(Roll())
    play.until(10.0)
    play.model.take_moments()
    play.model.stopping()
    play.model.apply(LegEnded("A003", Leg.WRITE, "shuttle", False))
    assert play.model.take_moments() == []
    picture = play.model.picture()
    assert picture is not None
    assert LaneState.STOPPED in [each.state for each in picture.lanes]


def test_when_the_card_is_lost_its_drives_are_not_blamed() -> None:
    play = Play(Roll())
    play.until(10.0)
    play.model.take_moments()
    play.model.apply(FindingRaised("A003", Finding(Kind.CARD_MISSING, Severity.ERROR, "", "the card is gone")))
    play.model.apply(LegEnded("A003", Leg.WRITE, "shuttle", False))
    assert [moment.kind for moment in play.model.take_moments()] == [MomentKind.FINDING]


def test_the_moments_come_in_order_and_once() -> None:
    play = Play(Roll())
    play.until(10_000.0)
    moments = [(moment.kind, moment.drive) for moment in play.model.take_moments()]
    assert moments[:2] == [(MomentKind.PLANNED, ""), (MomentKind.CARD_FREE, "")]
    assert sorted(moments[2:]) == [(MomentKind.DRIVE_DONE, drive) for drive in ("backup", "primary", "shuttle")]
    assert play.model.take_moments() == []


def test_only_after_the_last_card_may_a_drive_be_unplugged() -> None:
    play = Play(Roll(needed=StillNeeded.MORE_ROLLS), Roll("B002", "/media/B002"))
    play.until(10_000.0)
    last_use = [moment.needed is None for moment in play.model.take_moments() if moment.kind is MomentKind.DRIVE_DONE]
    assert last_use == [False, False, False, True, True, True]


def test_what_the_preflight_found_is_said_when_the_work_begins_and_not_before_a_refusal() -> None:
    play = Play(Roll())
    play.model.apply(play.timeline[0][1])
    warning = Finding(Kind.SAME_DEVICE, Severity.WARNING, "", "primary and backup are one device")
    play.model.apply(FindingRaised("A003", warning))
    assert [moment.kind for moment in play.model.take_moments()] == [MomentKind.PLANNED]
    play.model.apply(LegStarted("A003", Leg.READ_CARD, "", 1, 1))
    assert [moment.finding for moment in play.model.take_moments()] == [warning]


def test_a_flood_of_one_kind_of_finding_is_counted_and_not_said() -> None:
    play = Play(Roll())
    play.until(1.0)
    play.model.take_moments()
    for number in range(4000):
        bad = Finding(Kind.UNREADABLE, Severity.ERROR, f"CLIPS/{number}.mov", "not readable")
        play.model.apply(FindingRaised("A003", bad))
    assert len(play.model.take_moments()) == 3
    assert play.model.more_findings() == 3997


def test_events_that_nobody_expected_do_no_harm() -> None:
    model = ProgressModel(lambda: 1.0)
    model.apply(Moved("X", Leg.WRITE, "primary", 10, 1, "a"))
    model.apply(LegEnded("X", Leg.WRITE, "primary", False))
    model.apply(DriveDone("Y", "backup", "proven"))
    model.apply(CardFree("Z"))
    model.apply(FindingRaised("", GONE))
    model.apply(LegStarted("X", Leg.READ_BACK, "primary", 0, 0))
    assert model.picture() is not None


def test_the_whole_ends_at_one_and_never_goes_back() -> None:
    play = Play(Roll())
    fractions = [play.until(float(second)).fraction for second in range(0, 260, 5)]
    assert fractions == sorted(fractions)
    assert fractions[0] == 0.0
    assert fractions[-1] == 1.0


def test_a_speed_is_the_speed_of_lately() -> None:
    speed = Speed(0.0, window_seconds=20.0)
    for second in range(1, 101):
        speed.add(float(second), 100 if second <= 50 else 10)
    assert speed.rate(100.0) == pytest.approx(10.0)
    assert speed.overall(100.0) == pytest.approx(55.0)
    assert speed.rate(200.0) == 0.0


def test_a_speed_of_thousands_of_small_files_keeps_few_samples() -> None:
    speed = Speed(0.0)
    for number in range(50_000):
        speed.add(number / 5000, 1000)
    assert speed.rate(10.0) == pytest.approx(5_000_000, rel=0.05)
    assert len(speed._samples) < 100
