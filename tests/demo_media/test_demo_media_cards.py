"""The demo cards are real media, small, and exactly what their manifest says."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
from demo_media.stage import HERE, StagedCard, cards, stage_card

CARDS = HERE / "cards"
ALL = {f"{card}/{file['path']}": file for card, content in cards().items() for file in content["files"]}
MOVING = sorted(path for path in ALL if path.lower().endswith((".mp4", ".mov", ".mxf")))
WAVES = sorted(path for path in ALL if path.endswith(".WAV"))


def chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Walk a RIFF file strictly: every chunk inside, padded to even, ending with the file."""
    form, size, kind = struct.unpack_from("<4sI4s", content)
    assert (form, kind) == (b"RIFF", b"WAVE")
    assert size + 8 == len(content)
    offset = 12
    while offset < len(content):
        name, length = struct.unpack_from("<4sI", content, offset)
        assert offset + 8 + length <= len(content)
        yield name, content[offset + 8 : offset + 8 + length]
        offset += 8 + length + length % 2
    assert offset == len(content)


def test_every_committed_file_is_in_the_manifest_and_has_its_recorded_hash() -> None:
    found = {path.relative_to(CARDS).as_posix() for path in CARDS.rglob("*") if path.is_file()}
    assert found == set(ALL)
    for path, file in ALL.items():
        content = (CARDS / path).read_bytes()
        assert (len(content), hashlib.sha256(content).hexdigest()) == (file["size"], file["sha256"]), path


def test_all_cards_together_are_smaller_than_four_megabytes() -> None:
    assert 1_000_000 < sum(file["size"] for file in ALL.values()) < 4_000_000


def test_the_cards_hold_every_container_the_demo_promises() -> None:
    assert {path.rpartition(".")[2] for path in ALL} == {"MP4", "XML", "JPG", "mov", "mxf", "WAV", "csv"}


@pytest.mark.parametrize("path", MOVING)
def test_a_clip_plays_to_its_end_and_carries_duration_and_timecode(path: str) -> None:
    av = pytest.importorskip("av")
    with av.open(str(CARDS / path)) as container:
        assert 2.0 <= container.duration / 1_000_000 <= 4.0
        marks = [dict(container.metadata), *(dict(stream.metadata) for stream in container.streams)]
        timecodes = {mark["timecode"] for mark in marks if "timecode" in mark}
        assert len(timecodes) == 1
        assert timecodes.pop().startswith(("10:", "11:"))
        frames = list(container.decode(video=0))
    assert len(frames) == frames_made(path)
    first, later = (bytes(frame.planes[0]) for frame in (frames[0], frames[len(frames) // 3]))
    assert first != later, "the picture moves"


def frames_made(path: str) -> int:
    """How many frames the clip was made with: 50 on B (75 for its mxf), 75 on A (100 for the casting)."""
    if path.startswith("B002"):
        return 75 if path.endswith(".mxf") else 50
    return 100 if "C003" in path else 75


@pytest.mark.parametrize("path", WAVES)
def test_a_sound_take_has_bext_and_ixml_that_agree_and_as_much_sound_as_it_says(path: str) -> None:
    parts = dict(chunks((CARDS / path).read_bytes()))
    assert list(parts) == [b"bext", b"iXML", b"fmt ", b"data"]
    kind, channels, rate, per_second, block, bits = struct.unpack("<HHIIHH", parts[b"fmt "])
    assert (kind, rate, bits, block, per_second) == (1, 48_000, 24, channels * 3, 48_000 * channels * 3)
    assert len(parts[b"data"]) == rate * block, "one second of sound"
    assert any(parts[b"data"])

    bext = parts[b"bext"]
    assert len(bext) > 602
    date, clock, low, high = struct.unpack_from("<10s8sII", bext, 320)
    assert date == b"2026-05-14"
    ixml = ElementTree.fromstring(parts[b"iXML"])
    speed = ixml.find("SPEED")
    assert speed is not None
    assert (speed.findtext("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"), high) == (str(low), 0)
    seconds = low // rate
    assert clock.decode() == f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    assert ixml.findtext("PROJECT") == "The Bell Foundry"
    assert ixml.findtext("TAPE") == "S001"
    assert len(ixml.findall("TRACK_LIST/TRACK")) == channels


@pytest.mark.parametrize("path", WAVES)
def test_a_sound_take_opens_in_a_media_library_with_its_timecode(path: str) -> None:
    av = pytest.importorskip("av")
    with av.open(str(CARDS / path)) as container:
        assert container.duration == 1_000_000
        assert int(container.metadata["time_reference"]) > 10 * 3600 * 48_000


@pytest.mark.parametrize("card", sorted(cards()))
def test_a_staged_card_has_the_dates_and_the_empty_folders_that_git_does_not_keep(tmp_path: Path, card: str) -> None:
    target = tmp_path / card
    content: StagedCard = stage_card(card, target)
    files = {path.relative_to(target).as_posix(): path for path in target.rglob("*") if path.is_file()}
    assert set(files) == {file["path"] for file in content["files"]}
    for file in content["files"]:
        status = files[file["path"]].stat()
        assert status.st_mtime_ns % 2_000_000_000 == 0, "two-second steps fit every file system"
        assert status.st_size == file["size"]
        assert file["modified"].startswith("2026-05-14T")
        assert abs(status.st_mtime - 1_778_716_800) < 86_400, "on the shooting day"
    for folder in content["empty_folders"]:
        assert list((target / folder).iterdir()) == []


def test_a_card_is_not_staged_over_something_else(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("here first")
    with pytest.raises(FileExistsError):
        stage_card("A003", tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]
