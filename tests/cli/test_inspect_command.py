"""`inspect` and `clips` as a person and as a script meet them."""

from __future__ import annotations

import csv
import json
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from demo_media.stage import cards, stage_card
from rich.cells import cell_len

from cli.running import Ran, run_line, without_codes
from rollproof.cli.views.clips_view import clip_table
from rollproof.media.reader import process as reader_process
from rollproof.media.reader.process import Readers
from rollproof.models.inspect_results import ClipOut


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ROLLPROOF_HOME", str(tmp_path / "home"))
    stage_card("B002", tmp_path / "B002")
    return tmp_path / "B002"


def damage(card: Path) -> None:
    path = card / "B002R1BF" / "B002C002_260514_R1BF.mov"
    path.write_bytes(path.read_bytes()[:-1500])


def columns(width: int) -> dict[str, str]:
    return {"COLUMNS": str(width), "TERM": "xterm-256color"}


def inspected(card: Path, *more: str, width: int = 80, terminal: bool = False) -> Ran:
    return run_line("inspect", str(card), *more, environ=columns(width), terminal=terminal)


def test_a_sound_card_ends_with_0_and_says_so_last(card: Path) -> None:
    ran = inspected(card)
    assert (ran.status, ran.err) == (0, "")
    assert ran.last_line == "WHOLE: all 4 clips are complete. Somebody has to look at the pictures: this cannot."
    assert "Card B002   (name taken from the names of the clips)" in ran.out


def test_a_damaged_clip_stands_before_all_other_findings_and_the_verdict_is_last(card: Path) -> None:
    damage(card)
    shutil.rmtree(card / "B002R1BF" / "nothing", ignore_errors=True)
    (card / "B002R1BF" / "B002C003_260514_R1BF.mov").unlink()
    ran = inspected(card)
    assert ran.status == 1
    assert ran.last_line == "DAMAGED: 1 of 3 clips. Tell the camera team now; KEEP the card."
    out = without_codes(ran.out)
    assert out.index("B002C002_260514_R1BF is DAMAGED") < out.index("missing in the counting")
    assert "the picture data is there and may be recovered" in out


@pytest.mark.parametrize("width", [40, 60, 80, 100, 120, 200])
def test_no_line_of_the_table_is_wider_than_the_screen_and_numbers_stand_under_numbers(card: Path, width: int) -> None:
    damage(card)
    out = without_codes(inspected(card, width=width, terminal=True).out)
    table = [line for line in out.splitlines() if line.startswith("  B002C0") or line.startswith("  clip ")]
    assert len(table) >= 5
    assert all(cell_len(line) <= width for line in table)
    ends = {line.index(" health") for line in table if " health" in line}
    ends |= {line.index(" sound") for line in table if line.endswith(" sound")}
    assert len(ends) == 1


def test_a_wide_screen_shows_more_columns_than_a_narrow_one(card: Path) -> None:
    narrow, wide = (without_codes(inspected(card, width=width).out) for width in (80, 120))
    assert "codec" in wide
    assert "files" in wide
    assert "codec" not in narrow
    assert all(word in narrow for word in ("length", "start", "size", "health"))


def test_no_colour_and_a_pipe_lose_no_word(card: Path) -> None:
    damage(card)
    piped = inspected(card).out
    assert "\x1b" not in piped
    bare = run_line("inspect", str(card), environ={**columns(80), "NO_COLOR": "1"}, terminal=True).out
    assert "DAMAGED" in without_codes(bare)


def many(count: int, **changes: dict[str, object]) -> list[ClipOut]:
    made = []
    for number in range(1, count + 1):
        name = f"A003C{number:04}"
        fields: dict[str, Any] = {
            "name": name, "roll": "A003", "path": f"{name}.mov", "files": 1, "essence_files": 1, "bytes": 5,
            "kind": "clip", "layout": "", "set_aside": False, "health": "sound", "state": "sound", "container": "",
            "duration": None,
            "duration_seconds": 60.0, "timecode": None, "end_timecode": None, "frame_rate": None, "resolution": None,
            "codec": None, "reel": None, "scene": None, "take": None, "channels": None, "sample_rate": None,
            "problems": [],
        }  # fmt: skip
        made.append(ClipOut(**(fields | changes.get(name, {}))))
    return made


