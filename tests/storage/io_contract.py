"""What every `Io` must do, whatever the operating system: one class of tests, run once for each implementation."""

from __future__ import annotations

import contextlib
import errno
import mmap
from collections.abc import Iterator
from typing import Protocol

import pytest

from rollproof.storage.files import open_below, partial_name, read_small, write_new
from rollproof.storage.io import EntryKind, Io

SECTOR = 4096


class Ground(Protocol):
    """A folder to stand on, and a way to put things there behind the implementation's back."""

    io: Io
    root: bytes
    """The path of the folder, as a person would name it."""

    def put_file(self, name: str, data: bytes) -> None:
        """Put a file below the folder; missing folders are made."""
        ...

    def put_link(self, name: str, target: str) -> None:
        """Put a link to something below the folder, there or not."""
        ...

    def put_special(self, name: str) -> None:
        """Put something that is neither file, folder nor link."""
        ...

    def put_link_to_root(self) -> bytes:
        """A path outside the folder that is a link to it."""
        ...

    def content(self, name: str) -> bytes | None:
        """The bytes of a file, or None when nothing stands under that name."""
        ...


@contextlib.contextmanager
def refused(*codes: int) -> Iterator[None]:
    """The block must raise an OSError with one of these codes."""
    with pytest.raises(OSError) as caught:
        yield
    assert caught.value.errno in codes, f"{caught.value!r} is none of {[errno.errorcode[code] for code in codes]}"


def direct_buffer(data: bytes) -> mmap.mmap:
    """Page-aligned memory holding `data`, whose length is a multiple of a sector."""
    assert len(data) % SECTOR == 0
    buffer = mmap.mmap(-1, len(data))
    buffer[:] = data
    return buffer


