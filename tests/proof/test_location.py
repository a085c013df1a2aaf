"""Where footage may be written: a table of places, and what is said of each."""

from __future__ import annotations

import itertools

import pytest

from rollproof.proof.location import REFUSED, LocationFacts, LocationReason, judge_location

R = LocationReason
HERE, BEFORE = "1A2B-3C4D", "5E6F-7A8B"

TABLE: list[tuple[str, LocationFacts, tuple[LocationReason, ...]]] = [
    ("a folder of one's own on the computer's disk", LocationFacts(True), ()),
    ("a drive", LocationFacts(False, here=HERE, under_mount_root=True, named=True), ()),
    ("nothing is mounted at /media/PRIMARY", LocationFacts(True, under_mount_root=True), (R.MOUNT_ROOT,)),
    ("nothing is mounted where the production file has a drive", LocationFacts(True, named=True), (R.NAMED_DRIVE,)),
    ("a drive was seen there", LocationFacts(True, here=HERE, last_at_path=BEFORE), (R.OTHER_AT_PATH,)),
    ("a drive was seen in this role", LocationFacts(True, here=HERE, last_in_role=BEFORE), (R.OTHER_IN_ROLE,)),
    ("a drive was seen, and now nothing is known", LocationFacts(True, last_at_path=BEFORE), (R.OTHER_AT_PATH,)),
    ("the same volume as ever", LocationFacts(True, here=HERE, last_at_path=HERE, last_in_role=HERE), ()),
    ("meant, at a mount root", LocationFacts(True, meant=True, under_mount_root=True), (R.SYSTEM_MEANT,)),
    ("meant, in the production file", LocationFacts(True, meant=True, named=True), (R.SYSTEM_MEANT,)),
    ("meant, where a drive was", LocationFacts(True, meant=True, here=HERE, last_at_path=BEFORE), (R.SYSTEM_MEANT,)),
    ("meant, and a drive is there", LocationFacts(False, meant=True, named=True, here=HERE), ()),
    ("another shuttle", LocationFacts(False, here=HERE, last_in_role=BEFORE), (R.ANOTHER_DRIVE,)),
    ("the same shuttle", LocationFacts(False, here=HERE, last_in_role=HERE), ()),
    ("another drive at the path, in no role", LocationFacts(False, here=HERE, last_at_path=BEFORE), ()),
    ("the ledger on the drive", LocationFacts(False, here=HERE, holds_station_home=True), (R.STATION_HOME,)),
    ("the ledger where it belongs", LocationFacts(True, holds_station_home=True), ()),
    (
        "another shuttle with the ledger on it",
        LocationFacts(False, here=HERE, last_in_role=BEFORE, holds_station_home=True),
        (R.ANOTHER_DRIVE, R.STATION_HOME),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("what", "facts", "said"), TABLE, ids=[row[0] for row in TABLE])
def test_what_is_said_of_a_place(what: str, facts: LocationFacts, said: tuple[LocationReason, ...]) -> None:
    assert judge_location(facts) == said


def test_only_the_systems_volume_is_ever_refused_and_never_where_it_is_meant() -> None:
    yes_or_no = (True, False)
    volumes = (None, HERE, BEFORE)
    for on_system, meant, under, named, home in itertools.product(yes_or_no, repeat=5):
        for here, at_path, in_role in itertools.product(volumes, repeat=3):
            facts = LocationFacts(on_system, meant, under, named, here, at_path, in_role, home)
            if REFUSED & set(judge_location(facts)):
                assert on_system and not meant
            elif on_system and not meant:
                assert not under and not named
