"""What an inspection says of cards, copies, drives and clips, and what an offload makes of the same look."""

from __future__ import annotations

import csv
import errno
import json
import os
import shutil
import sys
import threading
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from demo_media.stage import cards, stage_card
from lxml import etree

from card.trees_at_hand import listed
from media.by_hand import dng
from media.corpus import corpus
from media.noisy import noisy_movie
from rollproof.card.clips import read_card
from rollproof.clips import check as clip_look
from rollproof.clips.check import LookHow, look_at_clips
from rollproof.clips.words import duration_text, end_timecode, rate_text
from rollproof.media.facts import Facts
from rollproof.media.health import FileHealth, examine
from rollproof.media.reader import process as reader_process
from rollproof.media.reader.process import Readers
from rollproof.models.errors import Refused, UsageProblem
from rollproof.models.events import CardFree, Event, FindingRaised, Leg, LegEnded, RollPlanned
from rollproof.models.findings import Kind
from rollproof.models.inspect_results import InspectResult
from rollproof.models.requests import Cancel, ClipsRequest, InspectRequest, OffloadRequest
from rollproof.station.context import Context
from rollproof.storage.posix import LinuxIo
from rollproof.storage.system import system_io
from rollproof.workflows.inspect import inspect
from rollproof.workflows.inspect.clips_list import csv_lines, list_clips
from rollproof.workflows.offload import offload
from support.devices import Devices
from support.faults import Fail, Rule, Stall
from support.faulty_io import FaultyIo
from support.movies import SMALLEST, whole_movie
from support.trees import walk
from workflows.station import CLIPS, SMALL, Station, fill
from workflows.test_packing_list import schemas


@pytest.fixture
def top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ROLLPROOF_HOME", str(tmp_path / "home"))
    return tmp_path


@pytest.fixture
def station(top: Path) -> Station:
    return Station(top / "station")


def look(path: Path | bytes, **given: Any) -> InspectResult:
    return inspect(InspectRequest(os.fsencode(path), **given), Context.of(cancel=Cancel()))


def demo_card(top: Path, name: str) -> Path:
    stage_card(name, top / name)
    return top / name


def cut(path: Path) -> None:
    """As a pulled battery leaves it: the index that stood at the end is not there."""
    before = path.stat()
    content = path.read_bytes()
    path.write_bytes(content[: len(content) - 1500])
    os.utime(path, ns=(before.st_mtime_ns, before.st_mtime_ns))


# --- cards


@pytest.mark.path
@pytest.mark.parametrize("name", cards())
def test_a_demo_card_is_sound_and_its_clips_are_those_that_were_shot(top: Path, name: str) -> None:
    card = demo_card(top, name)
    before = walk(card)
    result = look(card)
    assert [clip.name for clip in result.clips] == cards()[name]["clips"]
    assert {clip.health for clip in result.clips} == {"sound"}
    assert (result.roll, result.findings, int(result.status)) == (name, [], 0)
    assert sum(clip.bytes for clip in result.clips) <= result.rolls[0].bytes
    assert walk(card) == before, "an inspection left a trace on the card"


def test_facts_are_those_the_demo_was_made_with(top: Path) -> None:
    pytest.importorskip("av")
    clips = look(demo_card(top, "A003")).clips
    told = [(clip.duration, clip.timecode, clip.end_timecode, clip.frame_rate, clip.resolution) for clip in clips]
    assert told[0] == ("00:00:03.000", "10:42:07:00", "10:42:10:00", "25", "320x180")
    assert told[2] == ("00:00:04.000", "11:03:12:00", "11:03:16:00", "25", "320x180")
    sound = look(demo_card(top, "S001")).clips
    assert [(clip.scene, clip.take, clip.channels, clip.kind) for clip in sound] == [
        ("12", "1", 3, "clip"), ("12", "2", 3, "clip"), ("WT", "1", 2, "tracks")
    ]  # fmt: skip


@pytest.fixture
def library_that_does_not_work(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader_process, "_shared", Readers((sys.executable, "-c", "raise SystemExit(1)")))


