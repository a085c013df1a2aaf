"""Safe creation of our own small files, and walking below a handle: what is left after every single failure."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from rollproof.models.names import PARTIAL_SUFFIX
from rollproof.storage.files import (
    exists,
    flush_folder,
    open_below,
    partial_name,
    read_chunks,
    read_small,
    write_all,
    write_new,
)
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.posix import LinuxIo
from rollproof.storage.readback import NotAsWritten
from support.faults import Answer, Do, Fail, Fault, Flip, Lose, Rule, Short
from support.faulty_io import FaultyIo

NAME = b"0001_offload.json"
CHUNKS = (b'{"format": "rollproof-record/1",\n', b"x" * (1 << 20), b"", b"}\n")
DATA = b"".join(CHUNKS)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "rollproof"
    made.mkdir()
    return made


def open_handles() -> int:
    return len(os.listdir("/proc/self/fd"))


def attempt(folder: Path, *rules: Rule, replace: bool = False) -> tuple[FaultyIo, OSError | None]:
    """One `write_new` with faults, and the error it raised; it must leave no handle open."""
    io = FaultyIo(LinuxIo(), rules)
    before = open_handles()
    top = io.open_root(os.fsencode(folder))
    error: OSError | None = None
    try:
        written = write_new(io, top, NAME, iter(CHUNKS), replace=replace)
        assert written == (len(DATA), hashlib.sha256(DATA).hexdigest())
    except OSError as caught:
        error = caught
    io.inner.close(top)
    assert open_handles() == before
    return io, error


def operations(folder: Path, *, replace: bool = False) -> list[str]:
    """The calls of a run in which nothing fails."""
    io, error = attempt(folder, replace=replace)
    assert error is None
    return [call.operation for call in io.calls]


def clear(folder: Path) -> None:
    for left in folder.iterdir():
        left.unlink()


@pytest.mark.parametrize("after", [False, True], ids=["not done", "done all the same"])
def test_whichever_call_fails_nothing_stands_under_the_final_name(folder: Path, after: bool) -> None:
    made = operations(folder)
    assert {"create", "write_from", "fstat", "flush", "close", "rename_no_replace"} <= set(made)
    for index, operation in enumerate(made[1:], start=2):
        clear(folder)
        io, error = attempt(folder, Rule(Fail(errno.EIO, after=after), index=index))
        if operation == "drop_pages":  # a hint to the cache: the read itself goes past it
            continue
        if after and operation == "remove":  # there is no stale file to remove: the call has its own answer
            continue
        assert io.reached, operation
        assert error is not None, operation
        assert error.errno == errno.EIO
        assert not (folder / NAME.decode()).exists(), f"left after {operation} failed"
        if operation != "create":
            assert list(folder.iterdir()) == [], f"a temporary file is left after {operation} failed"


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.ENODEV])
def test_when_everything_fails_from_some_call_on_what_stands_there_is_whole(folder: Path, code: int) -> None:
    made = operations(folder)
    for index in range(2, len(made) + 1):
        clear(folder)
        _, error = attempt(folder, Rule(Fail(code), index=index, onward=True))
        assert error is not None
        final = folder / NAME.decode()
        assert not final.exists() or final.read_bytes() == DATA


@pytest.mark.parametrize("after", [False, True], ids=["not done", "done all the same"])
def test_a_replaced_file_is_the_old_or_the_new_one_whichever_call_fails(folder: Path, after: bool) -> None:
    made = operations(folder, replace=True)
    final = folder / NAME.decode()
    for index, operation in enumerate(made[1:], start=2):
        clear(folder)
        final.write_bytes(b"old")
        _, error = attempt(folder, Rule(Fail(errno.EIO, after=after), index=index), replace=True)
        assert error is not None or operation == "drop_pages" or (after and operation == "remove"), operation
        assert final.read_bytes() in (b"old", DATA), operation
        if operation != "create":
            assert list(folder.iterdir()) == [final], operation


def test_a_flush_that_failed_is_not_tried_again(folder: Path) -> None:
    io, error = attempt(folder, Rule(Fail(errno.EIO), "flush"))
    assert error is not None
    assert [call.operation for call in io.calls].count("flush") == 1


def test_the_order_is_write_check_flush_close_read_back_rename_flush(folder: Path) -> None:
    made = [operation for operation in operations(folder) if operation not in ("open_root", "stat")]
    assert made == [
        "remove",
        "create",
        "write_from",
        "write_from",
        "fstat",
        "flush",
        "close",
        "open_read",
        "drop_pages",
        "fstat",
        "read_into",
        "read_into",
        "close",
        "rename_no_replace",
        "flush",
    ]


@pytest.mark.parametrize("replace", [False, True], ids=["new", "replaced"])
@pytest.mark.parametrize("fault", [Flip(), Flip(position=0), Lose(), Short()], ids=["flip", "first", "lost", "short"])
def test_what_the_drive_holds_otherwise_never_gets_its_name(folder: Path, fault: Fault, replace: bool) -> None:
    final = folder / NAME.decode()
    for nth in (1, 2):
        clear(folder)
        if replace:
            final.write_bytes(b"old")
        io, error = attempt(folder, Rule(fault, "write_from", nth=nth), replace=replace)
        assert io.reached
        if isinstance(fault, Short):  # gone on with
            assert error is None
            continue
        assert isinstance(error, OSError)
        assert [left.read_bytes() for left in folder.iterdir()] == ([b"old"] if replace else [])
        if isinstance(fault, Flip):
            assert isinstance(error, NotAsWritten)
            assert NAME.decode() in str(error)


def test_one_bad_read_of_what_was_written_well_is_a_failure_too(folder: Path) -> None:
    _, error = attempt(folder, Rule(Flip(), "read_into"))
    assert isinstance(error, NotAsWritten)
    assert list(folder.iterdir()) == []


def test_a_rename_that_was_lost_is_noticed_even_where_an_older_file_has_the_name(folder: Path) -> None:
    final = folder / NAME.decode()
    final.write_bytes(b"z" * len(DATA))
    _, error = attempt(folder, Rule(Lose(), "rename_over"), replace=True)
    assert isinstance(error, NotAsWritten)
    assert list(folder.iterdir()) == [final]


def test_short_reads_of_the_read_back_are_gone_on_with(folder: Path) -> None:
    io, error = attempt(folder, Rule(Short(), "read_into", onward=True))
    assert io.reached
    assert error is None


def test_short_writes_are_gone_on_with(folder: Path) -> None:
    _, error = attempt(folder, Rule(Short(), "write_from", onward=True))
    assert error is None
    assert (folder / NAME.decode()).read_bytes() == DATA


@pytest.mark.parametrize("answer", [0, -1])
def test_a_drive_that_takes_no_more_is_full_and_nothing_waits_for_it(folder: Path, answer: int) -> None:
    _, error = attempt(folder, Rule(Answer(answer), "write_from", onward=True))
    assert error is not None
    assert error.errno == errno.ENOSPC
    assert list(folder.iterdir()) == []


def test_a_write_that_was_silently_lost_is_noticed_by_the_length(folder: Path) -> None:
    _, error = attempt(folder, Rule(Answer(2), "write_from", nth=2))
    assert error is not None
    assert list(folder.iterdir()) == []


def test_a_file_that_appears_meanwhile_is_not_ours_to_replace_or_remove(folder: Path) -> None:
    final = folder / NAME.decode()
    appears = Rule(Do(lambda: final.write_bytes(b"somebody else's")), "rename_no_replace")
    _, error = attempt(folder, appears)
    assert isinstance(error, FileExistsError)
    assert final.read_bytes() == b"somebody else's"
    assert list(folder.iterdir()) == [final]


def test_a_chunk_that_cannot_be_made_leaves_nothing(folder: Path) -> None:
    def broken() -> Iterator[bytes]:
        yield b"x" * (2 << 20)
        raise ZeroDivisionError

    io = LinuxIo()
    top = io.open_root(os.fsencode(folder))
    with pytest.raises(ZeroDivisionError):
        write_new(io, top, NAME, broken())
    io.close(top)
    assert list(folder.iterdir()) == []


def test_a_stale_temporary_file_or_link_is_removed_and_not_written_through(folder: Path) -> None:
    secret = folder / "secret"
    secret.write_bytes(b"kept")
    (folder / partial_name(NAME).decode()).symlink_to(secret)
    _, error = attempt(folder)
    assert error is None
    assert secret.read_bytes() == b"kept"
    assert not (folder / NAME.decode()).is_symlink()


def test_a_file_system_that_flushes_no_folder_is_lived_with(folder: Path) -> None:
    _, error = attempt(folder, Rule(Fail(errno.EINVAL), "flush", path=b""))
    assert error is None
    assert (folder / NAME.decode()).read_bytes() == DATA
    _, error = attempt(folder, Rule(Fail(errno.EINVAL), "flush", path=b"*partial"), replace=True)
    assert error is not None, "a file that cannot be flushed is another matter"


@pytest.mark.parametrize("code", [errno.EIO, errno.EOPNOTSUPP, errno.ENOSPC])
def test_any_other_answer_to_the_flush_of_a_folder_is_final(folder: Path, code: int) -> None:
    io = FaultyIo(LinuxIo(), [Rule(Fail(code), "flush")])
    top = io.open_root(os.fsencode(folder))
    with pytest.raises(OSError) as caught:
        flush_folder(io, top)
    assert caught.value.errno == code
    io.close(top)


# --- names
@pytest.mark.parametrize("name", [b"a", b"a" * 236, b"a" * 237, b"a" * 238, b"a" * 255, "ö".encode() * 127])
def test_a_temporary_name_always_fits_and_carries_the_suffix(name: bytes) -> None:
    temporary = partial_name(name)
    assert temporary.endswith(PARTIAL_SUFFIX)
    assert len(temporary) <= 255
    assert temporary != partial_name(name + b"b")


def test_write_all_goes_to_the_offset_it_was_given(folder: Path) -> None:
    io = FaultyIo(LinuxIo(), [Rule(Short(), "write_from", onward=True)])
    top = io.open_root(os.fsencode(folder))
    handle = io.create(b"clip", top, direct=False)
    write_all(io, handle, b"0123456789", 5)
    io.close(handle)
    io.close(top)
    assert (folder / "clip").read_bytes() == bytes(5) + b"0123456789"


# --- reading
@pytest.fixture
def io() -> Io:
    return LinuxIo()


@pytest.fixture
def top(io: Io, folder: Path) -> Iterator[int]:
    handle = io.open_root(os.fsencode(folder))
    yield handle
    io.close(handle)


def test_a_small_file_is_read_whole_up_to_its_limit(io: Io, top: int, folder: Path) -> None:
    (folder / "record").write_bytes(b"0123456789")
    assert read_small(io, top, b"record", limit=10) == b"0123456789"
    assert list(read_chunks(io, top, b"record", limit=10, chunk_bytes=4)) == [b"0123", b"4567", b"89"]
    with pytest.raises(OSError) as caught:
        read_small(io, top, b"record", limit=9)
    assert caught.value.errno == errno.EFBIG


def test_a_file_that_grows_while_it_is_read_ends_at_the_limit(folder: Path) -> None:
    grown = folder / "record"
    grown.write_bytes(b"0123456789")
    rule = Rule(Do(lambda: grown.write_bytes(b"x" * 100)), "read_into")
    faulty = FaultyIo(LinuxIo(), [rule])
    top = faulty.open_root(os.fsencode(folder))
    with pytest.raises(OSError) as caught:
        read_small(faulty, top, b"record", limit=20)
    assert caught.value.errno == errno.EFBIG
    faulty.close(top)


@pytest.mark.parametrize("operation", ["fstat", "read_into"])
def test_a_failed_read_leaves_no_handle_open(folder: Path, operation: str) -> None:
    (folder / "record").write_bytes(b"0123456789")
    faulty = FaultyIo(LinuxIo(), [Rule(Fail(errno.EIO), operation)])
    top = faulty.open_root(os.fsencode(folder))
    before = open_handles()
    with pytest.raises(OSError):
        read_small(faulty, top, b"record", limit=20)
    assert open_handles() == before
    faulty.close(top)


def test_what_stands_under_a_name_is_told_without_following_it(io: Io, top: int, folder: Path) -> None:
    (folder / "link").symlink_to("nowhere")
    (folder / "record").write_bytes(b"")
    assert exists(io, top, b"link") is EntryKind.LINK
    assert exists(io, top, b"record") is EntryKind.FILE
    assert exists(io, top, b"nothing") is None


# --- walking
@pytest.mark.parametrize("path", [b"..", b"a/../../b", b"a//b", b"/etc", b"a/", b"./a", b"a/.", b"a\0b"])
@pytest.mark.parametrize("create", [False, True])
def test_a_path_never_leaves_its_root(io: Io, top: int, folder: Path, path: bytes, create: bool) -> None:
    (folder / "a").mkdir()
    before = open_handles()
    with pytest.raises(OSError) as caught:
        open_below(io, top, path, create=create)
    assert caught.value.errno == errno.EINVAL
    assert open_handles() == before
    assert {found.name for found in folder.parent.iterdir()} == {folder.name}


def test_a_link_in_the_middle_of_a_path_is_not_followed(io: Io, top: int, folder: Path) -> None:
    (folder / "real" / "deeper").mkdir(parents=True)
    (folder / "link").symlink_to("real")
    with pytest.raises(OSError):
        open_below(io, top, b"link/deeper")


def test_an_empty_path_is_the_root_anew(io: Io, top: int) -> None:
    again = open_below(io, top, b"")
    assert again != top
    assert io.fstat(again) == io.fstat(top)
    io.close(again)


@pytest.mark.parametrize(
    ("operation", "nth"),
    [(operation, nth) for operation in ("open_folder", "make_folder", "close") for nth in (1, 2, 3)][:-1],
    # two closes only: the handle of the last folder is the caller's
)
def test_a_walk_that_breaks_off_leaves_no_handle_open_and_the_root_usable(
    folder: Path, operation: str, nth: int
) -> None:
    faulty = FaultyIo(LinuxIo(), [Rule(Fail(errno.EIO), operation, nth=nth)])
    top = faulty.open_root(os.fsencode(folder))
    before = open_handles()
    with pytest.raises(OSError) as caught:
        open_below(faulty, top, b"day/A003/CLIPS", create=True)
    assert caught.value.errno == errno.EIO
    assert open_handles() == before
    faulty.list_folder(top)
    faulty.close(top)
