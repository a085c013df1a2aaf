"""For every layout a card built by hand, and the clips a person would find on it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from demo_media.stage import cards
from hypothesis import given
from hypothesis import strategies as st

from card.trees_at_hand import listed
from rollproof.card.clips import CardContents, read_card
from rollproof.card.layouts import all_layouts
from rollproof.models.tree import Clip, Snapshot
from rollproof.tree.suffixes import is_essence

CARDS: dict[str, tuple[str, list[str], list[tuple[str, str, list[str], list[str]]], dict[str, list[str]]]] = {
    # layout id, files, clips (name, kind, originals in order, sidecars), what is in no clip
    "photographs and chaptered takes": (
        "dcim",
        [
            "DCIM/100BELLS/GX010123.MP4", "DCIM/100BELLS/GX020123.MP4", "DCIM/100BELLS/GX010124.MP4",
            "DCIM/100BELLS/GL010123.LRV", "DCIM/100BELLS/GX010123.THM", "DCIM/100BELLS/GX020123.THM",
            "DCIM/100BELLS/DSC_0001.JPG", "DCIM/100BELLS/DSC_0002.DNG", "DCIM/100BELLS/DSC_0002.JPG",
            "DCIM/100BELLS/DSC_0003.DNG", "DCIM/101BELLS/GX010125.MP4", "MISC/notes.dat",
        ],
        [
            ("DSC_0001", "still", ["DSC_0001.JPG"], []),
            ("DSC_0002", "still", ["DSC_0002.DNG", "DSC_0002.JPG"], []),
            ("DSC_0003", "still", ["DSC_0003.DNG"], []),
            ("GX010123", "spanned", ["GX010123.MP4", "GX020123.MP4"], ["GL010123.LRV", "GX010123.THM", "GX020123.THM"]),
            ("GX010124", "clip", ["GX010124.MP4"], []),
            ("GX010125", "clip", ["GX010125.MP4"], []),
        ],
        {"rest": ["MISC/notes.dat"]},
    ),
    "M4ROOT with proxies, one of them alone": (
        "m4root",
        [
            "PRIVATE/M4ROOT/CLIP/C0001.MP4", "PRIVATE/M4ROOT/CLIP/C0001M01.XML", "PRIVATE/M4ROOT/CLIP/C0010.MP4",
            "PRIVATE/M4ROOT/SUB/C0001S03.MP4", "PRIVATE/M4ROOT/SUB/C0007S03.MP4",
            "PRIVATE/M4ROOT/THMBNL/C0001T01.JPG", "PRIVATE/M4ROOT/THMBNL/C0010T01.JPG",
            "PRIVATE/M4ROOT/MEDIAPRO.XML", "PRIVATE/M4ROOT/STATUS.BIN",
        ],
        [
            ("C0001", "clip", ["C0001.MP4"], ["C0001M01.XML", "C0001S03.MP4", "C0001T01.JPG"]),
            ("C0010", "clip", ["C0010.MP4"], ["C0010T01.JPG"]),
        ],
        {
            "orphans": ["PRIVATE/M4ROOT/SUB/C0007S03.MP4"],
            "indexes": ["PRIVATE/M4ROOT/MEDIAPRO.XML"],
            "rest": ["PRIVATE/M4ROOT/STATUS.BIN"],
        },
    ),
    "XDROOT": (
        "xdroot",
        [
            "XDROOT/Clip/A003C001.MXF", "XDROOT/Clip/A003C001M01.XML", "XDROOT/Clip/A003C001R01.BIM",
            "XDROOT/Clip/A003C002.MXF", "XDROOT/Clip/A003C002M01.XML", "XDROOT/Clip/A003C002R01.BIM",
            "XDROOT/Sub/A003C002S01.MP4", "XDROOT/MEDIAPRO.XML", "XDROOT/DISCMETA.XML",
        ],
        [
            ("A003C001", "clip", ["A003C001.MXF"], ["A003C001M01.XML", "A003C001R01.BIM"]),
            ("A003C002", "clip", ["A003C002.MXF"], ["A003C002M01.XML", "A003C002R01.BIM", "A003C002S01.MP4"]),
        ],
        {"indexes": ["XDROOT/DISCMETA.XML", "XDROOT/MEDIAPRO.XML"]},
    ),
    "transport streams by number": (
        "bdmv",
        [
            "PRIVATE/AVCHD/BDMV/STREAM/00000.MTS", "PRIVATE/AVCHD/BDMV/STREAM/00001.MTS",
            "PRIVATE/AVCHD/BDMV/CLIPINF/00000.CPI", "PRIVATE/AVCHD/BDMV/CLIPINF/00001.CPI",
            "PRIVATE/AVCHD/BDMV/PLAYLIST/00000.MPL", "PRIVATE/AVCHD/BDMV/INDEX.BDM",
            "PRIVATE/AVCHD/AVCHDTN/THUMB.TDT",
        ],
        [
            ("00000", "clip", ["00000.MTS"], ["00000.CPI", "00000.MPL"]),
            ("00001", "clip", ["00001.MTS"], ["00001.CPI"]),
        ],
        {"indexes": ["PRIVATE/AVCHD/BDMV/INDEX.BDM"], "rest": ["PRIVATE/AVCHD/AVCHDTN/THUMB.TDT"]},
    ),
    "CLIPS folders, takes numbered on": (
        "contents-clips",
        [
            "CONTENTS/CLIPS001/AA0001/AA000101.MXF", "CONTENTS/CLIPS001/AA0001/AA000102.MXF",
            "CONTENTS/CLIPS001/AA0001/AA000101.CPF", "CONTENTS/CLIPS001/AA0001/AA0001.CIF",
            "CONTENTS/CLIPS001/AA0002/AA000201.MXF", "CONTENTS/CLIPS001/INDEX.MIF",
            "CONTENTS/CLIPS002/A003C004_260514BF_FOUNDRY.CRM", "CONTENTS/CLIPS002/A003C004_260514BF_FOUNDRY.XML",
            "CONTENTS/CLIPS002/A003C004_260514BF_FOUNDRY.CPF", "CONTENTS/CLIPS002/A003C005_260514BF_FOUNDRY_001.MXF",
            "CONTENTS/CLIPS002/A003C005_260514BF_FOUNDRY_002.MXF",
        ],
        [
            ("AA0001", "spanned", ["AA000101.MXF", "AA000102.MXF"], ["AA0001.CIF", "AA000101.CPF"]),
            ("AA0002", "clip", ["AA000201.MXF"], []),
            ("A003C004_260514BF_FOUNDRY", "clip", ["A003C004_260514BF_FOUNDRY.CRM"],
             ["A003C004_260514BF_FOUNDRY.CPF", "A003C004_260514BF_FOUNDRY.XML"]),
            ("A003C005_260514BF_FOUNDRY", "spanned",
             ["A003C005_260514BF_FOUNDRY_001.MXF", "A003C005_260514BF_FOUNDRY_002.MXF"], []),
        ],
        {"indexes": ["CONTENTS/CLIPS001/INDEX.MIF"]},
    ),
    "one mxf per track": (
        "contents-tracks",
        [
            "CONTENTS/CLIP/0001AB.XML", "CONTENTS/VIDEO/0001AB.MXF", "CONTENTS/AUDIO/0001AB00.MXF",
            "CONTENTS/AUDIO/0001AB01.MXF", "CONTENTS/ICON/0001AB.BMP", "CONTENTS/PROXY/0001AB.MP4",
            "CONTENTS/VOICE/0001AB00.WAV", "CONTENTS/CLIP/0002CD.XML", "CONTENTS/VIDEO/0002CD.MXF", "LASTCLIP.TXT",
        ],
        [
            ("0001AB", "tracks", ["0001AB.MXF", "0001AB00.MXF", "0001AB01.MXF"],
             ["0001AB.XML", "0001AB.BMP", "0001AB.MP4", "0001AB00.WAV"]),
            ("0002CD", "clip", ["0002CD.MXF"], ["0002CD.XML"]),
        ],
        {"rest": ["LASTCLIP.TXT"]},
    ),
    "RDC folders in an RDM folder": (
        "rdc",
        [
            "A003_0514BF.RDM/A003_C001_0514BF.RDC/A003_C001_0514BF_001.R3D",
            "A003_0514BF.RDM/A003_C001_0514BF.RDC/A003_C001_0514BF_002.R3D",
            "A003_0514BF.RDM/A003_C001_0514BF.RDC/A003_C001_0514BF.RMD",
            "A003_0514BF.RDM/A003_C001_0514BF.RDC/A003_C001_0514BF_001.MOV.tmp",
            "A003_0514BF.RDM/A003_C002_0514BF.RDC/A003_C002_0514BF_001.R3D",
            "A003_0514BF.RDM/digital_magazine.bin",
        ],
        [
            ("A003_C001_0514BF", "spanned", ["A003_C001_0514BF_001.R3D", "A003_C001_0514BF_002.R3D"],
             ["A003_C001_0514BF.RMD", "A003_C001_0514BF_001.MOV.tmp"]),
            ("A003_C002_0514BF", "clip", ["A003_C002_0514BF_001.R3D"], []),
        ],
        {"rest": ["A003_0514BF.RDM/digital_magazine.bin"]},
    ),
    "RDC folders at the top": (
        "rdc",
        ["A003_C009_0514BF.RDC/A003_C009_0514BF_001.R3D", "A003_C009_0514BF.RDC/looks/own.cube"],
        [("A003_C009_0514BF", "clip", ["A003_C009_0514BF_001.R3D"], ["own.cube"])],
        {},
    ),
    "a folder named after the roll, with files and a frame folder": (
        "letter-roll",
        [
            "A003R1BF/A003C001_260514_R1BF.mov", "A003R1BF/A003C001_260514_R1BF.xml",
            "A003R1BF/A003C002_260514_R1BF.mxf",
            "A003R1BF/A003C003_260514_R1BF/A003C003_260514_R1BF.0001.ari",
            "A003R1BF/A003C003_260514_R1BF/A003C003_260514_R1BF.0002.ari",
            "A003R1BF/A003C003_260514_R1BF/A003C003_260514_R1BF.0003.ari",
            "A003R1BF/A003C003_260514_R1BF/mask.aml", "A003R1BF/A003R1BF.ale",
        ],
        [
            ("A003C001_260514_R1BF", "clip", ["A003C001_260514_R1BF.mov"], ["A003C001_260514_R1BF.xml"]),
            ("A003C002_260514_R1BF", "clip", ["A003C002_260514_R1BF.mxf"], []),
            ("A003C003_260514_R1BF", "frames",
             ["A003C003_260514_R1BF.0001.ari", "A003C003_260514_R1BF.0002.ari", "A003C003_260514_R1BF.0003.ari"],
             ["mask.aml"]),
        ],
        {"rest": ["A003R1BF/A003R1BF.ale"]},
    ),
    "braw at the top with sidecars and proxies": (
        "top-level-braw",
        [
            "A003_05140812_C001.braw", "A003_05140812_C001.sidecar", "A003_05140815_C002.braw",
            "Proxy/A003_05140812_C001.mp4", "Proxy/A003_05140820_C003.mp4",
        ],
        [
            ("A003_05140812_C001", "clip", ["A003_05140812_C001.braw"],
             ["A003_05140812_C001.mp4", "A003_05140812_C001.sidecar"]),
            ("A003_05140815_C002", "clip", ["A003_05140815_C002.braw"], []),
        ],
        {"orphans": ["Proxy/A003_05140820_C003.mp4"]},
    ),
    "files named after date and time": (
        "top-level-braw",
        ["20260514_081502.braw", "20260514_081502.sidecar", "20260514_083011.mov"],
        [
            ("20260514_081502", "clip", ["20260514_081502.braw"], ["20260514_081502.sidecar"]),
            ("20260514_083011", "clip", ["20260514_083011.mov"], []),
        ],
        {},
    ),
    "sound: poly, one file per track, refused takes": (
        "sound",
        [
            "S001/12-T01_1.WAV", "S001/12-T02_1.WAV", "S001/12-T02_2.WAV", "S001/12-T02_10.WAV",
            "S001/FALSE_TAKES/12-T03_1.WAV", "S001/FALSE_TAKES/12-T03_2.WAV", "S001/TRASH/12-T01_1.WAV",
            "S001/S001_REPORT.csv",
        ],
        [
            ("12-T01", "clip", ["12-T01_1.WAV"], []),
            ("12-T02", "tracks", ["12-T02_1.WAV", "12-T02_2.WAV", "12-T02_10.WAV"], []),
            ("12-T03 (set aside)", "tracks", ["12-T03_1.WAV", "12-T03_2.WAV"], []),
            ("12-T01 (set aside)", "clip", ["12-T01_1.WAV"], []),
        ],
        {"rest": ["S001/S001_REPORT.csv"]},
    ),
    "frames in any folder": (
        "",
        [
            "plates/kiln.0001.dpx", "plates/kiln.0002.dpx", "plates/kiln.0003.dpx", "plates/kiln.cdl",
            "plates/wall_01.exr",
        ],
        [
            ("kiln", "frames", ["kiln.0001.dpx", "kiln.0002.dpx", "kiln.0003.dpx"], ["kiln.cdl"]),
            ("wall", "frames", ["wall_01.exr"], []),
        ],
        {},
    ),
    "nothing that is known": (
        "",
        ["day/one.mov", "day/one.xml", "day/two_1.wav", "day/two_2.wav", "notes.txt"],
        [
            ("one", "clip", ["one.mov"], ["one.xml"]),
            ("two_1", "clip", ["two_1.wav"], []),
            ("two_2", "clip", ["two_2.wav"], []),
        ],
        {"rest": ["notes.txt"]},
    ),
}  # fmt: skip


def read(files: Iterable[str], above: tuple[bytes, ...] = ()) -> tuple[Snapshot, CardContents]:
    snapshot = listed(files)
    return snapshot, read_card(snapshot, above)


def last(snapshot: Snapshot, indexes: Iterable[int]) -> list[str]:
    return [snapshot.files[index].path.rpartition(b"/")[2].decode() for index in indexes]


def told(snapshot: Snapshot, clip: Clip) -> tuple[str, str, list[str], list[str]]:
    sidecars = [index for index in clip.files if index not in clip.essence]
    name = clip.name + (" (set aside)" if clip.set_aside else "")
    return name, clip.kind, last(snapshot, clip.essence), last(snapshot, sidecars)


@pytest.mark.parametrize("what", CARDS)
def test_a_card_is_read_as_a_person_would(what: str) -> None:
    layout, files, clips, rest = CARDS[what]
    snapshot, contents = read(files)

    def in_order(found: list[tuple[str, str, list[str], list[str]]]) -> list[Any]:
        return sorted((name, kind, essence, sorted(sidecars)) for name, kind, essence, sidecars in found)

    assert in_order([told(snapshot, clip) for clip in contents.clips]) == in_order(clips)
    assert {clip.layout for clip in contents.clips} == {layout}
    paths = [entry.path.decode() for entry in snapshot.files]
    assert [paths[index] for index in contents.orphans] == rest.get("orphans", [])
    assert [paths[index] for index in contents.indexes] == rest.get("indexes", [])
    taken = [index for clip in contents.clips for index in clip.files]
    left = {*range(len(paths))} - {*taken, *contents.orphans, *contents.indexes}
    assert sorted(paths[index] for index in left) == sorted(rest.get("rest", []))
    assert len(taken) == len(set(taken)), "a file in two clips"
    assert all(clip.size_bytes == 10 * len(clip.files) for clip in contents.clips)


@pytest.mark.parametrize("what", CARDS)
def test_a_copy_deep_on_a_drive_is_read_like_the_card(what: str) -> None:
    _, files, _, _ = CARDS[what]
    on_card, card = read(files)
    on_drive, drive = read(["The Bell Foundry/2026-05-14/A003/" + name for name in files])
    assert [told(on_card, clip) for clip in card.clips] == [told(on_drive, clip) for clip in drive.clips]


@pytest.mark.parametrize("what", CARDS)
def test_names_in_other_case_make_no_difference(what: str) -> None:
    _, files, _, _ = CARDS[what]
    _, card = read(files)
    _, lower = read([name.lower() for name in files])
    assert [(clip.name.lower(), clip.kind, len(clip.files)) for clip in card.clips] == [
        (clip.name, clip.kind, len(clip.files)) for clip in lower.clips
    ]


def test_every_layout_has_a_card_here() -> None:
    assert {layout.id for layout in all_layouts()} | {""} == {card[0] for card in CARDS.values()}


def test_segments_carry_their_numbers() -> None:
    _, contents = read([f"A003_C001_0514BF.RDC/A003_C001_0514BF_{number:03}.R3D" for number in (1, 2, 4)])
    assert [clip.parts for clip in contents.clips] == [(1, 2, 4)]
    assert [clip.kind for clip in contents.clips] == ["spanned"]


def test_a_second_chapter_alone_is_still_a_spanned_clip() -> None:
    _, contents = read(["DCIM/100BELLS/GX020123.MP4"])
    assert [(clip.name, clip.kind, clip.parts) for clip in contents.clips] == [("GX020123", "spanned", (2,))]


def test_a_part_of_a_card_is_known_by_what_lies_above_it() -> None:
    files = ["A003_C001_0514BF_001.R3D", "A003_C001_0514BF_002.R3D"]
    _, alone = read(files)
    assert len(alone.clips) == 2
    _, known = read(files, (b"card", b"A003_C001_0514BF.RDC"))
    assert [(clip.name, clip.parts) for clip in known.clips] == [("A003_C001_0514BF", (1, 2))]


def test_footage_in_a_folder_for_other_things_is_footage_all_the_same() -> None:
    _, contents = read(["PRIVATE/M4ROOT/CLIP/C0001.MP4", "PRIVATE/M4ROOT/GENERAL/rehearsal.MP4"])
    assert [clip.name for clip in contents.clips] == ["C0001", "rehearsal"]


def test_the_same_clip_name_in_two_folders_of_a_layout_stays_two_clips() -> None:
    _, contents = read(["A003R1BF/A003C001.mov", "A003R1BF/again/A003C001.mov", "A003R1BF/again/A003C001.xml"])
    assert [(clip.name, len(clip.files)) for clip in contents.clips] == [("A003C001", 1), ("A003C001", 2)]
    _, contents = read(["A003R1BF/A003C001.mov", "A003R1BF/again/A003C001.mov", "A003R1BF/again/A003C001_look.cdl"])
    assert [len(clip.files) for clip in contents.clips] == [1, 2], "the nearest clip is the sidecar's"


def test_a_sequence_of_40_000_frames_is_one_clip() -> None:
    snapshot, contents = read([f"A003C001/A003C001.{number:07}.dng" for number in range(40_000)])
    (clip,) = contents.clips
    assert (clip.kind, len(clip.files), len(clip.essence)) == ("frames", 40_000, 40_000)
    assert [snapshot.files[index].path for index in clip.essence[:2]] == [
        b"A003C001/A003C001.0000000.dng", b"A003C001/A003C001.0000001.dng"
    ]  # fmt: skip


FOLDERS = sorted({name.rpartition("/")[0] for _, files, _, _ in CARDS.values() for name in files})
STEMS = sorted({name.rpartition("/")[2].rpartition(".")[0] for _, files, _, _ in CARDS.values() for name in files})
SUFFIXES = ["MP4", "MXF", "XML", "JPG", "WAV", "R3D", "braw", "ari", "dng", "LRV", "CPI", "csv"]
ANY_CARD = st.lists(
    st.tuples(st.sampled_from(FOLDERS), st.sampled_from(["", "._"]), st.sampled_from(STEMS), st.sampled_from(SUFFIXES)),
    max_size=30,
)


@given(ANY_CARD)
def test_however_folders_and_names_are_mixed_no_file_is_lost_or_doubled(parts: list[tuple[str, ...]]) -> None:
    snapshot, contents = read([f"{folder}/{twin}{stem}.{suffix}" for folder, twin, stem, suffix in parts])
    taken = [index for clip in contents.clips for index in clip.files] + [*contents.orphans, *contents.indexes]
    assert len(taken) == len(set(taken)), "a file in two clips"
    for index in {*range(len(snapshot.files))} - {*taken}:
        assert not is_essence(snapshot.files[index].path.rpartition(b"/")[2]), "essence in no clip"
    for clip in contents.clips:
        assert clip.files == tuple(sorted(clip.files))
        assert set(clip.essence) <= set(clip.files)
        assert not clip.parts or len(clip.parts) == len(clip.essence)


@pytest.mark.parametrize("card", cards())
def test_the_demo_cards_hold_the_clips_that_were_shot(card: str) -> None:
    files = [file["path"] for file in cards()[card]["files"]]
    _, contents = read(files)
    assert [clip.name for clip in contents.clips] == cards()[card]["clips"]
    assert not contents.orphans
