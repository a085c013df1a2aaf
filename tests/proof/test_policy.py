"""Today's rules beside those in records: the stricter holds."""

from __future__ import annotations

import pytest

from rollproof.models.volumes import Evidence
from rollproof.proof.policy import (
    ACCEPTED_EVIDENCE,
    Required,
    Rules,
    accepted_evidence,
    copies_required,
    may_rule,
    strictest,
)

MEDIUM, SERVER = Evidence.MEDIUM, Evidence.SERVER
STRICT = Rules(3, (MEDIUM,), production="The Bell Foundry")


@pytest.mark.parametrize(
    ("today", "recorded", "accepted"),
    [
        (None, ACCEPTED_EVIDENCE, {MEDIUM, SERVER}),
        ((MEDIUM,), ACCEPTED_EVIDENCE, {MEDIUM}),
        (ACCEPTED_EVIDENCE, (MEDIUM,), {MEDIUM}),
        ((SERVER,), (MEDIUM,), set()),
        ((Evidence.CACHE, MEDIUM), ACCEPTED_EVIDENCE, {MEDIUM}),
    ],
)
def test_only_what_both_accept_counts(
    today: tuple[Evidence, ...] | None, recorded: tuple[Evidence, ...], accepted: set[Evidence]
) -> None:
    assert accepted_evidence(today, recorded) == accepted


@pytest.mark.parametrize(
    ("today", "recorded", "required"),
    [(None, [], 2), (None, [3], 3), (None, [1], 1), (3, [2], 3), (2, [4, 3], 4), (None, [0], 2), (1, [0], 1)],
)
def test_the_larger_number_of_copies_is_required(today: int | None, recorded: list[int], required: int) -> None:
    assert copies_required(today, recorded) == required


@pytest.mark.parametrize(
    ("production", "accepted", "required"),
    [("The Bell Foundry", {MEDIUM}, 3), (None, {MEDIUM}, 3), ("Another", {MEDIUM, SERVER}, None)],
)
def test_a_productions_rules_are_for_its_own_copies(
    production: str | None, accepted: set[Evidence], required: int | None
) -> None:
    assert STRICT.accepted_for(production) == accepted
    assert STRICT.required_of(production) == required


def test_without_a_production_file_the_records_say_how_many() -> None:
    assert Rules().required_of("The Bell Foundry") is None


@pytest.mark.parametrize(
    ("on_card", "on_drive", "found", "named"),
    [(False, False, True, True), (False, True, False, True), (True, False, False, False), (True, True, False, False)],
)
def test_where_a_production_file_may_lie(on_card: bool, on_drive: bool, found: bool, named: bool) -> None:
    assert may_rule(named=False, on_card=on_card, on_drive=on_drive) is found
    assert may_rule(named=True, on_card=on_card, on_drive=on_drive) is named


@pytest.mark.parametrize(
    ("today", "recorded", "said"),
    [
        (2, (), "2 are required"),
        (2, (Required(2, "one"),), "2 are required"),
        (3, (Required(2, "one"),), "3 are required"),
        (2, (Required(3, "one"), Required(3, "other")), "3 are required, as one asks"),
        (2, (Required(3, "one"), Required(4, "other")), "4 are required, as other asks"),
    ],
)
def test_a_stricter_record_is_named(today: int, recorded: tuple[Required, ...], said: str) -> None:
    assert strictest(today, recorded).words == said
