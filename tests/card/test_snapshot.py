"""One walk over a card: everything is found, nothing is followed, what is odd is said."""

from __future__ import annotations

import errno
import os
import resource
import socket
import tracemalloc
from pathlib import Path

import pytest

from card.trees_at_hand import FaultyIo, WatchedIo, chain_of_folders, paths_of, said, walked
from rollproof.models.errors import Interrupted
from rollproof.models.findings import Kind, Severity
from rollproof.models.requests import Cancel
from rollproof.storage.io import EntryKind, Stat
from rollproof.tree.gathering import EACH_LIMIT
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import MAX_PATH_BYTES, listing_digest
from support.trees import AWKWARD, Blob, Fifo, Folder, Link, Text, Tree, build, walk


def test_every_awkward_name_is_listed_with_its_exact_bytes_size_and_time(tmp_path: Path) -> None:
    build(tmp_path, AWKWARD)
    snapshot = walked(tmp_path)
    expected = walk(tmp_path)
    files = {entry.path: (entry.size, entry.modified_ns) for entry in snapshot.files}
    assert files == {path: (at.size, at.modified_ns) for path, at in expected.items() if at.kind == "file"}
    assert set(snapshot.folders) == {path for path, at in expected.items() if at.kind == "folder"}
    assert b"empty folder" in set(snapshot.empty_folders())


def test_files_and_folders_stand_in_byte_order_of_their_paths(tmp_path: Path) -> None:
    build(tmp_path, {**AWKWARD, "a/x": b"1", "a-b": b"2", "a.b/y": b"3", "a/b/c": b"4"})
    snapshot = walked(tmp_path)
    assert paths_of(snapshot) == sorted(paths_of(snapshot))
    assert list(snapshot.folders) == sorted(snapshot.folders)
    assert paths_of(snapshot).index(b"a-b") < paths_of(snapshot).index(b"a/x")


def test_the_card_is_as_it_was_after_the_walk(tmp_path: Path) -> None:
    build(tmp_path, AWKWARD)
    before = walk(tmp_path)
    walked(tmp_path)
    assert walk(tmp_path) == before


def test_a_link_is_an_error_and_is_never_followed(tmp_path: Path) -> None:
    build(tmp_path / "outside", {"secret.mov": b"x"})
    build(
        tmp_path / "card",
        {"A003C001.mov": b"x", "to-file": Link(b"../outside/secret.mov"), "CLIPS/to-folder": Link(b"../../outside"),
         "nowhere": Link(b"nothing"), "self": Link(b"self")},
    )  # fmt: skip
    snapshot = walked(tmp_path / "card")
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert snapshot.folders == (b"CLIPS",)
    assert {finding.path for finding in snapshot.findings if finding.kind is Kind.LINK} == {
        "to-file", "CLIPS/to-folder", "nowhere", "self"
    }  # fmt: skip
    assert all(finding.severity is Severity.ERROR for finding in snapshot.findings)


def test_a_pipe_or_a_socket_is_an_error_and_is_never_opened(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", "CLIPS/pipe.mov": Fifo()})
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "s"))
        snapshot = walked(tmp_path)  # would block for ever on the pipe
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert said(snapshot) == {("special-file", "error", "CLIPS/pipe.mov"), ("special-file", "error", "s")}


def test_a_folder_that_cannot_be_read_is_an_error_and_the_rest_is_listed(tmp_path: Path) -> None:
    build(tmp_path, {"BAD/lost.mov": b"x", "GOOD/A003C001.mov": b"y"})
    snapshot = walked(tmp_path, io=FaultyIo(open_errors={b"BAD": errno.EIO}))
    assert paths_of(snapshot) == [b"GOOD/A003C001.mov"]
    assert said(snapshot) == {("unreadable-folder", "error", "BAD")}
    assert "Input/output error" in snapshot.findings[0].detail


def test_a_card_whose_top_cannot_be_listed_is_an_error_not_an_empty_card(tmp_path: Path) -> None:
    snapshot = walked(tmp_path, io=FaultyIo(list_error=errno.ENODEV))
    assert said(snapshot) == {("unreadable-folder", "error", "")}


