"""Folder hashes, against a tree worked out by hand and a slow second implementation."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascmhl.mhl_trees import BELL, FOLDERS, files_of, hashed
from rollproof.ascmhl import tree_hashes
from rollproof.ascmhl.model import FileHash, FolderHash
from rollproof.ascmhl.tree_hashes import FoldedTwice, fold
from rollproof.hashing import STANDARD_NAMES, new_hasher, raw_of


def _folders(files: Sequence[FileHash], folders: Sequence[bytes], *algorithms: str) -> dict[bytes, FolderHash]:
    items = list(fold(files, folders, algorithms))
    found = [item for item in items if isinstance(item, FolderHash)]
    assert len({folder.path for folder in found}) == len(found)
    assert found[-1].path == b""
    assert [item for item in items if isinstance(item, FileHash)] == list(files)
    return {folder.path: folder for folder in found}


def test_a_small_tree_agrees_with_the_rule_worked_out_by_hand() -> None:
    def md5(data: bytes) -> bytes:
        return hashlib.md5(data).digest()

    tree = {b"a.mov": b"first", b"sub/b.mov": b"second"}
    file_a, file_b = md5(b"first"), md5(b"second")
    sub_content = md5(file_b)
    sub_structure = md5(md5(b"b.mov" + file_b))
    top_content = md5(b"".join(sorted([file_a, sub_content])))
    top_structure = md5(b"".join(sorted([md5(b"a.mov" + file_a), md5(b"sub" + sub_structure)])))

    found = _folders(files_of(tree, "md5"), [b"sub"], "md5")

    assert found[b"sub"] == FolderHash(b"sub", {"md5": sub_content.hex()}, {"md5": sub_structure.hex()})
    assert found[b""] == FolderHash(b"", {"md5": top_content.hex()}, {"md5": top_structure.hex()})


@pytest.mark.parametrize("algorithm", STANDARD_NAMES)
def test_an_empty_folder_has_the_hash_of_empty_input(algorithm: str) -> None:
    empty = hashed(b"", algorithm)
    found = _folders([], [b"EMPTY"], algorithm)
    assert found[b"EMPTY"] == FolderHash(b"EMPTY", empty, empty)
    assert _folders([], [], algorithm) == {b"": FolderHash(b"", empty, empty)}


def test_a_folders_inside_is_one_stretch_even_where_other_names_sort_between() -> None:
    # "A003-notes.txt" sorts after "A003" and before "A003/…"
    found = _folders(files_of(BELL), FOLDERS, "xxh128")
    assert set(found) == {b"A003", b"A003/LOOK", b"EMPTY", b""}


def test_renaming_changes_the_structure_and_not_the_content() -> None:
    before = _folders(files_of({b"A/one.mov": b"1", b"A/two.mov": b"2"}), [], "xxh128")[b""]
    after = _folders(files_of({b"A/one.mov": b"1", b"A/zwo.mov": b"2"}), [], "xxh128")[b""]
    assert before.content == after.content
    assert before.structure != after.structure


# --- the slow second implementation: recursive, from nested dictionaries, sorting the texts

Tree = dict[bytes, "Tree | bytes"]


def _nested(tree: Mapping[bytes, bytes], folders: Sequence[bytes]) -> Tree:
    top: Tree = {}

    def reach(parts: Sequence[bytes]) -> Tree:
        here = top
        for part in parts:
            below = here.setdefault(part, {})
            assert isinstance(below, dict)
            here = below
        return here

    for folder in folders:
        reach(folder.split(b"/"))
    for path, data in tree.items():
        *parents, name = path.split(b"/")
        reach(parents)[name] = data
    return top


def _slow(tree: Tree, algorithm: str) -> tuple[str, str]:
    contents: list[str] = []
    structures: list[str] = []
    for name, child in tree.items():
        if isinstance(child, dict):
            content, structure = _slow(child, algorithm)
        else:
            content = structure = hashed(child, algorithm)[algorithm]
        contents.append(content)
        structures.append(hashed(name + raw_of(algorithm, structure), algorithm)[algorithm])
    results = []
    for texts in (contents, structures):
        hasher = new_hasher(algorithm)
        for text in sorted(texts):
            hasher.update(raw_of(algorithm, text))
        results.append(hasher.text())
    return results[0], results[1]


_NAME = st.sampled_from([b"a", b"b", b"a-", b"a.", b"A", "ü".encode(), "u\u0308".encode(), b"a b", b"ab", b"zz"])


@st.composite
def _trees(draw: st.DrawFn) -> tuple[dict[bytes, bytes], list[bytes]]:
    folders = {b"/".join(parts) for parts in draw(st.lists(st.lists(_NAME, min_size=1, max_size=4), max_size=8))}
    everywhere = sorted(folders | {folder.rpartition(b"/")[0] for folder in folders} | {b""})
    files: dict[bytes, bytes] = {}
    for _ in range(draw(st.integers(0, 12))):
        folder = draw(st.sampled_from(everywhere))
        name = b"f" + draw(_NAME)
        files[folder + b"/" + name if folder else name] = draw(st.binary(max_size=4))
    return files, sorted(folders)


@given(_trees(), st.sampled_from(STANDARD_NAMES))
@settings(deadline=None, max_examples=150)
def test_any_tree_agrees_with_the_slow_implementation(
    tree_and_folders: tuple[dict[bytes, bytes], list[bytes]], algorithm: str
) -> None:
    tree, folders = tree_and_folders
    top = _folders(files_of(tree, algorithm), folders, algorithm)[b""]
    assert (top.content[algorithm], top.structure[algorithm]) == _slow(_nested(tree, folders), algorithm)


@pytest.mark.parametrize("remembered", [0, 1, 10_000])
@given(_trees(), st.booleans())
@settings(deadline=None, max_examples=60)
def test_a_second_pass_gives_what_the_first_gave_whether_its_folders_were_remembered_or_not(
    remembered: int, made: tuple[dict[bytes, bytes], list[bytes]], ignored: bool
) -> None:
    tree, folders = made
    files = files_of({**tree, **({b".DS_Store": b"view", b"sub/.DS_Store": b"view"} if ignored else {})})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tree_hashes, "REMEMBERED_FOLDERS", remembered)
        twice = FoldedTwice(folders, ("md5", "xxh128"))
        first = list(twice.first(files))
        assert list(twice.again(files)) == first == list(fold(files, folders, ("md5", "xxh128")))


def test_several_algorithms_at_once_give_what_each_gives_alone() -> None:
    together = _folders(files_of(BELL, *STANDARD_NAMES), FOLDERS, *STANDARD_NAMES)
    for algorithm in STANDARD_NAMES:
        alone = _folders(files_of(BELL, algorithm), FOLDERS, algorithm)
        assert {path: folder.structure[algorithm] for path, folder in together.items()} == {
            path: folder.structure[algorithm] for path, folder in alone.items()
        }


def test_a_name_xml_cannot_hold_spoils_the_folders_above_it_and_no_others() -> None:
    tree = {b"A/bad\xff.mov": b"1", b"A/B/good.mov": b"2", b"C/good.mov": b"3"}
    found = _folders(files_of(tree), [b"D/\x01"], "xxh128")
    told = {path for path, folder in found.items() if folder.content}
    assert told == {b"A/B", b"C"}


def test_a_file_without_an_algorithm_spoils_the_folders_above_it_in_that_one_only() -> None:
    files = [*files_of({b"A/one.mov": b"1"}, "md5", "xxh128"), *files_of({b"B/two.mov": b"2"}, "xxh128")]
    found = _folders(files, [], "md5", "xxh128")
    assert {path: sorted(folder.content) for path, folder in found.items()} == {
        b"A": ["md5", "xxh128"],
        b"B": ["xxh128"],
        b"": ["xxh128"],
    }


def test_what_the_standard_ignores_counts_nowhere() -> None:
    tree = {b"A/one.mov": b"1"}
    litter = {b"A/.DS_Store": b"x", b"B/ascmhl/0001_B.mhl": b"y"}
    plain = _folders(files_of(tree), [b"B"], "xxh128")
    items = fold(files_of(tree | litter), [b"B", b"B/ascmhl"], ["xxh128"])
    assert {item.path: item for item in items if isinstance(item, FolderHash)} == plain


@pytest.mark.parametrize("paths", [[b"b", b"a"], [b"a", b"a"]])
def test_files_out_of_order_are_a_mistake_that_cannot_pass(paths: list[bytes]) -> None:
    files = [FileHash(path, 0, 0, hashed(b"", "md5")) for path in paths]
    with pytest.raises(ValueError, match="byte order"):
        list(fold(files, [], ["md5"]))


def test_ten_thousand_folders_deep_is_no_trouble_and_too_long_for_a_manifest() -> None:
    path = b"/".join([b"d"] * 10_000)
    found = _folders(files_of({path + b"/clip.mov": b"1", b"x.mov": b"2"}), [], "xxh128")
    assert len(found) == 10_001
    assert not found[b"d"].content