def test_two_thousand_clips_do_not_scroll_past_and_no_damaged_one_is_hidden() -> None:
    clips = many(2_000, A003C1000={"health": "damaged", "state": "damaged"})
    lines = [line.plain for line in clip_table(clips, 80)]
    assert len(lines) < 25
    assert any("A003C1000" in line and line.endswith("DAMAGED") for line in lines)
    assert "… 991 clips, 16 h 31 min, all whole: --all shows them" in [line.strip() for line in lines]
    assert len(list(clip_table(clips, 80, show_all=True))) == 2_001


def test_a_hostile_clip_name_stays_one_inert_line() -> None:
    clips = many(1, A003C0001={"name": "\x1b[31m[bold]x\n\u202e" + "y" * 500})
    lines = [line.plain for line in clip_table(clips, 80)]
    assert len(lines) == 2
    assert all("\x1b" not in line and "\n" not in line and cell_len(line) <= 80 for line in lines)


def test_json_is_one_object_with_the_keys_scripts_rely_on(card: Path) -> None:
    ran = inspected(card, "--json")
    answer = json.loads(ran.out)
    assert answer["roll"] == "B002"
    assert answer["findings"] == []
    keys = {"name", "files", "bytes", "health", "duration", "timecode", "frame_rate"}
    assert all(keys <= clip.keys() for clip in answer["clips"])
    assert [clip["name"] for clip in answer["clips"]] == cards()["B002"]["clips"]


def test_what_is_not_there_is_said_with_what_to_do(tmp_path: Path, card: Path) -> None:
    ran = inspected(tmp_path / "nothing")
    assert ran.status == 2
    assert "nothing can be inspected" in ran.err
    assert "Next:" in ran.err


def test_the_list_is_printed_or_written_and_never_replaces_a_file(tmp_path: Path, card: Path) -> None:
    ran = run_line("clips", str(card), "--csv", "-")
    rows = list(csv.DictReader(ran.out.splitlines()))
    assert [row["clip"] for row in rows] == cards()["B002"]["clips"]
    assert ran.status == 0
    target = tmp_path / "day.csv"
    said = run_line("clips", str(card), "--csv", str(target))
    assert said.status == 0
    assert "4 clips listed in" in said.out
    assert target.read_bytes().decode() == ran.out
    again = run_line("clips", str(card), "--csv", str(target))
    assert again.status == 3
    assert "nothing is ever replaced" in again.err
    assert target.read_bytes().decode() == ran.out


def test_whoever_asks_for_a_list_alone_hears_why_columns_are_empty(
    tmp_path: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("av")
    monkeypatch.setattr(reader_process, "_shared", Readers((sys.executable, "-c", "raise SystemExit(1)")))
    said = "facts of pictures are not known: the media library does not work here"
    printed = run_line("clips", str(card), "--csv", "-")
    assert (printed.status, said in printed.err, said in printed.out) == (0, True, False)
    assert said in run_line("clips", str(card), "--csv", str(tmp_path / "day.csv")).out
    assert said in run_line("clips", str(card)).out
    assert said in inspected(card).out
    assert "does not work here" in json.loads(inspected(card, "--json").out)["clips"][0]["note"]


def test_the_list_as_json_and_on_the_screen(card: Path) -> None:
    answer = json.loads(run_line("clips", str(card), "--json").out)
    assert [each["clip"]["name"] for each in answer["clips"]] == cards()["B002"]["clips"]
    assert run_line("clips", str(card)).last_line == "4 clips."
