"""Sound files are called sound; damaged ones damaged; what no look at structure can see has a name and is counted."""

from __future__ import annotations

import pytest

from media import damage
from media.health_table import Row, as_markdown, measure

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def rows() -> dict[str, Row]:
    found = measure()
    print("\n" + as_markdown(found))
    return found


@pytest.mark.parametrize("kind", damage.KINDS)
def test_no_untouched_file_raises_an_alarm(kind: str, rows: dict[str, Row]) -> None:
    assert rows[kind].sound_files > 0
    assert rows[kind].sound == rows[kind].sound_files


@pytest.mark.parametrize("kind", damage.KINDS)
def test_every_damage_is_seen_or_named_as_one_that_cannot_be(kind: str, rows: dict[str, Row]) -> None:
    assert rows[kind].misses == []


@pytest.mark.parametrize("kind", damage.KINDS)
def test_a_file_cut_at_a_random_place_is_called_damaged(kind: str, rows: dict[str, Row]) -> None:
    row = rows[kind]
    tried, seen = row.tried["cut at a random place"], row.damaged["cut at a random place"]

    # a compressed arx frame does not say how long it is: half of this row is such a file
    assert seen >= (tried * 0.75 if kind == "ari, arx" else tried * 0.99)


def test_a_header_that_was_never_finished_is_always_seen(rows: dict[str, Row]) -> None:
    for kind, row in rows.items():
        assert row.damaged["header never finished"] == row.tried["header never finished"] > 0, kind