@pytest.mark.usefixtures("library_that_does_not_work")
def test_a_media_library_that_does_not_work_is_told_and_not_taken_for_silence(top: Path) -> None:
    pytest.importorskip("av")
    result = look(demo_card(top, "A003"))

    (told,) = result.findings
    assert (told.kind, told.severity, told.count) == ("clip-facts-missing", "note", len(result.clips))
    assert f"the media library does not work here (A003C001_260514 and {len(result.clips) - 1} more)" in told.detail
    assert "pip install" in told.remedy
    assert {(clip.health, clip.duration) for clip in result.clips} == {("sound", None)}
    assert all("does not work here" in clip.note for clip in result.clips)
    assert int(result.status) == 0


def test_a_clip_that_was_never_finished_is_named_first_in_plain_words(top: Path) -> None:
    card = demo_card(top, "B002")
    cut(card / "B002R1BF" / "B002C002_260514_R1BF.mov")
    (card / "B002R1BF" / "B002C003_260514_R1BF.mov").unlink()
    result = look(card)
    assert [clip.health for clip in result.clips] == ["sound", "damaged", "sound"]
    first = result.findings[0]
    assert (first.kind, first.severity, first.path) == ("damaged-clip", "error", "B002C002_260514_R1BF")
    assert "the picture data is there and may be recovered" in first.detail
    assert "tell the camera team now" in first.remedy
    assert {finding.kind for finding in result.findings} == {"damaged-clip", "clip-numbers-gap"}
    assert int(result.status) == 1


def test_every_damaged_clip_is_named_and_an_empty_one_is_said_once(top: Path) -> None:
    card = top / "A003"
    (card / "A003R1BF").mkdir(parents=True)
    for number in range(1, 31):
        content = b"" if number == 1 else whole_movie(1000, b"bronze")[:-100]
        (card / "A003R1BF" / f"A003C{number:03}_260514.mov").write_bytes(content)

    result = look(card)

    told = [finding for finding in result.findings if finding.severity == "error"]
    assert [finding.path for finding in told] == [f"A003C{number:03}_260514" for number in range(1, 22)]
    assert told[-1].detail.endswith("(and 9 more like it)")
    assert sum(finding.count for finding in told) == 30
    assert "empty-file" not in {finding.kind for finding in result.findings}


def test_a_segment_missing_from_the_middle_is_damaged_and_a_first_one_odd(top: Path) -> None:
    for name in ("A003_C001_0514BF.RDC/A003_C001_0514BF_00%d.mov", "A003_C002_0514BF.RDC/A003_C002_0514BF_00%d.mov"):
        for part in (1, 2, 4) if "C001" in name else (2, 3):
            path = top / "card" / (name % part)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(whole_movie(2_000, b"bronze"))
    result = look(top / "card")
    assert [(clip.kind, clip.state, clip.health) for clip in result.clips] == [
        ("spanned", "damaged", "damaged"), ("spanned", "odd", "unknown")
    ]  # fmt: skip


def test_a_broken_sidecar_makes_a_clip_odd_and_its_pictures_no_worse(top: Path) -> None:
    card = demo_card(top, "A003")
    sidecar = card / "PRIVATE" / "M4ROOT" / "CLIP" / "A003C001_260514M01.XML"
    sidecar.write_bytes(sidecar.read_bytes()[:100])
    result = look(card)
    assert (result.clips[0].state, result.clips[0].health) == ("odd", "sound")
    assert [finding.kind for finding in result.findings if finding.severity != "note"] == ["odd-clip"]
    assert int(result.status) == 0


def test_the_cards_own_index_is_held_against_it(top: Path) -> None:
    card = demo_card(top, "A003")
    (card / "PRIVATE" / "M4ROOT" / "CLIP" / "A003C004_260514.MP4").unlink()
    kinds = {finding.kind for finding in look(card).findings}
    assert kinds == {"index-disagrees", "proxy-without-original", "metadata-without-original"}


