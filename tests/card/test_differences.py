"""A card that changes while it is copied is told, file by file."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from card.trees_at_hand import FaultyIo, walked
from rollproof.models.findings import Kind, Severity
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.tree.differences import card_changes
from rollproof.tree.snapshot import listing_digest
from support.trees import AWKWARD, Folder, Link, Text, Tree, build

TIME = 10**18
BASE: Tree = {"A.mov": Text(b"aaa", TIME), "C/B.mov": Text(b"bbb", TIME), b"C/\xff": Text(b"c", TIME), "E": Folder()}


def changed(**by_name: Text | None) -> Tree:
    tree = dict(BASE)
    for name, node in by_name.items():
        key = name.replace("__", "/") + ".mov"
        if node is None:
            del tree[key]
        else:
            tree[key] = node
    return tree


WAYS: list[tuple[str, Tree, str, set[bytes]]] = [
    ("grown", changed(A=Text(b"aaaa", TIME)), "grown", {b"A.mov"}),
    ("shrunk", changed(A=Text(b"a", TIME)), "shrunk", {b"A.mov"}),
    ("re-dated by one nanosecond", changed(A=Text(b"aaa", TIME + 1)), "re-dated", {b"A.mov"}),
    ("added", changed(Z=Text(b"z", TIME)), "added", {b"Z.mov"}),
    ("removed", changed(C__B=None), "removed", {b"C/B.mov"}),
    ("an empty folder more", {**BASE, "F": Folder()}, "folder", {b"F"}),
    ("a file that became a link", {**changed(A=None), "A.mov": Link(b"C/B.mov")}, "removed", {b"A.mov"}),
]


@pytest.mark.parametrize(("name", "after", "word", "affected"), WAYS, ids=[way[0] for way in WAYS])
def test_each_way_a_card_can_change_is_an_error(
    tmp_path: Path, name: str, after: Tree, word: str, affected: set[bytes]
) -> None:
    changes = card_changes(walked(build(tmp_path / "one", BASE)), walked(build(tmp_path / "two", after)))
    assert changes.affected == affected
    assert all((found.kind, found.severity) == (Kind.CARD_CHANGED, Severity.ERROR) for found in changes.findings)
    assert word in changes.findings[0].detail


def test_an_unchanged_card_of_awkward_names_has_no_changes(tmp_path: Path) -> None:
    build(tmp_path, AWKWARD)
    assert card_changes(walked(tmp_path), walked(tmp_path)) == ([], frozenset())


def test_litter_written_by_an_operating_system_is_no_change(tmp_path: Path) -> None:
    before = walked(build(tmp_path, BASE))
    build(tmp_path, {".DS_Store": b"x", "C/.Trashes": Folder()})
    assert card_changes(before, walked(tmp_path)) == ([], frozenset())


def test_a_folder_that_can_no_longer_be_read_takes_its_files_along(tmp_path: Path) -> None:
    build(tmp_path, BASE)
    changes = card_changes(walked(tmp_path), walked(tmp_path, io=FaultyIo(open_errors={b"C": errno.EIO})))
    assert {b"C/B.mov", b"C/\xff"} <= changes.affected
    assert any(finding.path == "C" and "could not be read" in finding.detail for finding in changes.findings)


def test_a_link_that_was_added_is_told_though_no_file_changed(tmp_path: Path) -> None:
    before = walked(build(tmp_path, BASE))
    build(tmp_path, {"new": Link(b"A.mov")})
    [finding] = card_changes(before, walked(tmp_path)).findings
    assert (finding.kind, finding.path) == (Kind.CARD_CHANGED, "new")


def test_a_link_that_was_there_before_is_not_told_again(tmp_path: Path) -> None:
    build(tmp_path, {**BASE, "old": Link(b"A.mov")})
    assert card_changes(walked(tmp_path), walked(tmp_path)).findings == []


def test_thousands_of_changes_are_one_finding_for_each_way(tmp_path: Path) -> None:
    before = snapshot_of({b"%05d" % number: (1, 1) for number in range(5_000)})
    after = snapshot_of({b"%05d" % number: (2, 1) for number in range(1_000, 6_000)})
    changes = card_changes(before, after)
    assert sorted(finding.count for finding in changes.findings) == [1_000, 1_000, 4_000]
    assert len(changes.affected) == 6_000
    assert all(len(finding.detail) < 300 for finding in changes.findings)


def snapshot_of(files: dict[bytes, tuple[int, int]]) -> Snapshot:
    entries = tuple(FileEntry(path, *rest) for path, rest in sorted(files.items()))
    return Snapshot(entries, (), (), (), listing_digest(entries, ()))


LISTINGS = st.dictionaries(
    st.lists(st.sampled_from([b"a", b"b", b"-", b"\xff", b"a.b"]), min_size=1, max_size=3).map(b"/".join),
    st.tuples(st.integers(0, 2), st.integers(-1, 1)),
    max_size=8,
)


@given(LISTINGS, LISTINGS)
def test_exactly_the_files_that_differ_are_affected(
    one: dict[bytes, tuple[int, int]], two: dict[bytes, tuple[int, int]]
) -> None:
    changes = card_changes(snapshot_of(one), snapshot_of(two))
    assert changes.affected == {path for path in one.keys() | two.keys() if one.get(path) != two.get(path)}
    assert sum(finding.count for finding in changes.findings) == len(changes.affected)
