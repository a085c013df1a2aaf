"""Comparing with a history, histories inside histories, and packing lists."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import timedelta

import pytest

from ascmhl.mhl_trees import BELL, FOLDERS, MODIFIED_NS, START, Roll, files_of, generation, hashed, kinds, opened_roll
from rollproof.ascmhl.chain import parse_chain
from rollproof.ascmhl.expected import Outcome, judged
from rollproof.ascmhl.flatten import write_packing_list
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.model import Action, Creator, FileHash, FolderHash, History, Process
from rollproof.ascmhl.nested import check_references, find_inner, references_to
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.read import open_manifest
from rollproof.models.errors import UntrustedInput, UsageProblem
from rollproof.models.findings import Kind

PATH = b"README.txt"


def _read_file(data: bytes, *algorithms: str, path: bytes = PATH) -> FileHash:
    return FileHash(path, len(data), MODIFIED_NS, hashed(data, *algorithms))


@pytest.fixture
def history(roll: Roll) -> History:
    """An offload of the bell tree with xxh128 and md5."""
    roll.append(generation(files_of(BELL, "xxh128", "md5"), FOLDERS))
    return roll.read()


def _actions(file: FileHash) -> dict[str, Action]:
    return {name: file.action_of(name) for name in file.hashes}


def test_a_file_without_any_history_is_original() -> None:
    outcome, file = judged(None, _read_file(b"x", "md5"))
    assert (outcome, _actions(file)) == (Outcome.NEW, {"md5": Action.ORIGINAL})


def test_a_file_the_history_does_not_know_is_original(history: History) -> None:
    outcome, file = judged(history, _read_file(b"x", "md5", path=b"new.mov"))
    assert (outcome, _actions(file)) == (Outcome.NEW, {"md5": Action.ORIGINAL})


def test_an_equal_file_is_verified(history: History) -> None:
    outcome, file = judged(history, _read_file(BELL[PATH], "xxh128"))
    assert (outcome, _actions(file)) == (Outcome.VERIFIED, {"xxh128": Action.VERIFIED})


def test_a_further_algorithm_of_a_verified_read_is_original(history: History) -> None:
    outcome, file = judged(history, _read_file(BELL[PATH], "md5", "c4"))
    assert outcome is Outcome.VERIFIED
    assert _actions(file) == {"md5": Action.VERIFIED, "c4": Action.ORIGINAL}


def test_a_further_algorithm_of_a_wrong_read_is_failed_too(history: History) -> None:
    wrong = b"z" + BELL[PATH][1:]
    outcome, file = judged(history, _read_file(wrong, "md5", "c4"))
    assert (outcome, _actions(file)) == (Outcome.DIFFERS, {"md5": Action.FAILED, "c4": Action.FAILED})


def test_one_disagreeing_hash_outweighs_one_that_agrees(history: History) -> None:
    read = _read_file(BELL[PATH], "xxh128", "md5")
    mixed = FileHash(PATH, read.size, MODIFIED_NS, {**read.hashes, "md5": "0" * 32})
    outcome, file = judged(history, mixed)
    assert (outcome, set(_actions(file).values())) == (Outcome.DIFFERS, {Action.FAILED})


def test_another_size_differs_whatever_the_hash_says(history: History) -> None:
    read = _read_file(BELL[PATH], "xxh128")
    outcome, _ = judged(history, FileHash(PATH, 1, MODIFIED_NS, read.hashes))
    assert outcome is Outcome.DIFFERS


def test_a_known_file_read_by_other_algorithms_only_is_not_compared(history: History) -> None:
    outcome, _ = judged(history, _read_file(BELL[PATH], "sha1", "sha256"))
    assert outcome is Outcome.NOT_COMPARED


def test_a_verify_that_adds_an_algorithm_makes_it_count_the_next_time(roll: Roll, history: History) -> None:
    again = [judged(history, file)[1] for file in files_of(BELL, "xxh128", "c4")]
    roll.append(generation(again, FOLDERS, process=Process.IN_PLACE, later_seconds=1))
    later = roll.read()
    assert later.findings == ()
    assert later.expected[PATH].hashes == hashed(BELL[PATH], "xxh128", "md5", "c4")
    assert judged(later, _read_file(BELL[PATH], "c4"))[0] is Outcome.VERIFIED


def test_a_failed_verify_does_not_change_what_is_expected(roll: Roll, history: History) -> None:
    read = [judged(history, file)[1] for file in files_of(BELL | {PATH: b"damaged"}, "xxh128", "c4")]
    written = roll.append(generation(read, FOLDERS, process=Process.IN_PLACE, later_seconds=1))
    later = roll.read()
    assert later.generations[-1].failed == 1
    assert later.expected[PATH].hashes == hashed(BELL[PATH], "xxh128", "md5")
    text = roll.manifest(written).read_text()
    assert hashed(b"damaged", "c4")["c4"] in text  # the hash just read is kept as evidence


def test_a_single_manifest_can_be_streamed(roll: Roll, history: History) -> None:
    noted = Noted()
    items = list(open_manifest(roll.io, roll.handle, history.generations[0].name, noted))
    assert [item.path for item in items if isinstance(item, FileHash)] == sorted(BELL)
    assert noted.all() == ()
    with pytest.raises(UntrustedInput):
        list(open_manifest(roll.io, roll.handle, b"../A003/x.mhl", noted))


# --- histories inside a history

INNER = {b"clip.mov": b"cast", b"sub/clip.xml": b"<clip/>"}
OUTER = {b"notes.txt": b"day 3"}


def _under(folder: bytes, tree: dict[bytes, bytes]) -> dict[bytes, bytes]:
    return {folder + b"/" + path: data for path, data in tree.items()}


def _append_outer(roll: Roll, inner: Sequence[tuple[bytes, History]]) -> str:
    files = files_of(OUTER | _under(b"day3/A003", INNER))
    folders = [b"day3", b"day3/A003", b"day3/A003/sub"]
    new = generation(files, folders, references=references_to(inner), inner=tuple(folder for folder, _ in inner))
    return roll.manifest(roll.append(new)).read_text()


def test_a_file_is_recorded_only_in_the_nearest_history_and_counts_in_the_outer_folder_hashes(roll: Roll) -> None:
    with opened_roll(roll.path / "day3" / "A003") as inner:
        inner.append(generation(files_of(INNER), [b"sub"]))
        history = inner.read()
    text = _append_outer(roll, [(b"day3/A003", history)])

    assert "<path>day3/A003</path>" in text
    assert "sub" not in text
    assert "clip" not in text
    outer = roll.read()
    assert (outer.findings, set(outer.expected)) == ((), set(OUTER))
    [only] = outer.generations
    assert [each.path for each in only.references] == [b"day3/A003/ascmhl/" + history.generations[0].name]
    assert only.header is not None
    plain = list(ManifestReader([_flat_manifest()], Noted()))
    root = next(item for item in plain if isinstance(item, FolderHash) and item.path == b"day3")
    assert f"<xxh128>{root.structure['xxh128']}</xxh128>" in text


def _flat_manifest() -> bytes:
    from rollproof.ascmhl.manifest_xml import ManifestWriter  # noqa: PLC0415

    files = files_of(OUTER | _under(b"day3/A003", INNER))
    return b"".join(ManifestWriter(generation(files, [])).chunks())


def test_inner_histories_are_found_at_any_depth_and_links_are_not_followed(roll: Roll) -> None:
    for folder in ("ascmhl", "day3/A003/ascmhl", "day3/A003/sub/ascmhl", "day2/ascmhl", "rollproof/x/ascmhl"):
        (roll.path / folder).mkdir(parents=True)
    (roll.path / "day1").symlink_to(roll.path / "day2")
    (roll.path / "day3" / "B001").mkdir()
    (roll.path / "day3" / "B001" / "ascmhl").write_bytes(b"a file of that name is no history")
    noted = Noted()
    assert find_inner(roll.io, roll.handle, noted) == (b"day2", b"day3/A003", b"day3/A003/sub")
    assert noted.all() == ()


def test_folders_too_deep_are_told_instead_of_followed(roll: Roll) -> None:
    deep = roll.path.joinpath(*["d"] * 300)
    deep.mkdir(parents=True)
    noted = Noted()
    assert find_inner(roll.io, roll.handle, noted) == ()
    assert [finding.kind for finding in noted.all()] == [Kind.UNREADABLE_FOLDER]


@pytest.mark.parametrize("damage", ["none", "changed", "gone"])
def test_what_the_outer_history_refers_to_is_checked(roll: Roll, damage: str) -> None:
    with opened_roll(roll.path / "day3" / "A003") as inner:
        written = inner.append(generation(files_of(INNER), [b"sub"]))
        _append_outer(roll, [(b"day3/A003", inner.read())])
        # a newer inner generation is no fault: the outer one just does not know it yet
        inner.append(generation(files_of(INNER, action=Action.VERIFIED), [b"sub"], later_seconds=1))
        if damage == "changed":
            path = inner.manifest(written)
            path.write_bytes(path.read_bytes() + b"\n")
        elif damage == "gone":
            inner.manifest(written).unlink()
        found = check_references(roll.read(), [(b"day3/A003", inner.read())]).all()
    expected = {"none": [], "changed": [Kind.MANIFEST_CHANGED], "gone": [Kind.MANIFEST_MISSING]}
    assert [finding.kind for finding in found] == expected[damage]


# --- packing lists


def test_a_packing_list_holds_the_earliest_good_hash_of_every_file_and_nothing_else(
    roll: Roll, history: History
) -> None:
    read = [judged(history, file)[1] for file in files_of(BELL | {PATH: b"damaged", b"new.mov": b"n"}, "xxh128")]
    roll.append(generation(read, FOLDERS, process=Process.IN_PLACE, later_seconds=1))
    inner_files = {path: data for path, data in INNER.items() if path != b"sub/clip.xml"}
    with opened_roll(roll.path / "day3" / "A004") as inner, opened_roll(roll.path.parent / "lists") as lists:
        inner.append(generation(files_of(inner_files)))
        first = write_packing_list(
            roll.io,
            lists.handle,
            b"A003",
            [(b"", roll.read()), (b"day3/A004", inner.read())],
            started_at=START,
            creator=Creator("cart-1", "rollproof", "0.1.0"),
        )
        data = (lists.path / os.fsdecode(first.name)).read_bytes()
        second = write_packing_list(
            roll.io,
            lists.handle,
            b"A003",
            [(b"", roll.read())],
            started_at=START + timedelta(hours=1),
            creator=Creator("cart-1", "rollproof", "0.1.0"),
        )
        collection = parse_chain([(lists.path / "ascmhl_collection.xml").read_bytes()])
        assert not lists.history_path.exists()

    noted = Noted()
    reader = ManifestReader([data], noted)
    items = list(reader)
    assert noted.all() == ()
    assert reader.header is not None
    assert (reader.header.process, reader.header.root) == (Process.FLATTEN, None)
    assert not any(isinstance(item, FolderHash) for item in items)
    found = {item.path: item.hashes for item in items if isinstance(item, FileHash)}
    assert found == {
        **{path: hashed(content, "xxh128", "md5") for path, content in BELL.items()},
        b"new.mov": hashed(b"n", "xxh128"),
        b"day3/A004/clip.mov": hashed(b"cast", "xxh128"),
    }
    assert b"failed" not in data
    assert [(entry.sequence, entry.path, entry.c4) for entry in collection] == [
        (1, first.name, first.c4),
        (2, second.name, second.c4),
    ]


def test_an_empty_packing_list_is_refused(roll: Roll) -> None:
    with pytest.raises(UsageProblem):
        write_packing_list(
            roll.io, roll.handle, b"A003", [(b"", roll.read())], started_at=START, creator=Creator("c", "t", "1")
        )
    assert kinds(roll.read()) == []
    assert os.listdir(roll.path) == []