def test_metadata_that_counts_up_the_tracks_of_a_clip_is_held_against_them(top: Path) -> None:
    card = top / "P001"
    names = ("VIDEO/0001AB.MXF", "AUDIO/0001AB00.MXF", "AUDIO/0001AB01.MXF")
    for name in names:
        (card / "CONTENTS" / name).parent.mkdir(parents=True, exist_ok=True)
        (card / "CONTENTS" / name).write_bytes(corpus()["atom-sound.mxf" if "AUDIO" in name else "atom-picture.mxf"])
    (card / "CONTENTS" / "CLIP").mkdir()
    sidecar = card / "CONTENTS" / "CLIP" / "0001AB.XML"
    tracks = "<Audio><Bits>24</Bits></Audio>" * 2
    sidecar.write_text(
        f"<Main><ClipContent><ClipName>0001AB</ClipName><EssenceList><Video><Proxy/></Video>{tracks}</EssenceList>"
        "<ClipMetadata><Device><Audio/></Device></ClipMetadata></ClipContent></Main>"
    )
    whole = look(card)
    assert [(clip.kind, clip.state) for clip in whole.clips] == [("tracks", "sound")]
    assert whole.findings == []

    (card / "CONTENTS" / names[2]).unlink()

    (clip,) = look(card).clips
    assert (clip.state, clip.health) == ("odd", "sound")
    assert clip.problems[0].detail == "its metadata tells of 3 files of picture or sound, 2 here"
    sidecar.write_text("<Clip><File>VIDEO\\0001AB.MXF</File><File>AUDIO/0001AB01.MXF</File></Clip>")
    assert look(card).clips[0].problems[0].detail.endswith(" 2 here: 0001AB01.MXF")

    (card / "CONTENTS" / names[0]).unlink()
    (card / "CONTENTS" / names[1]).unlink()
    assert [finding.kind for finding in look(card).findings] == ["metadata-without-original"]


def test_frames_missing_from_a_sequence_are_told(top: Path) -> None:
    from media.by_hand import dpx  # noqa: PLC0415

    folder = top / "plates" / "kiln"
    folder.mkdir(parents=True)
    for number in range(1, 40):
        (folder / f"kiln.{number:07}.dpx").write_bytes(dpx())
    assert [(clip.kind, clip.state, clip.files) for clip in look(top / "plates").clips] == [("frames", "sound", 39)]
    (folder / "kiln.0000017.dpx").unlink()
    result = look(top / "plates")
    assert [(clip.state, clip.files) for clip in result.clips] == [("damaged", 38)]
    assert "17" in result.findings[0].detail


def test_a_sequence_of_camera_raw_has_start_length_and_end(top: Path) -> None:
    frames = top / "A003C001_260514"
    frames.mkdir()
    code, rate = (51043, 1, [0x10, 0x07, 0x42, 0x10, 0, 0, 0, 0]), (51044, 10, [25, 1])
    for number in range(50):
        (frames / f"A003C001_260514.{number:06}.dng").write_bytes(dng(said=[code, rate]))

    (clip,) = look(top / "A003C001_260514").clips

    assert (clip.kind, clip.state, clip.codec, clip.frame_rate) == ("frames", "sound", "DNG", "25")
    assert (clip.timecode, clip.end_timecode, clip.duration) == ("10:42:07:10", "10:42:09:10", "00:00:02.000")


def test_a_single_clip_can_be_named(top: Path) -> None:
    card = demo_card(top, "B002")
    result = look(card / "B002R1BF" / "B002C003_260514_R1BF.mov")
    assert [clip.name for clip in result.clips] == ["B002C003_260514_R1BF"]
    assert (result.rolls[0].what, result.rolls[0].files, result.rolls[0].clips) == ("clip", 1, 1)
    assert result.findings == []


@pytest.mark.parametrize("path", ["nothing", "B002/notes.txt"])
def test_what_is_not_there_or_no_clip_is_a_usage_error(top: Path, path: str) -> None:
    (demo_card(top, "B002") / "notes.txt").write_text("nothing to see")
    with pytest.raises(UsageProblem):
        look(top / path)


def test_clips_stand_in_the_order_of_their_numbers(top: Path) -> None:
    (top / "card").mkdir()
    for number in (10, 9, 1000, 2):
        (top / "card" / f"C{number}.mov").write_bytes(whole_movie(1_000, b"x"))
    assert [clip.name for clip in look(top / "card").clips] == ["C2", "C9", "C10", "C1000"]


def test_an_empty_folder_holds_no_clips(top: Path) -> None:
    (top / "empty").mkdir()
    assert look(top / "empty").clips == []