def test_a_file_about_which_nothing_can_be_learnt_is_an_error(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", "A003C002.mov": b"y"})
    snapshot = walked(tmp_path, io=FaultyIo(stat_errors={b"A003C001.mov": errno.EIO}))
    assert paths_of(snapshot) == [b"A003C002.mov"]
    assert said(snapshot) == {("unreadable", "error", "A003C001.mov")}


def test_a_folder_that_became_a_link_after_it_was_listed_is_not_followed(tmp_path: Path) -> None:
    build(tmp_path / "outside", {"secret.mov": b"x"})
    card = build(tmp_path / "card", {"CLIPS/A003C001.mov": b"x"})

    class Swapping(FaultyIo):
        def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
            found = super().list_folder(folder)
            if (b"CLIPS", EntryKind.FOLDER) in found:
                (card / "CLIPS").rename(card / "gone")
                (card / "CLIPS").symlink_to(tmp_path / "outside")
            return found

    snapshot = walked(card, io=Swapping())
    assert snapshot.files == ()
    assert said(snapshot) == {("card-changed", "error", "CLIPS")}


def test_what_is_no_file_after_all_is_an_error_and_no_file(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", "outside": b"y", "swapped.mov": Link(b"outside")})

    class Late(FaultyIo):
        """Listed a moment before the file became a link."""

        def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
            return [(name, EntryKind.FILE) for name, _ in super().list_folder(folder)]

    snapshot = walked(tmp_path, io=Late())
    assert paths_of(snapshot) == [b"A003C001.mov", b"outside"]
    assert said(snapshot) == {("card-changed", "error", "swapped.mov")}


def test_another_file_system_mounted_inside_is_an_error_and_is_not_entered(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", "OTHER/foreign.mov": b"y", "OTHER/deep/z.mov": b"z"})
    inside = (tmp_path / "OTHER").stat().st_ino

    class Mounted(FaultyIo):
        def fstat(self, handle: int) -> Stat:
            at = super().fstat(handle)
            if at.inode != inside:
                return at
            return Stat(at.kind, at.size, at.modified_ns, at.device + 1, at.inode, at.links)

    snapshot = walked(tmp_path, io=Mounted())
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert said(snapshot) == {("unreadable-folder", "error", "OTHER")}
    assert "another file system is mounted" in snapshot.findings[0].detail


@pytest.mark.skipif(not os.path.ismount("/proc"), reason="needs a mount inside a folder")
def test_a_real_mount_inside_is_told_by_its_device(tmp_path: Path) -> None:
    snapshot = walked(Path("/"), IgnoreRules([f"/{name}" for name in os.listdir("/") if name not in ("proc", "sys")]))
    assert ("unreadable-folder", "error", "proc") in said(snapshot)
    assert not any(path.startswith(b"proc/") for path in paths_of(snapshot))


def test_names_no_file_can_have_are_left_alone(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x"})
    lies = [
        (b"..", EntryKind.FOLDER),
        (b"", EntryKind.FILE),
        (b"../../etc/passwd", EntryKind.FILE),
        (b"n\0l", EntryKind.FILE),
    ]
    snapshot = walked(tmp_path, io=FaultyIo(extra=lies))
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert [finding.kind for finding in snapshot.findings] == [Kind.UNREADABLE] * 4


def test_a_name_listed_twice_is_an_error_and_stands_once(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x"})
    snapshot = walked(tmp_path, io=FaultyIo(extra=[(b"A003C001.mov", EntryKind.FILE)]))
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert said(snapshot) == {("unreadable", "error", "A003C001.mov")}


@pytest.mark.parametrize("name", ["ascmhl", "rollproof", "ASCMHL", "RollProof"])
@pytest.mark.parametrize("node", [Folder({"0001.mhl": b"x"}), b"a file"])
def test_a_card_with_a_history_at_its_top_is_a_copy(tmp_path: Path, name: str, node: Folder | bytes) -> None:
    build(tmp_path, {"A003C001.mov": b"x", name: node})
    assert ("card-is-a-copy", "error", name) in said(walked(tmp_path))


def test_a_history_further_down_is_only_a_folder(tmp_path: Path) -> None:
    build(tmp_path, {"CLIPS/ascmhl/0001.mhl": b"x"})
    assert said(walked(tmp_path)) == set()


def test_a_copys_own_folders_are_not_listed_with_its_files(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", "ascmhl/0001.mhl": b"x", "rollproof/0001.json": b"x"})
    snapshot = walked(tmp_path, IgnoreRules(of_copy=True))
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert snapshot.ignored == (b"ascmhl", b"rollproof")
    assert snapshot.findings == ()


def test_unfinished_files_make_a_card_an_error_and_are_no_files_of_a_copy(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", "NOT-FINISHED.rollproof-partial": b"", "C/A.mov.rollproof-partial": b"y"})
    unfinished = {("not-finished", "error", "NOT-FINISHED.rollproof-partial"),
                  ("not-finished", "error", "C/A.mov.rollproof-partial")}  # fmt: skip
    assert unfinished <= said(walked(tmp_path))
    copy = walked(tmp_path, IgnoreRules(of_copy=True))
    assert paths_of(copy) == [b"A003C001.mov"]
    assert said(copy) == unfinished


def test_litter_is_listed_as_ignored_in_one_note_and_never_entered(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x", ".Trashes/501/old.mov": b"x", "C/.DS_Store": b"x", ".fseventsd/a": b"x"})
    snapshot = walked(tmp_path)
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert snapshot.ignored == (b".Trashes", b".fseventsd", b"C/.DS_Store")
    assert [(finding.kind, finding.severity, finding.count) for finding in snapshot.findings] == [
        (Kind.IGNORED, Severity.NOTE, 3)
    ]


def test_footage_hidden_by_a_productions_own_pattern_is_a_warning_each(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.MOV": b"x", "A003C002.mov": b"x", "SUB/p.mp4": b"x", "note.tmp": b"x", "b.tmp": b"x"})
    snapshot = walked(tmp_path, IgnoreRules(["*.mov", "/SUB/", "*.tmp"]))
    assert paths_of(snapshot) == [b"A003C001.MOV"]
    assert said(snapshot) == {
        ("ignored", "warning", "A003C002.mov"), ("ignored", "warning", "SUB"), ("ignored", "note", "b.tmp")
    }  # fmt: skip


def test_odd_names_and_empty_files_are_said_and_copied(tmp_path: Path) -> None:
    tree: Tree = {
        b"bad\xff.mov": b"x", "new\nline.mov": b"x", "\u202eturn.mov": b"x", "fine-ä.mov": b"x",
        "._a.mov": b"x", "._b.mov": b"x", "none.mov": b"", "none.txt": b"", "none.xml": b"",
    }  # fmt: skip
    build(tmp_path, tree)
    snapshot = walked(tmp_path)
    assert len(snapshot.files) == len(tree)
    assert said(snapshot) == {
        ("name-not-text", "warning", "bad\\xff.mov"), ("name-not-text", "note", "new\nline.mov"),
        ("name-not-text", "note", "\u202eturn.mov"), ("metadata-twin", "note", "._a.mov"),
        ("empty-file", "warning", "none.mov"), ("empty-file", "note", "none.txt"),
    }  # fmt: skip
    assert {finding.count for finding in snapshot.findings if finding.kind is Kind.METADATA_TWIN} == {2}


def test_a_bad_folder_name_is_said_once_and_not_for_every_file_in_it(tmp_path: Path) -> None:
    build(tmp_path, {b"bad\xff/" + f"{number}.mov".encode(): b"x" for number in range(20)})
    assert said(walked(tmp_path)) == {("name-not-text", "warning", "bad\\xff")}


def test_hundreds_of_links_are_named_up_to_a_limit_and_counted_beyond(tmp_path: Path) -> None:
    build(tmp_path, {f"{number:03}": Link(b"x") for number in range(EACH_LIMIT + 50)})
    findings = walked(tmp_path).findings
    assert len(findings) == EACH_LIMIT + 1
    assert sum(finding.count for finding in findings) == EACH_LIMIT + 50
    assert findings[-1].path == f"{EACH_LIMIT:03}"


def test_a_deep_tree_is_walked_with_few_handles_and_all_are_closed(tmp_path: Path) -> None:
    depth = 600
    io = WatchedIo()
    with chain_of_folders(tmp_path, [b"d"] * depth):
        snapshot = walked(tmp_path, io=io)
    assert len(snapshot.folders) == depth
    assert snapshot.findings == ()
    assert io.most_open <= 40
    assert io.open_now == set()


def test_climbing_out_of_a_deep_tree_finds_what_lies_beside_it(tmp_path: Path) -> None:
    depth = 100  # far more than the handles that are kept open
    for level in range(depth):
        build(tmp_path, {"/".join(["d"] * level + ["e", "f.mov"]): b"x"})
    io = WatchedIo()
    assert len(walked(tmp_path, io=io).files) == depth
    assert io.most_open <= 40
    assert io.opened < depth * 12, "each folder was opened from the top again"


@pytest.mark.slow
def test_folders_deeper_than_any_path_are_an_error_and_memory_stays_flat(tmp_path: Path) -> None:
    build(tmp_path, {"A003C001.mov": b"x"})
    with chain_of_folders(tmp_path, [b"d"] * 10_000):
        tracemalloc.start()
        snapshot = walked(tmp_path)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert paths_of(snapshot) == [b"A003C001.mov"]
    assert len(snapshot.folders[-1]) == MAX_PATH_BYTES
    [finding] = snapshot.findings
    assert (finding.kind, finding.severity) == (Kind.UNREADABLE_FOLDER, Severity.ERROR)
    assert len(finding.path) < 300
    assert peak < 30 << 20


def test_long_names_are_walked_up_to_the_longest_path(tmp_path: Path) -> None:
    with chain_of_folders(tmp_path, [b"n" * 255] * 20):
        snapshot = walked(tmp_path)
    assert [len(folder) for folder in snapshot.folders] == [256 * level - 1 for level in range(1, 17)]
    assert [finding.kind for finding in snapshot.findings] == [Kind.UNREADABLE_FOLDER]


def test_a_tree_without_end_is_stopped_with_an_error(tmp_path: Path) -> None:
    build(tmp_path, {f"{number}.mov": b"x" for number in range(50)})
    snapshot = walked(tmp_path, max_entries=20)
    assert len(snapshot.files) == 20
    assert [(finding.kind, finding.severity) for finding in snapshot.findings] == [
        (Kind.UNREADABLE_FOLDER, Severity.ERROR)
    ]
    assert walked(tmp_path, max_entries=50).findings == ()


def test_no_handle_is_left_open_after_a_walk_that_met_errors(tmp_path: Path) -> None:
    build(tmp_path, {"a/b/c/x.mov": b"x", "a/d/y.mov": b"y"})
    before = len(os.listdir("/proc/self/fd"))
    walked(tmp_path, io=FaultyIo(open_errors={b"c": errno.EACCES}))
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_walk_that_is_cancelled_says_so_and_closes_everything(tmp_path: Path) -> None:
    build(tmp_path, {"a/b/c/x.mov": b"x"})
    cancel = Cancel()
    cancel.set()
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(Interrupted):
        walked(tmp_path, cancel=cancel)
    assert len(os.listdir("/proc/self/fd")) == before


def test_few_open_files_are_enough(tmp_path: Path) -> None:
    build(tmp_path, {f"{one}/{two}/{three}/x.mov": b"x" for one in range(5) for two in range(5) for three in range(5)})
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    limit = max(map(int, os.listdir("/proc/self/fd"))) + 12
    resource.setrlimit(resource.RLIMIT_NOFILE, (limit, hard))
    try:
        snapshot = walked(tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert len(snapshot.files) == 125


CHANGES: dict[str, Tree] = {
    "size": {"A003C001.mov": Text(b"xy", 10**18)},
    "time by one nanosecond": {"A003C001.mov": Text(b"x", 10**18 + 1)},
    "name": {"A003C001.MOV": Text(b"x", 10**18)},
    "place": {"C/A003C001.mov": Text(b"x", 10**18)},
    "one more file": {"A003C001.mov": Text(b"x", 10**18), "b": b""},
    "one more folder": {"A003C001.mov": Text(b"x", 10**18), "b": Folder()},
}


@pytest.mark.parametrize("what", CHANGES)
def test_the_listing_digest_changes_with(tmp_path: Path, what: str) -> None:
    one = walked(build(tmp_path / "one", {"A003C001.mov": Text(b"x", 10**18)})).listing_digest
    same = walked(build(tmp_path / "same", {"A003C001.mov": Text(b"z", 10**18)})).listing_digest
    other = walked(build(tmp_path / "other", CHANGES[what])).listing_digest
    assert one == same, "content is not in a listing"
    assert one != other


def test_the_listing_digest_of_the_empty_card_is_the_documented_one() -> None:
    import hashlib  # noqa: PLC0415 - the one place that spells the form out again

    assert listing_digest((), ()) == hashlib.sha256(b"rollproof-listing/1\0").hexdigest()
    assert listing_digest((), (b"a",)) == hashlib.sha256(b"rollproof-listing/1\0d\0a\0").hexdigest()


def test_litter_does_not_change_the_listing_digest(tmp_path: Path) -> None:
    plain = walked(build(tmp_path / "one", {"A.mov": Blob(9)})).listing_digest
    assert walked(build(tmp_path / "two", {"A.mov": Blob(9), ".DS_Store": b"x"})).listing_digest == plain
