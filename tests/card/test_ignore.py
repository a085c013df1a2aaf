"""What is left out of a copy, and what never is."""

from __future__ import annotations

import shutil
import subprocess
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.errors import UntrustedInput
from rollproof.models.ignore_patterns import compile_pattern
from rollproof.tree.ignore import LITTER, MAX_PATTERNS, IgnoreRules, pattern_problem
from support.trees import build

LITTER_BYTES = {name.encode() for name in LITTER}
NAMES = st.binary(min_size=1, max_size=12).filter(lambda name: name not in (b".", b"..") and not {0, 47} & set(name))
PLAIN = (
    st.text("abAB09._-~$@{}()+^", min_size=1, max_size=6).map(str.encode).filter(lambda name: name not in (b".", b".."))
)
PATHS = st.lists(NAMES, min_size=1, max_size=5)


@pytest.mark.parametrize("name", LITTER)
def test_operating_system_litter_is_left_out_at_any_depth(name: str) -> None:
    rules = IgnoreRules()
    raw = name.encode()
    for path in (raw, b"CLIPS/" + raw, b"not\xffutf8/" + raw, b"/".join([b"d"] * 40) + b"/" + raw):
        assert rules.matches(path, is_folder=True)
        assert rules.matches(path, is_folder=False)
        assert rules.matches(path + b"/A003C001.mov", is_folder=False)


@pytest.mark.parametrize(
    "name",
    [
        b"._A003C001.mov",
        b"A003C001.mov",
        b".DS_Store.mov",
        b"desktop.ini ",
        b"Desktop.ini",
        b"Thumbs.db\n",
        b"\xff\xfe",
        b"-rf",
    ],
)
def test_what_only_resembles_litter_is_copied(name: bytes) -> None:
    rules = IgnoreRules()
    assert not rules.matches(name, is_folder=False)
    assert not rules.matches(b"CLIPS/" + name, is_folder=False)


PATTERNS = [
    # pattern, path, is_folder, left out
    ("*.tmp", b"a.tmp", False, True),
    ("*.tmp", b"CLIPS/a.tmp", False, True),
    ("*.tmp", b"CLIPS/a.tmp\n", False, False),
    ("*.tmp", b"new\nline/a.tmp", False, True),
    ("*.tmp", b"\xff\xfe.tmp", False, True),
    ("*.tmp", b"a.tmp.mov", False, False),
    ("PREVIEWS/", b"PREVIEWS", True, True),
    ("PREVIEWS/", b"PREVIEWS", False, False),
    ("PREVIEWS/", b"CLIPS/PREVIEWS/x.mov", False, True),
    ("/PREVIEWS/", b"CLIPS/PREVIEWS/x.mov", False, False),
    ("/PREVIEWS/", b"PREVIEWS/deep/down/x.mov", False, True),
    ("SUB/*.mp4", b"SUB/a.mp4", False, True),
    ("SUB/*.mp4", b"CLIPS/SUB/a.mp4", False, False),
    ("**/SUB/*.mp4", b"CLIPS/SUB/a.mp4", False, True),
    ("two words", b"CLIPS/two words", False, True),
    ("\\#odd", b"#odd", False, True),
    ("Glocke-ä.mov", "Glocke-ä.mov".encode(), False, True),
    ("Glocke-ä.mov", "Glocke-a\u0308.mov".encode(), False, False),
]


@pytest.mark.parametrize(("pattern", "path", "is_folder", "left_out"), PATTERNS)
def test_a_productions_pattern_means_what_gitignore_says(
    pattern: str, path: bytes, is_folder: bool, left_out: bool
) -> None:
    assert IgnoreRules([pattern]).matches(path, is_folder) is left_out


def test_the_last_pattern_that_speaks_of_a_path_decides() -> None:
    rules = IgnoreRules(["*.xml", "!MEDIAPRO.xml", "/OLD/"])
    assert rules.matches(b"CLIP/A003C001.xml", False)
    assert not rules.matches(b"CLIP/MEDIAPRO.xml", False)
    assert rules.matches(b"OLD/MEDIAPRO.xml", False), "nothing inside a folder that is left out comes back"


