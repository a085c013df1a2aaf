"""What looks like a card in a list of drives."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rollproof.card.likeness import looks_like_a_card


@pytest.mark.parametrize(
    ("files", "card"),
    [
        (("PRIVATE/M4ROOT/CLIP/A003C001.MP4",), True),
        (("B002R1BF/B002C001_260514_R1BF.mov",), True),
        (("12-T01.WAV",), True),
        (("A003/rollproof/0001_offload.json", "A003/CLIP/A003C001.mov"), False),
        (("day/A003/ascmhl/0001.mhl", "day/A003/A003C001.mov"), False),
        (("letters/to-the-producer.txt",), False),
        ((), False),
    ],
)
def test_footage_near_the_top_without_records_is_a_card(tmp_path: Path, files: tuple[str, ...], card: bool) -> None:
    for name in files:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    assert looks_like_a_card(os.fsencode(tmp_path)) is card


def test_what_cannot_be_listed_is_no_card(tmp_path: Path) -> None:
    assert looks_like_a_card(os.fsencode(tmp_path / "nowhere")) is False