# --- copies and drives


def test_a_copy_says_what_its_records_say_and_a_drive_shows_every_roll(top: Path, station: Station) -> None:
    station.offload()
    copy = look(station.roll(station.one)).rolls[0]
    assert copy.what == "roll"
    assert copy.roll == "A003"
    assert copy.roll_from == "its records"
    assert copy.record is not None
    assert (copy.record.files_missing, copy.record.files_changed, copy.record.files_unknown) == (0, 0, 0)
    assert copy.clips == 3
    shutil.copytree(station.roll(station.one), station.one / "B007", copy_function=shutil.copy2)
    drive = look(station.one)
    assert [roll.path.rpartition("/")[2] for roll in drive.rolls] == ["A003", "B007"]
    assert drive.roll is None
    assert len(drive.clips) == 6


def test_a_roll_that_was_copied_on_its_own_drive_is_not_said_to_be_proven_where_nobody_read_it(
    top: Path, station: Station
) -> None:
    station.offload()
    shutil.copytree(station.roll(station.one), station.one / "B007", copy_function=shutil.copy2)
    records = [roll.record for roll in look(station.one).rolls if roll.record is not None]
    assert [record.state for record in records] == ["proven", "unproven"]
    assert records[1].why and "verify" in records[1].remedy.casefold()
    listed = list_clips(ClipsRequest((os.fsencode(station.one),)), Context.of(cancel=Cancel())).clips
    assert [each.state for each in listed] == ["proven"] * 3 + ["unproven"] * 3


def test_files_that_are_not_as_recorded_are_told_by_name_size_and_date(top: Path, station: Station) -> None:
    station.offload()
    roll = station.roll(station.one)
    (roll / "NOTES.TXT").unlink()
    os.utime(roll / "CLIP" / "A003C002_260514.mov", (1, 1))
    (roll / "extra.mov").write_bytes(whole_movie(1000, b"x"))
    result = look(roll)
    kinds = {finding.kind for finding in result.findings}
    assert {"missing", "differs", "unknown-file"} <= kinds
    assert int(result.status) == 1
    listed = list_clips(ClipsRequest((os.fsencode(roll),)), Context.of(cancel=Cancel())).clips
    by_name = {each.clip.name: (each.state, bool(each.hash)) for each in listed}
    assert by_name["A003C002_260514"] == by_name["extra"] == ("unproven", False)
    assert by_name["A003C001_260514"][1]


def test_a_card_shows_which_drives_hold_it_and_another_card_of_its_name_is_said(top: Path, station: Station) -> None:
    station.offload()
    known = look(station.card).rolls[0].known_copies
    assert {copy.drive for copy in known} == {"primary", "backup"}
    assert {copy.files for copy in known} == {len(CLIPS)}
    assert "roll-name-used" not in {finding.kind for finding in look(station.card).findings}
    for path in [*station.card.rglob("*.mov"), *station.card.rglob("*.xml"), station.card / "NOTES.TXT"]:
        path.unlink()
    (station.card / "CLIP" / "A003C001_260515.mov").write_bytes(whole_movie(4_000, b"tin"))
    other = look(station.card)
    assert other.rolls[0].known_copies == []
    assert [finding.kind for finding in other.findings] == ["roll-name-used"]


# --- posters


def test_posters_are_new_files_and_never_replace_one(top: Path) -> None:
    pytest.importorskip("av")
    card, folder = demo_card(top, "B002"), top / "posters"
    result = look(card, posters=os.fsencode(folder))
    written = sorted(path.name for path in folder.iterdir())
    assert written == [f"{name}.png" for name in cards()["B002"]["clips"]]
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in folder.iterdir())
    assert [clip.poster for clip in result.clips] == [str(folder / name) for name in written]
    (folder / written[0]).write_text("mine")
    assert "not-writable" in {finding.kind for finding in look(card, posters=os.fsencode(folder)).findings}
    assert (folder / written[0]).read_text() == "mine"


@pytest.mark.parametrize("where", ["B002/posters", "B002", "missing/deeper"])
def test_posters_never_go_onto_what_is_looked_at_nor_into_nowhere(top: Path, where: str) -> None:
    card = demo_card(top, "B002")
    before = walk(card)
    with pytest.raises((Refused, UsageProblem)):
        look(card, posters=os.fsencode(top / where))
    assert walk(card) == before