def test_a_walk_asking_entry_by_entry_hears_the_same_as_a_question_about_the_whole_path() -> None:
    rules = IgnoreRules(["*.tmp", "/SUB/", "!keep.tmp", "b/**/c"])
    for path in (b"a.tmp", b"SUB/x", b"SUB", b"x/keep.tmp", b"b/c", b"b/x/y/c", b"x/.DS_Store", b"x/y"):
        parts = path.split(b"/")
        by_entry = any(
            rules.matches_entry(b"/".join(parts[: depth + 1]), parts[depth], depth < len(parts) - 1)
            for depth in range(len(parts))
        )
        assert rules.matches(path, False) is by_entry, path


@pytest.mark.skipif(shutil.which("git") is None, reason="needs git")
def test_git_itself_agrees_on_which_files_are_left_out(tmp_path: Path) -> None:
    own = ["*.tmp", "!keep.tmp", "/SUB/", "a/**/z.mov", "odd?.mov", "[xy].wav", "deep/*/", "with space"]
    names = [
        *("a.tmp", "x/keep.tmp", "SUB/keep.tmp", "x/SUB/c.mov", "a/z.mov", "a/b/c/z.mov", "b/a/z.mov", "odd1.mov"),
        *("odd12.mov", "x.wav", "z.wav", "d/y.wav", "deep/one/file", "deep/file", "with space/f", "x/with space"),
        *("x/.DS_Store", "Thumbs.db/f"),
    ]
    build(tmp_path, dict.fromkeys(names, b"x"))
    rules = IgnoreRules(own)
    (tmp_path / ".gitignore").write_text("\n".join(rules.patterns) + "\n")
    git = ["git", "-c", "core.excludesFile=/dev/null"]
    subprocess.run([*git, "init", "-q", "."], cwd=tmp_path, check=True)
    listed = subprocess.run(
        [*git, "ls-files", "-z", "--others", "--ignored", "--exclude-standard"],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    expected = {name for name in listed.stdout.split(b"\0") if name}
    assert {name.encode() for name in names if rules.matches(name.encode(), False)} == expected
    assert expected


def test_a_copys_own_folders_are_left_out_only_at_its_top_and_only_as_folders() -> None:
    card, copy = IgnoreRules(), IgnoreRules().for_copy()
    for folder in (b"rollproof", b"ascmhl"):
        assert copy.matches(folder, True)
        assert copy.matches(folder + b"/0001.mhl", False)
        assert not copy.matches(folder, False)
        assert not copy.matches(b"CLIPS/" + folder, True)
        assert not card.matches(folder, True)
    assert IgnoreRules(["!/ascmhl/", "*.tmp"], of_copy=True).matches(b"ascmhl", True)
    assert IgnoreRules(["*.tmp"], of_copy=True).matches(b"ascmhl", True)


def test_the_manifest_lists_every_pattern_once_in_the_order_they_apply() -> None:
    rules = IgnoreRules([".DS_Store", "*.tmp", "/ascmhl/", "*.tmp"])
    assert rules.patterns == (*LITTER, "*.tmp")
    assert rules.for_copy().patterns == (*LITTER, "*.tmp", "/rollproof/", "/ascmhl/")
    assert IgnoreRules(rules.for_copy().patterns, of_copy=True).patterns == rules.for_copy().patterns


@pytest.mark.parametrize(
    "pattern",
    ["", "  ", "# a comment", "a\nb", "nul\0", "!", "/", "*a*b*c", "x" * 1025, "\ud800", "[z-a]", "end\\", "a\x0b"],
)
def test_what_is_no_pattern_is_told_and_refused(pattern: str) -> None:
    assert pattern_problem(pattern)
    with pytest.raises(UntrustedInput):
        IgnoreRules([pattern])


def test_a_manifest_with_thousands_of_patterns_is_refused() -> None:
    IgnoreRules(f"p{number}" for number in range(MAX_PATTERNS))
    with pytest.raises(UntrustedInput):
        IgnoreRules(f"p{number}" for number in range(MAX_PATTERNS + 1))


@given(PATHS, st.booleans())
def test_without_patterns_only_a_litter_name_in_the_path_leaves_it_out(parts: list[bytes], is_folder: bool) -> None:
    path = b"/".join(parts)
    assert IgnoreRules().matches(path, is_folder) is bool(LITTER_BYTES & set(parts))
    assert IgnoreRules().is_litter(path) is bool(LITTER_BYTES & set(parts))


@given(PLAIN, st.lists(st.one_of(NAMES, PLAIN), min_size=1, max_size=5))
def test_a_pattern_that_is_a_plain_name_leaves_out_exactly_the_paths_with_that_name(
    name: bytes, parts: list[bytes]
) -> None:
    rules = IgnoreRules([name.decode("ascii")])
    expected = name in parts or bool(LITTER_BYTES & set(parts))
    assert rules.matches(b"/".join(parts), False) is expected
    assert rules.matches(b"/".join([*parts, name]), False)


@given(st.text(max_size=20), PATHS, st.booleans())
def test_any_text_is_a_pattern_or_is_told_to_be_none(pattern: str, parts: list[bytes], is_folder: bool) -> None:
    if pattern_problem(pattern) is None:
        assert IgnoreRules([pattern]).matches(b"/".join(parts), is_folder) in (True, False)
    else:
        with pytest.raises(UntrustedInput):
            IgnoreRules([pattern])


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("*a****b", b"a" * 255),
        ("*a*b", b"/".join([b"a" * 255] * 16)),
        ("**/a/**", b"a/" * 1000 + b"c"),
        ("a/*****/b", b"a/" * 1000 + b"c"),
    ],
)
def test_no_pattern_takes_long_on_any_path(pattern: str, path: bytes) -> None:
    rules = IgnoreRules([pattern])
    began = time.monotonic()
    rules.matches_entry(path, path.rpartition(b"/")[2], False)
    assert time.monotonic() - began < 1.0


