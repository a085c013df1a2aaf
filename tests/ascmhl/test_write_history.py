"""Appending generations: names, numbers, chain, crashes, and what is left out."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from ascmhl.mhl_trees import BELL, FOLDERS, MODIFIED_NS, Roll, files_of, generation, hashed, kinds, opened_roll
from rollproof.ascmhl.chain import parse_chain
from rollproof.ascmhl.manifest_xml import ManifestBody
from rollproof.ascmhl.model import Action, FileHash, ManifestState, Process
from rollproof.ascmhl.standard import manifest_name
from rollproof.ascmhl.write import write_generation
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Kind, Severity
from rollproof.storage.posix import LinuxIo


def test_the_first_generation_comes_back_as_it_was_written(roll: Roll) -> None:
    files = files_of(BELL, "xxh128", "md5", "c4")
    written = roll.append(generation(files, FOLDERS, algorithms=("xxh128", "md5"), ignore_patterns=("*.tmp",)))

    assert written.name == b"0001_A003_2026-05-14_081502Z.mhl"
    assert written.sequence == 1
    assert written.c4 == hashed(roll.manifest(written).read_bytes(), "c4")["c4"]
    assert written.size == roll.manifest(written).stat().st_size
    assert written.findings == ()

    history = roll.read()
    assert history.findings == ()
    [only] = history.generations
    assert (only.state, only.files, only.failed, only.c4) == (ManifestState.WHOLE, len(files), 0, written.c4)
    assert only.header is not None
    assert only.header.process is Process.TRANSFER
    assert only.header.creator == generation(files).creator
    assert only.header.created_at == "2026-05-14T08:15:02+00:00"
    assert only.header.root is not None
    assert set(only.header.root.content) == {"xxh128", "md5"}
    assert history.ignore_patterns == (".DS_Store", "ascmhl", "/ascmhl/", "/rollproof/", "*.tmp")
    assert list(history.expected) == [file.path for file in files]
    for file in files:
        expected = history.expected[file.path]
        assert (expected.size, expected.modified_ns, expected.hashes) == (file.size, file.modified_ns, file.hashes)


def test_every_file_has_size_date_and_action_and_every_folder_its_hashes(roll: Roll) -> None:
    text = roll.manifest(roll.append(generation(files_of(BELL), FOLDERS))).read_text()
    assert text.count(' size="') == text.count("lastmodificationdate=") == text.count("<hash>") == len(BELL)
    assert text.count(' action="original"') == len(BELL)
    assert text.count("<directoryhash>") == len(FOLDERS)
    assert text.index("<roothash>") < text.index("<hashes>")


def test_generations_are_numbered_and_chained_without_gaps(roll: Roll) -> None:
    written = [
        roll.append(generation(files_of(BELL, action=Action.VERIFIED), process=Process.IN_PLACE, later_seconds=day))
        for day in range(4)
    ]
    chain = parse_chain([roll.chain_path.read_bytes()])
    assert [(entry.sequence, entry.path, entry.c4) for entry in chain] == [
        (number, each.name, each.c4) for number, each in enumerate(written, 1)
    ]
    assert roll.read().findings == ()


def test_a_manifest_is_never_changed_by_a_later_generation(roll: Roll) -> None:
    first = roll.append(generation(files_of(BELL)))
    before = roll.manifest(first).read_bytes()
    roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    assert roll.manifest(first).read_bytes() == before


@pytest.mark.parametrize(
    ("folder", "name"),
    [
        (b"A003", b"0007_A003_2026-05-14_061502Z.mhl"),
        ("Glocke №1".encode(), "0007_Glocke №1_2026-05-14_061502Z.mhl".encode()),
        (b"bad\xff\x1bname", b"0007_bad__name_2026-05-14_061502Z.mhl"),
        (b"", b"0007___2026-05-14_061502Z.mhl"),
    ],
)
def test_a_manifest_is_named_by_number_folder_and_start_in_utc(folder: bytes, name: bytes) -> None:
    start = datetime(2026, 5, 14, 8, 15, 2, tzinfo=timezone(timedelta(hours=2)))
    assert manifest_name(7, folder, start) == name


def test_a_long_folder_name_is_cut_between_characters_so_that_the_file_can_exist() -> None:
    name = manifest_name(1, "ü".encode() * 127, datetime(2026, 5, 14, tzinfo=UTC))
    assert len(name) <= 255
    assert name.decode().count("ü") == 113


def test_names_xml_cannot_hold_are_left_out_with_one_warning(roll: Roll) -> None:
    bad = {b"A003/bad\xff.mov": b"1", b"A003/bell\x07.mov": b"2"}
    written = roll.append(generation(files_of(BELL | bad), FOLDERS))

    [warning] = written.findings
    assert (warning.kind, warning.severity, warning.count) == (Kind.NAME_NOT_IN_MANIFEST, Severity.WARNING, 2)
    assert warning.path == "A003/bad\\xff.mov"
    history = roll.read()
    assert history.findings == ()
    assert set(history.expected) == set(BELL)
    text = roll.manifest(written).read_text()
    assert "<roothash>" not in text
    assert text.count("<directoryhash>") == 2  # LOOK and EMPTY, but not A003


def test_what_lies_in_a_folder_called_ascmhl_is_left_out_with_a_warning(roll: Roll) -> None:
    written = roll.append(generation(files_of(BELL | {b"A003/ascmhl/clip.mov": b"1"}), [*FOLDERS, b"A003/ascmhl"]))
    [warning] = written.findings
    assert (warning.kind, warning.path, warning.count) == (Kind.NAME_NOT_IN_MANIFEST, "A003/ascmhl/clip.mov", 1)
    assert set(roll.read().expected) == set(BELL)


@pytest.mark.parametrize("bad", [{}, {b"bad\xff": b"1"}])
def test_a_roll_with_nothing_to_name_still_has_a_readable_manifest(roll: Roll, bad: dict[bytes, bytes]) -> None:
    written = roll.append(generation(files_of(bad)))
    assert "<path>.</path>" in roll.manifest(written).read_text()
    history = roll.read()
    assert (history.findings, dict(history.expected), history.generations[0].files) == ((), {}, 0)


def test_times_before_1970_and_after_9999_do_not_stop_anything(roll: Roll) -> None:
    times = {b"a": -1, b"b": 0, b"c": 1, b"d": -(10**18), b"e": 10**21}
    files = [FileHash(path, 0, modified, hashed(b"", "md5")) for path, modified in times.items()]
    roll.append(generation(files))
    read = {path: expected.modified_ns for path, expected in roll.read().expected.items()}
    assert read == times | {b"e": None}


def test_an_iterator_that_ends_is_refused_because_files_are_gone_through_twice(roll: Roll) -> None:
    with pytest.raises(TypeError):
        roll.append(generation(iter(files_of(BELL))))  # type: ignore[arg-type]
    assert sorted(os.listdir(roll.history_path)) == []


def test_files_that_differ_the_second_time_leave_no_manifest(roll: Roll) -> None:
    class Changing:
        rounds = 0

        def __iter__(self) -> Iterator[FileHash]:
            self.rounds += 1
            return iter(files_of(BELL)[self.rounds :])

    changing = generation(Changing())  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="second time"):
        roll.append(changing, body=ManifestBody(changing, limit_bytes=0))
    assert sorted(os.listdir(roll.history_path)) == []


def test_several_copies_may_go_through_the_files_of_one_body_at_the_same_time() -> None:
    made = generation(files_of({b"A/%03d.dng" % number: b"x" for number in range(50)}))
    body = ManifestBody(made, limit_bytes=0)
    one, other = body.elements(), body.elements()
    first = [next(one) for _ in range(10)]
    second = list(other)
    assert first + list(one) == second
    assert b"".join(second) == b"".join(ManifestBody(made).elements())


# --- crashes


class _Failing(LinuxIo):
    """Fails the call number `at` of those that change something, and every later one when `onward`."""

    def __init__(self, at: int, *, onward: bool) -> None:
        super().__init__()
        self.at = at
        self.onward = onward
        self.calls = 0

    def _count(self) -> None:
        self.calls += 1
        if self.calls == self.at or (self.onward and self.calls > self.at):
            raise OSError(errno.EIO, "injected")

    def make_folder(self, name: bytes, folder: int) -> None:
        self._count()
        super().make_folder(name, folder)

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        self._count()
        return super().create(name, folder, direct=direct)

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        self._count()
        return super().write_from(handle, view, offset)

    def flush(self, handle: int) -> None:
        self._count()
        super().flush(handle)

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        self._count()
        super().rename_no_replace(old, new, folder)

    def rename_over(self, old: bytes, new: bytes, folder: int) -> None:
        self._count()
        super().rename_over(old, new, folder)

    def remove(self, name: bytes, folder: int) -> None:
        if self.onward and self.calls >= self.at:
            raise OSError(errno.EIO, "injected")
        super().remove(name, folder)


@pytest.mark.parametrize("onward", [False, True])
def test_a_drive_failing_at_any_call_leaves_a_history_the_next_run_goes_on_from(tmp_path: Path, onward: bool) -> None:
    for at in range(1, 100):
        with opened_roll(tmp_path / f"{onward}-{at}" / "A003") as roll:
            if at % 2:  # with and without an earlier generation
                roll.append(generation(files_of(BELL), FOLDERS))
            io = _Failing(at, onward=onward)
            second = generation(files_of(BELL, action=Action.VERIFIED), FOLDERS, later_seconds=1)
            try:
                write_generation(io, roll.handle, b"A003", second)
            except OSError:
                reached = True
            else:
                reached = False
            third = roll.append(generation(files_of(BELL, action=Action.VERIFIED), FOLDERS, later_seconds=2))
            history = roll.read()
            assert history.findings == (), at
            assert history.generations[-1].name == third.name
            assert all(each.state is ManifestState.WHOLE for each in history.generations)
            assert [each.sequence for each in history.generations] == list(range(1, third.sequence + 1))
            if not reached:
                assert io.calls < at
                return
    pytest.fail("the faults never ended")


def test_a_manifest_that_a_crash_left_out_of_the_chain_is_taken_in(roll: Roll) -> None:
    roll.append(generation(files_of(BELL)))
    before = roll.chain_path.read_bytes()
    second = roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    roll.chain_path.write_bytes(before)
    assert [(found.kind, found.severity) for found in roll.read().findings] == [
        (Kind.MANIFEST_NOT_IN_CHAIN, Severity.WARNING)
    ]

    third = roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=2))

    [said] = third.findings
    assert (said.kind, said.severity, said.path) == (
        Kind.MANIFEST_NOT_IN_CHAIN,
        Severity.WARNING,
        second.name.decode(),
    )
    assert third.sequence == 3
    history = roll.read()
    assert history.findings == ()
    assert [each.name for each in history.generations][1:] == [second.name, third.name]


@pytest.mark.parametrize("planted", ["other content", "a number further on"])
def test_a_manifest_outside_the_chain_that_no_crash_explains_is_an_error(roll: Roll, planted: str) -> None:
    roll.append(generation(files_of(BELL)))
    before = roll.chain_path.read_bytes()
    second = roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    path = roll.history_path / os.fsdecode(second.name)
    if planted == "other content":
        path.write_text(path.read_text().replace("README.txt", "PLANTED.txt"))
    else:
        path.rename(path.with_name(path.name.replace("0002_", "0004_")))
    roll.chain_path.write_bytes(before)
    assert [(found.kind, found.severity) for found in roll.read().findings] == [
        (Kind.MANIFEST_NOT_IN_CHAIN, Severity.ERROR)
    ]


def test_what_an_interrupted_run_left_under_temporary_names_goes_with_the_next_generation(roll: Roll) -> None:
    roll.append(generation(files_of(BELL)))
    left = (
        b"0002_A003_2026-05-14_071502Z.mhl.rollproof-partial",
        b"ascmhl_chain.xml.rollproof-partial",
        b"somebody else's.rollproof-partial",
    )
    for name in left:
        (roll.history_path / os.fsdecode(name)).write_bytes(b"<hashlist>")
    roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    partial = {os.fsencode(path.name) for path in roll.history_path.glob("*.rollproof-partial")}
    assert partial == {b"somebody else's.rollproof-partial"}


@pytest.mark.parametrize(
    "stray",
    [b"0002_A003_2026-05-14_081503Z.mhl", b"0001_other_2026-05-14_081503Z.mhl", b"notes.mhl"],
    ids=["unreadable", "old number", "no number"],
)
def test_a_stray_that_is_no_lost_generation_is_not_taken_in(roll: Roll, stray: bytes) -> None:
    roll.append(generation(files_of(BELL)))
    (roll.history_path / os.fsdecode(stray)).write_bytes(b"<hashlist>")
    second = roll.append(generation(files_of(BELL, action=Action.VERIFIED), later_seconds=1))
    assert [(found.kind, found.severity) for found in second.findings] == [(Kind.MANIFEST_NOT_IN_CHAIN, Severity.ERROR)]
    assert stray not in {entry.path for entry in parse_chain([roll.chain_path.read_bytes()])}


def test_a_chain_that_cannot_be_read_is_never_replaced(roll: Roll) -> None:
    roll.append(generation(files_of(BELL)))
    damaged = roll.chain_path.read_bytes()[:-30]
    roll.chain_path.write_bytes(damaged)
    names = set(os.listdir(roll.history_path))
    with pytest.raises(UntrustedInput, match="nothing was added"):
        roll.append(generation(files_of(BELL), later_seconds=1))
    assert roll.chain_path.read_bytes() == damaged
    assert set(os.listdir(roll.history_path)) == names


@pytest.mark.parametrize("planted", ["link", "file"])
def test_nothing_is_written_through_a_link_in_place_of_the_folder(roll: Roll, tmp_path: Path, planted: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    if planted == "link":
        roll.history_path.symlink_to(outside, target_is_directory=True)
    else:
        roll.history_path.write_bytes(b"")
    with pytest.raises(UntrustedInput):
        roll.append(generation(files_of(BELL)))
    assert kinds(roll.read()) == [Kind.BAD_MANIFEST]
    assert os.listdir(outside) == []


def test_a_link_in_place_of_the_chain_is_not_followed(roll: Roll, tmp_path: Path) -> None:
    roll.append(generation(files_of(BELL)))
    aside = tmp_path / "aside.xml"
    roll.chain_path.rename(aside)
    roll.chain_path.symlink_to(aside)
    assert Kind.CHAIN_BROKEN in kinds(roll.read())
    with pytest.raises(UntrustedInput):
        roll.append(generation(files_of(BELL), later_seconds=1))


def test_an_author_whose_address_the_schema_refuses_is_kept_without_it(roll: Roll) -> None:
    from dataclasses import replace  # noqa: PLC0415

    from rollproof.ascmhl.model import Author  # noqa: PLC0415

    authors = (Author("", "loader", "not an address"), Author("", "data wrangler", "cart@foundry.example", "12"))
    plain = generation(files_of(BELL))
    written = roll.append(replace(plain, creator=replace(plain.creator, authors=authors)))
    text = roll.manifest(written).read_text()
    assert "not an address" not in text
    assert 'email="cart@foundry.example" phone="12" role="data wrangler"' in text


@pytest.mark.slow
def test_memory_stays_flat_while_writing_many_files(roll: Roll) -> None:
    import tracemalloc  # noqa: PLC0415

    class Many:
        def __iter__(self) -> Iterator[FileHash]:
            for number in range(40_000):
                yield FileHash(
                    b"A003/%03d/frame_%08d.dng" % (number // 1000, number),
                    number,
                    MODIFIED_NS,
                    {"md5": f"{number:032x}"},
                )

    def peak(files: Any) -> int:
        tracemalloc.start()
        try:
            roll.append(generation(files, algorithms=("md5",)))
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    # the document alone has 10 MB, and the 40,000 entries as objects more than twice that
    assert peak(Many()) < 5_000_000