def test_before_the_first_byte_an_offload_says_what_told_the_name_the_layout_and_the_ends_of_the_roll(
    top: Path,
) -> None:
    card = demo_card(top, "A003")
    (top / "primary").mkdir()
    for given, told in ((None, "the names of the clips"), ("A003_EXTRA", "")):
        events: list[Event] = []
        request = OffloadRequest((os.fsencode(card),), (os.fsencode(top / "primary"),), roll=given, dry_run=True)
        offload(request, Context.of(emit=events.append, cancel=Cancel()))
        (plan,) = (event for event in events if isinstance(event, RollPlanned))
        assert (plan.roll_from, plan.layout) == (told, "M4ROOT: CLIP, SUB, THMBNL")
        assert (plan.first_clip, plan.last_clip) == ("A003C001_260514", "A003C004_260514")


# --- the list for editorial


def test_the_list_has_hash_and_state_by_record(top: Path, station: Station) -> None:
    station.offload()
    target = top / "list.csv"
    request = ClipsRequest((os.fsencode(station.roll(station.one)), os.fsencode(station.card)), os.fsencode(target))
    result = list_clips(request, Context.of(cancel=Cancel()))
    rows = list(csv.DictReader(target.read_text().splitlines()))
    assert [row["clip"] for row in rows] == [each.clip.name for each in result.clips]
    record = {file["path"]: file["hashes"]["xxh128"] for file in station.records(station.one)[0]["files"]}
    assert rows[0]["hash"] == "xxh128:" + record["CLIP/A003C001_260514.mov"]
    assert rows[0]["camera"] == "A"
    assert {row["state"] for row in rows[3:]} == {"no record"}
    assert {row["state"] for row in rows[:3]} <= {"proven", "copied"}
    with pytest.raises(Refused):
        list_clips(request, Context.of(cancel=Cancel()))
    with pytest.raises(Refused):
        list_clips(
            ClipsRequest((os.fsencode(station.card),), os.fsencode(station.card / "l.csv")), Context.of(cancel=Cancel())
        )


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1+1"])
def test_a_name_that_a_spreadsheet_would_run_is_made_harmless(top: Path, name: str) -> None:
    card = top / "card"
    card.mkdir()
    (card / f"{name}.mov").write_bytes(whole_movie(1_000, b"x"))
    result = list_clips(ClipsRequest((os.fsencode(card),)), Context.of(cancel=Cancel()))
    (row,) = csv.DictReader("".join(csv_lines(result.clips)).splitlines())
    assert row["clip"].startswith("'")
    assert not any(character in row["clip"] for character in "\t\r\n\x1b")


# --- words


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(Fraction(3), "00:00:03.000"), (Fraction(1001, 24000), "00:00:00.042"), (Fraction(36_000), "10:00:00.000"),
     (Fraction(-1), None), (Fraction(10**12), None), (None, None)],
)  # fmt: skip
def test_a_duration_in_words(seconds: Fraction | None, text: str | None) -> None:
    assert duration_text(seconds) == text


def test_rates_in_words() -> None:
    assert [rate_text(rate) for rate in (Fraction(25), Fraction(24000, 1001), Fraction(30000, 1001), None)] == [
        "25", "23.976", "29.97", None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("start", "rate", "seconds", "end"),
    [
        ("10:00:00:00", Fraction(25), Fraction(2), "10:00:02:00"),
        ("23:59:59:24", Fraction(25), Fraction(1, 25), "00:00:00:00"),
        ("01:00:00:00", Fraction(24000, 1001), Fraction(1001, 1000), "01:00:01:00"),
        ("00:00:59;29", Fraction(30000, 1001), Fraction(1001, 30000), "00:01:00;02"),
        ("00:09:59;29", Fraction(30000, 1001), Fraction(1001, 30000), "00:10:00;00"),
        ("00:01:00;02", Fraction(30000, 1001), Fraction(0), "00:01:00;02"),
        ("no timecode", Fraction(25), Fraction(2), None),
    ],
)
def test_the_end_timecode_counts_as_edit_lists_do(start: str, rate: Fraction, seconds: Fraction, end: str) -> None:
    assert end_timecode(Facts(seconds, start_timecode=start, frame_rate=rate)) == end