@pytest.mark.parametrize(
    ("pattern", "same"), [("a**b.tmp", "a*b.tmp"), ("x/***/y", "x/**/y"), ("\\**", "\\**"), ("/**a/", "/*a/")]
)
def test_a_run_of_stars_means_what_one_star_means(pattern: str, same: str) -> None:
    one, other = IgnoreRules([pattern]), IgnoreRules([same])
    for path in (b"ab.tmp", b"axxb.tmp", b"x/y", b"x/1/y", b"x/1/2/y", b"*", b"*zz", b"zza", b"b/zza"):
        for is_folder in (False, True):
            assert one.matches(path, is_folder) == other.matches(path, is_folder), path


@pytest.mark.parametrize("pattern", ["**/a/**/b", "**/?/**/b", "**/[a-c]/**/?b", "!**/a/**/b/", "*a*b", "a/**/*b"])
def test_no_pattern_takes_long_on_the_deepest_path_there_can_be(pattern: str) -> None:
    rules = IgnoreRules(["x", pattern])
    began = time.process_time()
    for path in (b"/".join([b"a"] * 1000), b"/".join([b"x1", b"a"] * 500), b"a" * 255 + b"/a" * 1900):
        assert not rules.matches(path, False)
    assert time.process_time() - began < 3.0  # 0.3 s; 17 s with every start tried against every end


_NAMES = st.lists(st.sampled_from(["a", "b", "ab", "ba", "é", "a\n", "*"]), min_size=1, max_size=7)
_FIRST = st.lists(st.sampled_from(["a", "b", "?", "[ab]", "[!a]", "ab", "é", "\\a"]), min_size=1, max_size=2)


@given(_FIRST, _FIRST, st.sampled_from(["", "/"]), _NAMES, st.booleans())
def test_a_pattern_of_any_depth_twice_means_what_its_definition_says(
    first: list[str], then: list[str], end: str, names: list[str], is_folder: bool
) -> None:
    from pathspec.patterns.gitignore.spec import GitIgnoreSpecPattern  # noqa: PLC0415

    pattern = "/".join(["**", *first, "**", *then]) + end
    plain = GitIgnoreSpecPattern(pattern.encode()).regex
    path = "/".join(names).encode()
    text = path.replace(b"\n", b"\0") + (b"/" if is_folder else b"")
    assert compile_pattern(pattern).says(path, is_folder) == (plain is not None and plain.match(text) is not None)