class IoContract:
    """Subclasses offer a `ground` fixture."""

    @pytest.fixture
    def io(self, ground: Ground) -> Io:
        return ground.io

    @pytest.fixture
    def top(self, ground: Ground, io: Io) -> Iterator[int]:
        handle = io.open_root(ground.root)
        yield handle
        io.close(handle)

    @staticmethod
    def written(io: Io, folder: int, name: bytes, data: bytes) -> None:
        handle = io.create(name, folder, direct=False)
        try:
            assert io.write_from(handle, memoryview(data), 0) == len(data)
        finally:
            io.close(handle)

    @staticmethod
    def read(io: Io, folder: int, name: bytes) -> bytes:
        return read_small(io, folder, name, limit=1 << 20)

    # --- what is there stays there
    @pytest.mark.parametrize("direct", [False, True])
    def test_create_never_takes_a_name_that_is_taken(self, ground: Ground, io: Io, top: int, direct: bool) -> None:
        ground.put_file("CLIP.MOV", b"camera original")
        ground.put_file("FOLDER/inside", b"")
        ground.put_link("LINK", "CLIP.MOV")
        ground.put_link("DANGLING", "nowhere")
        for name in (b"CLIP.MOV", b"FOLDER", b"LINK", b"DANGLING"):
            with refused(errno.EEXIST):
                io.create(name, top, direct=direct)
        assert ground.content("CLIP.MOV") == b"camera original"
        assert ground.content("nowhere") is None

    def test_rename_never_replaces_a_file_a_folder_or_a_link(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("new", b"new")
        ground.put_file("file", b"old")
        ground.put_file("folder/inside", b"")
        ground.put_link("link", "file")
        ground.put_link("dangling", "nowhere")
        for taken in (b"file", b"folder", b"link", b"dangling"):
            with refused(errno.EEXIST):
                io.rename_no_replace(b"new", taken, top)
        assert ground.content("new") == b"new"
        assert ground.content("file") == b"old"
        kinds = dict(io.list_folder(top))
        assert kinds[b"link"] is kinds[b"dangling"] is EntryKind.LINK

    def test_rename_moves_a_file_to_a_free_name(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("clip.partial", b"take 1")
        io.rename_no_replace(b"clip.partial", b"clip", top)
        assert ground.content("clip") == b"take 1"
        assert ground.content("clip.partial") is None

    def test_rename_of_nothing_is_an_error_and_makes_nothing(self, ground: Ground, io: Io, top: int) -> None:
        with refused(errno.ENOENT):
            io.rename_no_replace(b"nothing", b"something", top)
        assert io.list_folder(top) == []

    def test_only_rename_over_replaces_and_it_does(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("chain", b"one generation")
        ground.put_file("chain.new", b"two generations")
        io.rename_over(b"chain.new", b"chain", top)
        assert ground.content("chain") == b"two generations"
        assert ground.content("chain.new") is None

    def test_make_folder_refuses_a_name_that_is_taken(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("file", b"")
        ground.put_link("link", "file")
        io.make_folder(b"day", top)
        for name in (b"day", b"file", b"link"):
            with refused(errno.EEXIST):
                io.make_folder(name, top)

    # --- nothing is followed, nothing blocks
    def test_reading_refuses_links_wherever_they_point(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("target", b"secret")
        ground.put_link("link", "target")
        ground.put_link("dangling", "nowhere")
        for name in (b"link", b"dangling"):
            with refused(errno.ELOOP):
                io.open_read(name, top, direct=False)

    @pytest.mark.parametrize("direct", [False, True])
    def test_reading_refuses_folders_and_special_files_without_waiting(
        self, ground: Ground, io: Io, top: int, direct: bool
    ) -> None:
        ground.put_file("folder/inside", b"")
        ground.put_special("special")
        for name in (b"folder", b"special"):
            with refused(errno.EINVAL):
                io.open_read(name, top, direct=direct)

    def test_a_folder_is_never_entered_through_a_link(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("outside/secret", b"secret")
        ground.put_link("link", "outside")
        with refused(errno.ELOOP, errno.ENOTDIR):
            io.open_folder(b"link", top)
        with refused(errno.ELOOP, errno.ENOTDIR):
            open_below(io, top, b"link/deeper", create=True)

    def test_a_file_is_no_folder(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("file", b"")
        with refused(errno.ENOTDIR):
            io.open_folder(b"file", top)

    def test_appending_refuses_links_and_special_files(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("target", b"")
        ground.put_link("link", "target")
        ground.put_link("dangling", "nowhere")
        ground.put_special("special")
        for create in (False, True):
            for name in (b"link", b"dangling"):
                with refused(errno.ELOOP):
                    io.open_append(name, top, create=create)
            with refused(errno.EINVAL):
                io.open_append(b"special", top, create=create)
        assert ground.content("nowhere") is None

    def test_removing_a_link_leaves_what_it_points_to(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("target", b"kept")
        ground.put_link("link", "target")
        io.remove(b"link", top)
        assert ground.content("target") == b"kept"
        assert [name for name, _ in io.list_folder(top)] == [b"target"]

    def test_remove_folder_takes_empty_folders_only(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("full/inside", b"kept")
        ground.put_file("file", b"")
        ground.put_link("link", "full")
        io.make_folder(b"empty", top)
        io.remove_folder(b"empty", top)
        with refused(errno.ENOTEMPTY, errno.EEXIST):
            io.remove_folder(b"full", top)
        for name in (b"link", b"file"):
            with refused(errno.ENOTDIR):
                io.remove_folder(name, top)
        assert {name for name, _ in io.list_folder(top)} == {b"full", b"file", b"link"}

    def test_a_name_is_one_component_and_never_a_path(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("folder/inside", b"kept")
        for name in (b"folder/inside", b"../x", b"..", b".", b"", b"x\0y", b"/etc"):
            for call in (
                lambda name: io.open_read(name, top, direct=False),
                lambda name: io.create(name, top, direct=False),
                lambda name: io.open_append(name, top, create=True),
                lambda name: io.make_folder(name, top),
                lambda name: io.remove_folder(name, top),
                lambda name: io.remove(name, top),
                lambda name: io.stat(name, top),
                lambda name: io.rename_no_replace(name, b"free", top),
                lambda name: io.rename_no_replace(b"folder", name, top),
                lambda name: io.rename_over(name, b"free", top),
                lambda name: io.rename_over(b"folder", name, top),
            ):
                with refused(errno.EINVAL):
                    call(name)
            if name != b".":
                with refused(errno.EINVAL):
                    io.open_folder(name, top)
        assert ground.content("folder/inside") == b"kept"

    # --- listing and status
    def test_a_listing_names_every_kind_and_follows_nothing(self, ground: Ground, io: Io, top: int) -> None:
        assert io.list_folder(top) == []
        ground.put_file("file", b"")
        ground.put_file("folder/inside", b"")
        ground.put_link("to-file", "file")
        ground.put_link("to-folder", "folder")
        ground.put_link("dangling", "nowhere")
        ground.put_special("special")
        expected = {
            (b"file", EntryKind.FILE),
            (b"folder", EntryKind.FOLDER),
            (b"to-file", EntryKind.LINK),
            (b"to-folder", EntryKind.LINK),
            (b"dangling", EntryKind.LINK),
            (b"special", EntryKind.SPECIAL),
        }
        assert set(io.list_folder(top)) == expected
        assert set(io.list_folder(top)) == expected, "a second listing of one handle starts anew"
        inner = io.open_folder(b"folder", top)
        assert io.list_folder(inner) == [(b"inside", EntryKind.FILE)]
        io.close(inner)

    def test_status_by_name_and_by_handle_agree(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("clip", b"12345")
        ground.put_file("other", b"12345")
        ground.put_link("link", "clip")
        handle = io.open_read(b"clip", top, direct=False)
        assert io.fstat(handle) == io.stat(b"clip", top)
        assert io.fstat(handle).size == 5
        assert io.fstat(handle).kind is EntryKind.FILE
        assert io.fstat(handle).device == io.fstat(top).device
        assert io.fstat(handle).inode != io.stat(b"other", top).inode
        assert io.fstat(top).kind is EntryKind.FOLDER
        assert io.stat(b"link", top).kind is EntryKind.LINK
        io.close(handle)
        with refused(errno.ENOENT):
            io.stat(b"nothing", top)

    @pytest.mark.parametrize("name", ["with space", "line\u2028separator", "\U0001f514 bell", "-dash", "a" * 250])
    def test_awkward_names_come_back_as_they_were_given(self, io: Io, top: int, name: str) -> None:
        self.written(io, top, name.encode(), b"x")
        assert io.list_folder(top) == [(name.encode(), EntryKind.FILE)]
        assert self.read(io, top, name.encode()) == b"x"

    @pytest.mark.parametrize("name", [b"\xff\xfe", b"CLIP\x9c.MOV", b"\xed\xa0\xbd\xed\xb4\x94", b"\xed\xa0\xbd"])
    def test_a_name_that_is_no_text_is_kept_exactly_or_refused(self, io: Io, top: int, name: bytes) -> None:
        try:
            self.written(io, top, name, b"x")
        except OSError as error:
            assert error.errno == errno.EILSEQ
            assert io.list_folder(top) == []
        else:
            assert io.list_folder(top) == [(name, EntryKind.FILE)]
            assert self.read(io, top, name) == b"x"

    def test_a_name_that_is_too_long_is_an_error_not_another_name(self, io: Io, top: int) -> None:
        with refused(errno.ENAMETOOLONG, errno.EINVAL):
            io.create(b"a" * 256, top, direct=False)
        assert io.list_folder(top) == []

    # --- bytes
    def test_reads_are_short_at_the_end_and_zero_beyond_it(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("clip", b"0123456789")
        handle = io.open_read(b"clip", top, direct=False)
        buffer = bytearray(8)
        assert io.read_into(handle, memoryview(buffer), 0) == 8
        assert bytes(buffer) == b"01234567"
        assert io.read_into(handle, memoryview(buffer), 8) == 2
        assert bytes(buffer) == b"89234567"
        assert io.read_into(handle, memoryview(buffer), 10) == 0
        assert io.read_into(handle, memoryview(buffer), 1 << 40) == 0
        io.close(handle)

    def test_many_reads_each_fill_their_own_place_and_one_that_fails_says_so(
        self, ground: Ground, io: Io, top: int
    ) -> None:
        ground.put_file("short", b"0123")
        ground.put_file("long", b"abcdefghijkl")
        short, long = (io.open_read(name, top, direct=False) for name in (b"short", b"long"))
        buffer = bytearray(24)
        views = [memoryview(buffer)[start : start + 8] for start in (0, 8, 16)]
        assert io.reads_at_once >= 1
        assert io.open_together >= 1
        assert io.read_many([(short, views[0]), (1 << 20, views[1]), (long, views[2])]) == [4, -1, 8]
        assert bytes(buffer) == b"0123" + bytes(12) + b"abcdefgh"
        io.close(short)
        io.close(long)

    def test_a_file_of_many_sectors_is_never_kept_among_the_file_systems_own_notes(
        self, ground: Ground, io: Io, top: int
    ) -> None:
        ground.put_file("clip", bytes(range(256)) * 512)
        handle = io.open_read(b"clip", top, direct=False)
        assert io.kept_inside(handle) is False
        io.close(handle)

    def test_writes_land_where_they_were_aimed(self, ground: Ground, io: Io, top: int) -> None:
        handle = io.create(b"clip", top, direct=False)
        assert io.write_from(handle, memoryview(b"tail"), 4) == 4
        assert io.write_from(handle, memoryview(bytearray(b"head")), 0) == 4
        buffer = bytearray(16)
        assert io.read_into(handle, memoryview(buffer), 0) == 8
        io.close(handle)
        assert ground.content("clip") == b"headtail"

    def test_a_file_opened_for_reading_cannot_be_written(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("clip", b"camera original")
        handle = io.open_read(b"clip", top, direct=False)
        with refused(errno.EBADF, errno.EACCES):
            io.write_from(handle, memoryview(b"X"), 0)
        with refused(errno.EBADF, errno.EACCES, errno.EINVAL):
            io.truncate(handle, 0)
        io.close(handle)
        assert ground.content("clip") == b"camera original"

    def test_truncate_cuts_and_fills_with_zeros(self, ground: Ground, io: Io, top: int) -> None:
        handle = io.create(b"clip", top, direct=False)
        io.write_from(handle, memoryview(b"0123456789"), 0)
        io.truncate(handle, 4)
        assert io.fstat(handle).size == 4
        io.truncate(handle, 6)
        io.close(handle)
        assert ground.content("clip") == b"0123\0\0"

    def test_direct_writing_works_or_leaves_nothing_behind(self, ground: Ground, io: Io, top: int) -> None:
        data = bytes(range(256)) * 32
        try:
            handle = io.create(b"clip", top, direct=True)
        except OSError as error:
            assert error.errno == errno.EINVAL
            assert io.list_folder(top) == [], "the caller's second try must find the name free"
            return
        buffer = direct_buffer(data)
        assert io.write_from(handle, memoryview(buffer), 0) == len(data)
        io.truncate(handle, len(data) - 100)
        io.flush(handle)
        io.close(handle)
        handle = io.open_read(b"clip", top, direct=True)
        assert io.read_into(handle, memoryview(buffer), SECTOR) == SECTOR - 100, "a short read at the unaligned end"
        assert buffer[: SECTOR - 100] == data[SECTOR : 2 * SECTOR - 100]
        io.close(handle)

    def test_appending_keeps_what_is_there(self, ground: Ground, io: Io, top: int) -> None:
        with refused(errno.ENOENT):
            io.open_append(b"journal", top, create=False)
        for line in (b"one\n", b"two\n"):
            handle = io.open_append(b"journal", top, create=True)
            assert io.write_from(handle, memoryview(line), io.fstat(handle).size) == len(line)
            io.close(handle)
        handle = io.open_append(b"journal", top, create=False)
        buffer = bytearray(32)
        count = io.read_into(handle, memoryview(buffer), 0)
        assert bytes(buffer[:count]) == b"one\ntwo\n"
        io.truncate(handle, 4)
        io.close(handle)
        assert ground.content("journal") == b"one\n", "a torn last line can be cut off"

    def test_reserving_space_loses_nothing_that_was_written(self, ground: Ground, io: Io, top: int) -> None:
        handle = io.create(b"clip", top, direct=False)
        io.write_from(handle, memoryview(b"0123456789"), 0)
        for size in (1 << 16, 4):
            try:
                io.allocate(handle, size)
            except OSError as error:
                assert error.errno == errno.EOPNOTSUPP
        io.truncate(handle, 10)
        io.close(handle)
        assert ground.content("clip") == b"0123456789"

    # --- time, flush, space
    @pytest.mark.parametrize("seconds", [1_778_746_502, 315_532_800, 86_400, -86_400])
    def test_a_modification_time_comes_back_to_the_hundred_nanoseconds(self, io: Io, top: int, seconds: int) -> None:
        wanted = seconds * 1_000_000_000 + 123_456_700
        handle = io.create(b"clip", top, direct=False)
        io.write_from(handle, memoryview(b"x"), 0)
        io.set_modified(handle, wanted)
        assert io.fstat(handle).modified_ns == wanted
        io.flush(handle)
        io.close(handle)
        assert io.stat(b"clip", top).modified_ns == wanted

    def test_the_date_of_a_folder_can_be_set(self, io: Io, top: int) -> None:
        io.make_folder(b"day", top)
        handle = io.open_folder(b"day", top)
        io.set_modified(handle, 1_700_000_000_000_000_000)
        assert io.fstat(handle).modified_ns == 1_700_000_000_000_000_000
        io.close(handle)

    def test_files_and_folders_can_be_flushed(self, io: Io, top: int) -> None:
        handle = io.create(b"clip", top, direct=False)
        io.write_from(handle, memoryview(b"x"), 0)
        io.flush(handle)
        io.flush(top)
        try:
            io.flush_volume(handle)
        except OSError as error:
            assert error.errno == errno.ENOSYS
        io.close(handle)

    def test_free_space_is_told_for_files_and_folders(self, io: Io, top: int) -> None:
        handle = io.create(b"clip", top, direct=False)
        assert io.free_bytes(top) > 1 << 20
        assert io.free_bytes(handle) > 1 << 20
        io.close(handle)

    # --- handles
    def test_a_closed_handle_is_an_error(self, io: Io, top: int) -> None:
        handle = io.create(b"clip", top, direct=False)
        io.close(handle)
        for call in (io.fstat, io.flush, io.close):
            with refused(errno.EBADF):
                call(handle)

    def test_dot_opens_the_same_folder_anew(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("clip", b"")
        again = io.open_folder(b".", top)
        assert again != top
        assert io.fstat(again).inode == io.fstat(top).inode
        assert io.list_folder(again) == [(b"clip", EntryKind.FILE)]
        io.close(again)

    def test_a_root_may_be_named_through_a_link_but_must_be_a_folder(self, ground: Ground, io: Io, top: int) -> None:
        ground.put_file("clip", b"")
        root = io.open_root(ground.put_link_to_root())
        assert io.fstat(root).inode == io.fstat(top).inode
        assert io.list_folder(root) == [(b"clip", EntryKind.FILE)]
        io.close(root)
        with refused(errno.ENOTDIR, errno.EACCES):
            io.open_root(ground.root + b"/clip")
        with refused(errno.ENOENT):
            io.open_root(ground.root + b"/nothing")

    # --- locks
    def test_the_lock_of_a_folder_has_one_holder_until_its_handle_is_closed(self, ground: Ground, io: Io) -> None:
        first, second = io.open_root(ground.root), io.open_root(ground.root)
        assert io.lock(first)
        assert io.lock(first), "the holder holds it"
        assert not io.lock(second)
        assert io.list_folder(first) == [], "the lock is not part of the roll"
        io.close(first)
        assert io.lock(second)
        io.close(second)
        third = io.open_root(ground.root)
        assert io.list_folder(third) == [], "nothing is left of it"
        io.close(third)

    # --- the page cache
    def test_an_empty_file_has_no_cached_pages_and_a_fresh_one_is_not_called_gone(self, io: Io, top: int) -> None:
        self.written(io, top, b"clip", b"x" * 10_000)
        handle = io.open_read(b"clip", top, direct=False)
        assert io.resident_pages(handle, 0) == 0
        assert io.resident_pages(handle, 10_000) > 0
        assert io.bypasses_direct(handle) in (False, True)
        io.close(handle)

    # --- our own files, by way of `files.py`
    def test_a_small_file_is_written_whole_or_not_at_all(self, ground: Ground, io: Io, top: int) -> None:
        size, _ = write_new(io, top, b"record.json", [b"{", b"}\n"])
        assert size == 3
        assert ground.content("record.json") == b"{}\n"
        with refused(errno.EEXIST):
            write_new(io, top, b"record.json", [b"[]"])
        assert ground.content("record.json") == b"{}\n"
        assert ground.content(partial_name(b"record.json").decode()) is None
        write_new(io, top, b"record.json", [b"[]"], replace=True)
        assert ground.content("record.json") == b"[]"

    def test_folders_are_made_below_the_root_one_by_one(self, ground: Ground, io: Io, top: int) -> None:
        for _ in range(2):
            handle = open_below(io, top, b"The Bell Foundry/day-04/A003", create=True)
            io.close(handle)
        handle = open_below(io, top, b"The Bell Foundry/day-04")
        assert io.list_folder(handle) == [(b"A003", EntryKind.FOLDER)]
        io.close(handle)
