"""The demo cards are sound: no check may cry wolf over what a real muxer wrote."""

from __future__ import annotations

from pathlib import Path

import pytest

from demo_media import stage
from rollproof.media.health import examine
from rollproof.media.source import BytesSource

CARDS = Path(stage.__file__).parent / "cards"
FILES = sorted(path.relative_to(CARDS) for path in CARDS.rglob("*") if path.is_file())


@pytest.mark.parametrize("path", FILES, ids=str)
def test_every_file_of_the_demo_cards_is_sound(path: Path) -> None:
    answer = examine(BytesSource((CARDS / path).read_bytes()), bytes(path))

    assert answer.problems == ()
    assert answer.state == ("unknown" if path.suffix == ".csv" else "sound")
