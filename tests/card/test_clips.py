"""Which files make a clip, and that grouping never loses or doubles one."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from card.trees_at_hand import listed, named_clips, paths_of, walked
from rollproof.card.clips import first_and_last, group_clips, natural_key
from rollproof.models.tree import Clip
from rollproof.tree.suffixes import ESSENCE, is_essence, is_media, split_name
from support.trees import AWKWARD, build


def grouped(*names: str | bytes) -> dict[str, list[str]]:
    snapshot = listed(names)
    clips = group_clips(snapshot)
    assert len({clip.name for clip in clips}) == len(clips), "the test wants names that tell the clips apart"
    return named_clips(snapshot, clips)


GROUPS: dict[str, tuple[list[str], dict[str, list[str]]]] = {
    "the same stem": (
        ["A003C001.mov", "A003C001.xml", "A003C002.mov"],
        {"A003C001": ["A003C001.mov", "A003C001.xml"], "A003C002": ["A003C002.mov"]},
    ),
    "a sidecar whose stem goes on": (
        ["C0001.MP4", "C0001M01.XML", "C0002.MP4", "C0002M01.XML"],
        {"C0001": ["C0001.MP4", "C0001M01.XML"], "C0002": ["C0002.MP4", "C0002M01.XML"]},
    ),
    "a sidecar with the whole file name": (["a.mov", "a.mov.xml"], {"a": ["a.mov", "a.mov.xml"]}),
    "a metadata twin": (["._a.mov", "._a.xml", "a.mov", "a.xml"], {"a": ["._a.mov", "._a.xml", "a.mov", "a.xml"]}),
    "a metadata twin of nothing": (["._b.mov", "a.mov"], {"a": ["a.mov"]}),
    "a number that goes on is another number": (["C1.mov", "C10M01.XML"], {"C1": ["C1.mov"]}),
    "a word that goes on is another word": (["bell.wav", "bellows.txt"], {"bell": ["bell.wav"]}),
    "the longest stem decides": (
        ["A.mov", "A_1.mov", "A_1_look.cdl"],
        {"A": ["A.mov"], "A_1": ["A_1.mov", "A_1_look.cdl"]},
    ),
    "sound beside pictures": (["T1.mov", "T1.wav"], {"T1": ["T1.mov", "T1.wav"]}),
    "a sidecar in other case": (["CLIP7.MOV", "clip7.thm"], {"CLIP7": ["CLIP7.MOV", "clip7.thm"]}),
    "a sidecar nobody can place": (["T.mov", "t.mov", "T1.mov", "t.mov.x", "tT.xml"], {
        "T": ["T.mov"], "T1": ["T1.mov"], "t": ["t.mov", "t.mov.x"]}),
    "a sidecar of two in other case": (["Tx.mov", "tX.mov", "TX.xml"], {"Tx": ["Tx.mov"], "tX": ["tX.mov"]}),
    "a sidecar of one exactly": (["Tx.mov", "tX.mov", "tX.xml"], {"Tx": ["Tx.mov"], "tX": ["tX.mov", "tX.xml"]}),
    "frames with a dot": (
        ["take.0001.dpx", "take.0002.dpx", "take.xml", "other.0001.dpx"],
        {"take": ["take.0001.dpx", "take.0002.dpx", "take.xml"], "other": ["other.0001.dpx"]},
    ),
    "frames with an underscore": (["t_01.dng", "t_02.dng", "t_10.DNG"], {"t": ["t_01.dng", "t_02.dng", "t_10.DNG"]}),
    "frames that are only numbers": (["A003C001/001.ari", "A003C001/002.ari"], {
        "A003C001": ["A003C001/001.ari", "A003C001/002.ari"]}),
    "a number that nothing sets apart": (["f1.dpx", "f2.dpx"], {"f1": ["f1.dpx"], "f2": ["f2.dpx"]}),
    "a sidecar of one frame": (["t.01.exr", "t.01.xml", "t.02.exr"], {"t": ["t.01.exr", "t.01.xml", "t.02.exr"]}),
    "numbers behind pictures that are no frames": (["t_1.mov", "t_2.mov"], {"t_1": ["t_1.mov"], "t_2": ["t_2.mov"]}),
    "no essence, no clip": (["MEDIAPRO.XML", "notes.txt", "thumb.jpg", "noend", ".hidden"], {}),
    "a hidden file is no essence": ([".mov", "a.mov"], {"a": ["a.mov"]}),
    "a name that is not text": ([], {}),
}  # fmt: skip


@pytest.mark.parametrize("what", GROUPS)
def test_files_belong_together_by(what: str) -> None:
    names, expected = GROUPS[what]
    assert grouped(*names) == {name: sorted(files) for name, files in expected.items()}


def test_the_same_stem_in_two_folders_is_two_clips() -> None:
    snapshot = listed(["A/C0001.MP4", "B/C0001.MP4", "B/C0001.XML"])
    assert [[snapshot.files[index].path for index in clip.files] for clip in group_clips(snapshot)] == [
        [b"A/C0001.MP4"], [b"B/C0001.MP4", b"B/C0001.XML"]
    ]  # fmt: skip


def test_names_that_are_not_text_group_by_their_bytes_and_are_shown_with_escapes() -> None:
    snapshot = listed([b"\xff\xfe.mov", b"\xff\xfe.xml", b"\xff.mov", b"new\nline.01.dpx", b"new\nline.02.dpx"])
    clips = {clip.name: len(clip.files) for clip in group_clips(snapshot)}
    assert clips == {"\\xff\\xfe": 2, "\\xff": 1, "new\nline": 2}


def test_composed_and_decomposed_twins_are_two_clips() -> None:
    assert set(grouped("Glocke-ä.mov", "Glocke-a\u0308.mov")) == {"Glocke-ä", "Glocke-a\u0308"}


def test_a_clip_knows_its_bytes_and_clips_stand_in_order_of_their_first_file() -> None:
    snapshot = listed(["b.mov", "b.xml", "a/z.mov", "a.mov"], size=7)
    clips = group_clips(snapshot)
    assert [(clip.name, clip.size_bytes) for clip in clips] == [("a", 7), ("z", 7), ("b", 14)]
    assert [clip.files[0] for clip in clips] == sorted(clip.files[0] for clip in clips)


def test_a_real_card_of_awkward_names_is_grouped_without_loss(tmp_path: Path) -> None:
    snapshot = walked(build(tmp_path, AWKWARD))
    check_grouping(paths_of(snapshot), group_clips(snapshot))


PART = st.sampled_from(
    [
        b"A",
        b"a",
        b"A003C001",
        b"C0001",
        b"C00010",
        b"._",
        b".",
        b"_",
        b"1",
        b"0001",
        b"M01",
        b"\xff",
        "ä".encode(),
        b"\n",
        b"-",
    ]
)
SUFFIX = st.sampled_from([b"", b".mov", b".MOV", b".wav", b".xml", b".dng", b".dpx", b".jpg", b".mov.xml", b".ari"])
NAME = st.builds(lambda parts, suffix: b"".join(parts) + suffix, st.lists(PART, min_size=1, max_size=4), SUFFIX).filter(
    lambda name: name not in (b".", b"..")
)
CARD = st.sets(st.builds(lambda folder, name: folder + name, st.sampled_from([b"", b"D/", b"D/E/"]), NAME), max_size=25)


def check_grouping(paths: list[bytes], clips: list[Clip]) -> None:
    taken = [index for clip in clips for index in clip.files]
    assert len(taken) == len(set(taken)), "a file in two clips"
    assert set(taken) <= set(range(len(paths)))
    in_no_clip = set(range(len(paths))) - set(taken)
    for index in in_no_clip:
        assert not is_essence(paths[index].rpartition(b"/")[2]), "essence in no clip"
    for clip in clips:
        assert clip.files == tuple(sorted(clip.files))
        assert len({paths[index].rpartition(b"/")[0] for index in clip.files}) == 1, "a clip over two folders"
        assert any(is_essence(paths[index].rpartition(b"/")[2]) for index in clip.files), "a clip without essence"


@given(CARD)
def test_grouping_never_loses_or_doubles_a_file(paths: set[bytes]) -> None:
    snapshot = listed(paths)
    clips = group_clips(snapshot)
    check_grouping(paths_of(snapshot), clips)
    assert sum(clip.size_bytes for clip in clips) == 10 * sum(len(clip.files) for clip in clips)


@given(st.lists(st.text(max_size=12), max_size=12))
def test_any_names_can_be_put_in_natural_order(names: list[str]) -> None:
    ordered = sorted(names, key=natural_key)
    assert sorted(ordered) == sorted(names)


def test_natural_order_counts_instead_of_spelling() -> None:
    names = ["C100", "C2", "c10", "A9", "C2b", "C02"]
    assert sorted(names, key=natural_key) == ["A9", "C2", "C02", "C2b", "c10", "C100"]


def test_a_counter_of_thousands_of_digits_costs_no_time() -> None:
    assert natural_key("C" + "9" * 200_000) > natural_key("C1")


def test_the_first_and_the_last_clip_are_told_by_their_counters() -> None:
    clips = [Clip(name, (0,), 1) for name in ("A003C100_x", "A003C002_x", "A003C023_x")]
    ends = first_and_last(clips)
    assert ends is not None
    assert (ends[0].name, ends[1].name) == ("A003C002_x", "A003C100_x")
    assert first_and_last([]) is None


@pytest.mark.parametrize(
    ("name", "parts"),
    [(b"a.MOV", (b"a", b"mov")), (b"a.b.c", (b"a.b", b"c")), (b".mov", (b".mov", b"")), (b"a", (b"a", b"")),
     (b"a.", (b"a", b"")), (b"\xff.\xfe", (b"\xff", b"\xfe"))],
)  # fmt: skip
def test_a_name_is_split_at_its_last_dot(name: bytes, parts: tuple[bytes, bytes]) -> None:
    assert split_name(name) == parts


def test_every_essence_suffix_is_media_and_a_twin_never_is() -> None:
    for suffix in ESSENCE:
        assert is_essence(b"x." + suffix.upper())
        assert is_media(b"x." + suffix)
        assert not is_media(b"._x." + suffix)
    assert is_media(b"x.jpg")
    assert not is_essence(b"x.jpg")