# --- what an offload makes of it


def test_records_and_manifests_carry_what_is_known_of_every_clip(top: Path, station: Station) -> None:
    pytest.importorskip("av")
    shutil.rmtree(station.card)
    stage_card("A003", station.card)
    station.offload()
    (record,) = station.records(station.one)
    clip = record["clips"][0]
    assert (clip["health"], clip["duration"], clip["timecode"], clip["frame_rate"]) == (
        "sound", "00:00:03.000", "10:42:07:00", "25"
    )  # fmt: skip
    assert (clip["files"], clip["resolution"]) == (4, "320x180")
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("*.mhl")
    told = etree.parse(manifest).findall(".//{urn:ASC:MHL:v2.0}metadata/{urn:rollproof:clip:1}clip")
    assert [each.get("name") for each in told] == cards()["A003"]["clips"]
    assert told[0].get("timecode") == "10:42:07:00"
    schema = etree.XMLSchema(etree.parse(schemas() / "ASCMHL.xsd"))
    assert schema.validate(etree.parse(manifest)), schema.error_log
    assert station.verify().copies[0].differ == []


def test_a_damaged_clip_is_copied_said_loudly_and_keeps_its_card(top: Path, station: Station) -> None:
    path = station.card / "CLIP" / "A003C002_260514.mov"
    content = path.read_bytes()
    path.write_bytes(content[:20] + content[SMALLEST:])
    whole = Station(top / "whole").offload_one()
    roll = station.offload_one()
    assert (roll.verdict, roll.status) == (whole.verdict, whole.status), "a health finding changed the verdict"
    assert next(finding.kind for finding in roll.findings) == "damaged-clip"
    told = [event for event in station.events if getattr(getattr(event, "finding", None), "kind", "") == "damaged-clip"]
    assert len(told) == 1, "said once, the moment it is known"
    assert (station.roll(station.two) / "CLIP" / "A003C002_260514.mov").read_bytes() == path.read_bytes()
    health = {clip["name"]: clip["health"] for clip in station.records(station.one)[0]["clips"]}
    assert health == {"A003C001_260514": "sound", "A003C002_260514": "damaged", "A003C003_260514": "sound"}
    assert roll.card is not None
    assert roll.card.answer == "KEEP"


@pytest.mark.parametrize("where", ["in the pictures", "in free space", "nowhere"])
def test_a_card_that_answers_with_zeros_twice_is_not_believed_in_silence(top: Path, where: str) -> None:
    pytest.importorskip("av")
    station = Station(top / "zeros")
    movie = noisy_movie()
    if where == "in the pictures":
        movie = movie[: 2 << 20] + bytes(3 << 20) + movie[5 << 20 :]
    elif where == "in free space":
        movie += (8 + (4 << 20)).to_bytes(4, "big") + b"free" + bytes(4 << 20)
    path = station.card / "CLIP" / "A003C009_260514.mov"
    path.write_bytes(movie)
    if where == "in the pictures":
        path.with_suffix(".xml").write_bytes(b"<clip")  # odd for a lesser reason too, which must not be told instead

    roll = station.offload_one()

    def ours(finding: Any) -> bool:
        return (finding.kind, finding.path) == ("odd-clip", "A003C009_260514")

    odd = [finding for finding in roll.findings if ours(finding)]
    states = {clip["name"]: clip.get("state") for clip in station.records(station.one)[0]["clips"]}
    raised = [event for event in station.events if isinstance(event, FindingRaised) and ours(event.finding)]
    free_at = next(place for place, event in enumerate(station.events) if isinstance(event, CardFree))
    assert (station.roll(station.one) / "CLIP" / path.name).read_bytes() == movie
    if where != "in the pictures":
        assert (odd, states["A003C009_260514"], raised) == ([], None, [])
        return
    (finding,) = odd
    assert "nothing but zeros" in finding.detail
    assert states["A003C009_260514"] == "odd"
    assert len(raised) == 2, "once for the sidecar, once for the zeros"
    assert "nothing but zeros" in raised[-1].finding.detail
    assert station.events.index(raised[-1]) < free_at, "told while the set is standing, before the card is called free"


