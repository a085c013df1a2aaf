"""The shooting day and the roll's folder: a night stays in its day, and no template or name leads off the drive."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, time, timedelta, timezone

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from rollproof.drives.limits import limits_for
from rollproof.models.errors import UsageProblem
from rollproof.models.names import is_safe_relative
from rollproof.production.components import component_problem, made_safe
from rollproof.production.folders import day_text, roll_folder, shooting_day
from rollproof.production.model import Production
from rollproof.production.placeholders import PLACEHOLDERS, template_problem

LOCAL = timezone(timedelta(hours=2))
NOON = datetime(2026, 5, 14, 12, 0, tzinfo=LOCAL)


def production(folder: str = "{production}/{day}/{roll}", **other: object) -> Production:
    return Production.model_validate({"name": "The Bell Foundry", "folder": folder, **other})


def folder_of(
    wanted: Production,
    *,
    roll: str = "A003",
    day: str | None = None,
    unit: str | None = None,
    camera: str | None = None,
    now: datetime = NOON,
) -> bytes:
    return roll_folder(wanted, roll=roll, day=day, unit=unit, camera=camera, now=now)


NIGHT = {
    (14, 6, 0): 14,
    (14, 12, 0): 14,
    (14, 23, 59): 14,
    (15, 0, 0): 14,
    (15, 3, 30): 14,
    (15, 5, 59): 14,
    (15, 6, 0): 15,
}


@pytest.mark.parametrize("moment", NIGHT)
def test_a_night_shoot_stays_in_its_day_until_six(moment: tuple[int, int, int]) -> None:
    day, hour, minute = moment
    now = datetime(2026, 5, day, hour, minute, 59, tzinfo=LOCAL)
    assert shooting_day(now, production()) == date(2026, 5, NIGHT[moment])


def test_a_production_can_turn_its_day_at_another_time() -> None:
    early = production(day_turns_at="00:00")
    assert shooting_day(datetime(2026, 5, 15, 0, 0, tzinfo=LOCAL), early) == date(2026, 5, 15)
    late = production(day_turns_at=time(11, 30))
    assert shooting_day(datetime(2026, 5, 15, 11, 29, tzinfo=LOCAL), late) == date(2026, 5, 14)


def test_the_stations_own_clock_decides_and_not_utc() -> None:
    now = datetime(2026, 5, 15, 7, 0, tzinfo=LOCAL)
    assert now.astimezone(UTC).hour == 5
    assert shooting_day(now, production()) == date(2026, 5, 15)


def test_the_day_the_clocks_change_is_one_day() -> None:
    before = datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=2)))
    after = datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=1)))
    assert shooting_day(before, production()) == shooting_day(after, production()) == date(2026, 10, 24)


@given(st.datetimes(datetime(1990, 1, 1), datetime(2200, 1, 1)), st.times(), st.integers(0, 86399))
def test_a_shooting_day_lasts_from_its_turn_to_the_next(start: datetime, turn: time, later: int) -> None:
    turn = turn.replace(second=0, microsecond=0)
    wanted = production(day_turns_at=turn)
    begin = datetime.combine(start.date(), turn)
    assert shooting_day(begin + timedelta(seconds=later), wanted) == start.date()
    assert shooting_day(begin - timedelta(seconds=1), wanted) == start.date() - timedelta(days=1)


DAYS = [
    # first day, --day, the day's name
    (None, None, "2026-05-14"),
    ("2026-05-03", None, "day_012"),
    ("2026-05-14", None, "day_001"),
    ("2026-05-15", None, "2026-05-14"),
    ("2023-05-14", None, "day_1097"),
    (None, "12", "day_012"),
    (None, "007", "day_007"),
    ("2026-05-03", "13", "day_013"),
    ("2026-05-03", "2026-05-15", "day_013"),
    (None, "2026-05-15", "2026-05-15"),
    (None, "pick-ups", "pick-ups"),
    ("2026-05-03", "day_012", "day_012"),
    (None, "٣", "٣"),
]


@pytest.mark.parametrize(("first", "said", "name"), DAYS)
def test_a_day_has_one_name_however_it_was_told(first: str | None, said: str | None, name: str) -> None:
    assert day_text(production(first_day=first), day=said, now=NOON) == name


@pytest.mark.parametrize("said", ["0", "000", "2026-02-30", "2026-13-01"])
def test_a_day_that_is_none_is_told(said: str) -> None:
    with pytest.raises(UsageProblem, match="there is no"):
        day_text(production(), day=said, now=NOON)


def test_the_roll_lies_in_production_day_and_roll_unless_the_file_says_otherwise() -> None:
    assert folder_of(production()) == b"The Bell Foundry/2026-05-14/A003"
    assert folder_of(production(first_day="2026-05-03"), day="12") == b"The Bell Foundry/day_012/A003"


def test_every_placeholder_has_its_value() -> None:
    wanted = production("{production}-{date}/{day}_{unit}/{camera}-{roll}", first_day="2026-05-03")
    assert folder_of(wanted, unit="main", camera="A") == b"The Bell Foundry-2026-05-14/day_012_main/A-A003"
    assert folder_of(wanted, unit="main", camera="A", day="2026-05-13").startswith(
        b"The Bell Foundry-2026-05-13/day_011"
    )


def test_a_braced_word_in_a_name_is_only_a_name() -> None:
    wanted = Production.model_validate({"name": "{roll}", "folder": "{production}/{roll}"})
    assert folder_of(wanted) == b"{roll}/A003"


@pytest.mark.parametrize("name", ["unit", "camera"])
@pytest.mark.parametrize("value", [None, ""])
def test_a_placeholder_without_a_value_is_told_and_not_left_out(name: str, value: str | None) -> None:
    with pytest.raises(UsageProblem, match=f"needs the {name}") as caught:
        folder_of(
            production(f"{{{name}}}/{{roll}}"),
            unit=value if name == "unit" else "main",
            camera=value if name == "camera" else "A",
        )
    assert caught.value.hint


def test_a_placeholder_that_is_not_used_needs_no_value() -> None:
    assert folder_of(production("{roll}"), unit=None) == b"A003"


@pytest.mark.parametrize(
    "roll",
    ["../A003", "A/B", "..", ".", "", "A:3", "NUL", "A003.", "A\x003", "A\u202e3", "A\udcff", "x" * 300, "ascmhl"],
)
def test_a_roll_name_that_could_not_be_a_folder_everywhere_is_told(roll: str) -> None:
    with pytest.raises(UsageProblem):
        folder_of(production(), roll=roll)


def test_one_name_in_two_unicode_forms_is_one_folder() -> None:
    assert folder_of(production(), roll="Gie\u00dferei \u00e4") == folder_of(production(), roll="Gie\u00dferei a\u0308")


def holds_everywhere(part: str) -> bool:
    """Judged by the tables of the drives, which know nothing of templates."""
    for system, file_system in (("windows", "ntfs"), ("linux", "exfat"), ("linux", "vfat"), ("macos", "apfs")):
        limits = limits_for(file_system, system=system)
        if limits.forbidden.intersection(part) or part.endswith((".", " ")):
            return False
        if limits.max_name_bytes is not None and len(part.encode()) > limits.max_name_bytes:
            return False
        if limits.max_name_utf16 is not None and len(part.encode("utf-16-le")) > 2 * limits.max_name_utf16:
            return False
        if part.upper().split(".")[0].strip() in limits.reserved_names or any(ord(letter) < 32 for letter in part):
            return False
    return True


_ODD = st.sampled_from(
    ["..", ".", "/", "\\", "", "CON", "nul.x", " ", "a.", "a:b", "\0", "\x1b", "~", "C:", "\u2215", "a\u0308"]
)
_WORD = st.one_of(_ODD, st.text(max_size=8), st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=6))
_PLAIN = st.sampled_from([*(f"{{{name}}}" for name in PLACEHOLDERS), "{roll}", "footage", "-", "_", "x.y"])
_PIECE = st.one_of(_PLAIN, _PLAIN, _PLAIN, _PLAIN, _PLAIN, _WORD)
_PART = st.lists(_PIECE, min_size=1, max_size=3).map("".join)
_TEMPLATE = st.lists(_PART, max_size=3).map(lambda parts: "/".join([*parts, "{roll}"]))


@given(_TEMPLATE, _WORD, _WORD, _WORD, _WORD, _WORD)
@example("{production}/{roll}", "..", "A003", "1", "main", "A")
@example("{day}/{roll}", "x", "A003", "..", "main", "A")
@example("{unit}{camera}/{roll}", "x", "A003", "1", ".", ".")
@example("{unit}/{roll}", "x", "A003", "1", "/etc", "A")
def test_no_template_and_no_name_leads_off_the_drive_or_to_a_folder_some_drive_cannot_hold(
    template: str, name: str, roll: str, day: str, unit: str, camera: str
) -> None:
    assume(template_problem(template) is None)
    # past the model's own checks of the name: the folder must hold on its own
    wanted = production().model_copy(update={"folder": template, "name": name})
    try:
        relative = roll_folder(wanted, roll=roll, day=day, unit=unit, camera=camera, now=NOON)
    except UsageProblem:
        return
    assert is_safe_relative(relative)
    assert os.path.normpath(os.path.join(b"/drive", relative)) == b"/drive/" + relative
    parts = relative.decode("utf-8").split("/")
    assert len(parts) == template.count("/") + 1
    assert all(holds_everywhere(part) for part in parts)


@given(st.sets(st.sampled_from(sorted(PLACEHOLDERS))), st.permutations(["x", "-", "/"]))
def test_a_template_of_plain_pieces_is_taken_exactly_when_it_holds_the_roll(
    names: set[str], between: list[str]
) -> None:
    template = "/".join([between[0].replace("/", "y"), *(f"{{{name}}}" for name in sorted(names))])
    assert (template_problem(template) is None) == ("roll" in names)


@given(st.text(max_size=300))
def test_a_proposed_folder_name_is_always_one_that_holds(name: str) -> None:
    proposed = made_safe(name)
    if proposed is not None:
        assert component_problem(proposed) is None
        assert holds_everywhere(proposed)