def test_a_card_is_not_called_free_while_it_is_still_looked_at(
    top: Path, station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = station.card / "CLIP" / "A003C002_260514.mov"
    path.write_bytes(path.read_bytes()[:20] + path.read_bytes()[SMALLEST:])
    read, free = threading.Event(), threading.Event()

    def on_event(event: Event) -> None:
        if isinstance(event, LegEnded) and event.leg is Leg.READ_CARD_AGAIN:
            read.set()
        if isinstance(event, CardFree):
            free.set()

    def slow(*given: Any) -> FileHealth:
        read.wait(20)
        free.wait(0.3)  # the look goes on after the last read: whoever calls the card free by then has not waited
        return examine(*given)

    monkeypatch.setattr(clip_look, "examine", slow)
    station.offload(on_event=on_event)
    kinds = [
        "damaged" if isinstance(event, FindingRaised) and event.finding.kind is Kind.DAMAGED_CLIP else "free"
        for event in station.events
        if isinstance(event, CardFree | FindingRaised)
        and (isinstance(event, CardFree) or event.finding.kind is Kind.DAMAGED_CLIP)
    ]
    assert kinds == ["damaged", "free"]


def on_the_card(station: Station) -> Iterator[Rule]:
    card = os.fsencode(station.card)
    for operation in ("open_folder", "open_read", "read_into", "fstat"):
        for nth in (1, 2, 5):
            yield Rule(Fail(errno.EIO), operation, drive=card, nth=nth)


def test_a_card_that_fails_under_the_look_is_unknown_and_never_an_exception(station: Station) -> None:
    for rule in on_the_card(station):
        io = FaultyIo(system_io(), [rule])
        root = io.open_root(os.fsencode(station.card))
        snapshot = listed(CLIPS)
        found = look_at_clips(io, root, snapshot, read_card(snapshot).clips, LookHow(workers=1))
        assert found.complete
        assert {each.state for each in found.looks} <= {"sound", "odd", "unknown"}, rule
        io.close(root)


def test_a_card_that_does_not_answer_ends_the_look_and_says_so(station: Station) -> None:
    released = threading.Event()
    io = FaultyIo(system_io(), [Rule(Stall(released), "read_into", drive=os.fsencode(station.card), onward=True)])
    root = io.open_root(os.fsencode(station.card))
    snapshot = listed(CLIPS)
    found = look_at_clips(io, root, snapshot, read_card(snapshot).clips, LookHow(stall_seconds=0.3))
    released.set()
    assert (found.hangs, found.complete) == (True, False)
    assert {each.note for each in found.looks} == {"the medium did not answer in time"}


class Opened(LinuxIo):
    """The real system, writing down how movies were opened."""

    def __init__(self) -> None:
        super().__init__()
        self.direct: list[bool] = []

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        if name.endswith(b".mov"):
            self.direct.append(direct)
        return super().open_read(name, folder, direct=direct)


@pytest.mark.device
@pytest.mark.parametrize("file_system", ["exfat", "btrfs", "ext4"])
def test_a_look_beside_an_offload_takes_no_evidence_from_its_passes(
    top: Path, devices: Devices, file_system: str
) -> None:
    card = devices.image(file_system)
    fill(card.mount, {name: size for name, size in CLIPS.items() if name.endswith(".mov")})
    card.replug(read_only=True)
    drives = []
    for name in ("primary", "backup"):
        (top / name).mkdir()
        drives.append(os.fsencode(top / name))
    request = OffloadRequest((os.fsencode(card.mount),), tuple(drives), roll="A003", working_folder=os.fsencode(top))
    io = Opened()
    (roll,) = offload(request, Context.of(emit=lambda event: None, cancel=Cancel(), io=io, settings=SMALL)).rolls
    assert roll.source_evidence == ["medium", "medium"]
    if file_system != "ext4":  # where pages must be shown to be gone, the look comes before the passes
        assert io.direct[:4] == [False, False, False, True]
    record = json.loads(next((top / "primary" / "A003" / "rollproof").glob("*.json")).read_text())
    assert {clip["health"] for clip in record["clips"]} == {"sound"}
