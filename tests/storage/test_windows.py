"""What is Windows's own in `WindowsIo`: paths, share modes, flags, error codes. The contract is tested elsewhere."""

from __future__ import annotations

import errno
import threading
from collections.abc import Iterator

import pytest

from rollproof.storage import windows_calls as win
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.windows import LOCK_NAME, WindowsIo
from rollproof.storage.windows_calls import Win32Failure
from storage.fake_win32 import VOLUME, FakeWin32, Node
from storage.io_contract import direct_buffer

GROUND = f"{VOLUME}\\ground"


@pytest.fixture
def windows() -> FakeWin32:
    fake = FakeWin32()
    fake.plant("ground", Node(attributes=win.ATTRIBUTE_DIRECTORY))
    return fake


@pytest.fixture
def io(windows: FakeWin32) -> Io:
    return WindowsIo(windows)


@pytest.fixture
def top(io: Io, windows: FakeWin32) -> Iterator[int]:
    handle = io.open_root(b"D:/ground")
    windows.log.clear()
    yield handle
    io.close(handle)


def opened(windows: FakeWin32) -> list[tuple[object, ...]]:
    return [entry[1:] for entry in windows.log if entry[0] == "CreateFileW"]


def test_everything_below_a_root_goes_by_the_identity_of_its_volume(io: Io, top: int, windows: FakeWin32) -> None:
    io.make_folder(b"day", top)
    day = io.open_folder(b"day", top)
    io.close(io.create(b"clip", day, direct=False))
    io.list_folder(day)
    io.close(day)
    paths = {detail for entry in windows.log for detail in entry[1:] if isinstance(detail, str)}
    assert paths == {f"{GROUND}\\day", f"{GROUND}\\day\\clip", f"{GROUND}\\day\\*"}


def test_a_share_without_a_volume_identity_goes_by_its_full_name(windows: FakeWin32) -> None:
    windows.has_volume_identity = False
    io = WindowsIo(windows)
    top = io.open_root(b"//server/share/ground")
    io.make_folder(b"day", top)
    assert windows.log[-1] == ("CreateDirectoryW", "\\\\?\\UNC\\server\\share\\ground\\day")
    assert [entry[1] for entry in windows.log if entry[0] == "CreateFileW"] == ["\\\\?\\UNC\\server\\share\\ground"]


def test_an_open_folder_cannot_be_taken_away_under_us(io: Io, top: int, windows: FakeWin32) -> None:
    io.make_folder(b"day", top)
    day = io.open_folder(b"day", top)
    with pytest.raises(Win32Failure) as caught:
        windows.remove_directory(f"{GROUND}\\day")
    assert caught.value.code == win.SHARING_VIOLATION
    with pytest.raises(Win32Failure) as caught:
        windows.move_file(f"{GROUND}\\day", f"{GROUND}\\other", 0)
    assert caught.value.code == win.SHARING_VIOLATION
    io.close(day)
    io.remove_folder(b"day", top)


def test_every_open_below_the_root_is_of_the_entry_itself(io: Io, top: int, windows: FakeWin32) -> None:
    io.make_folder(b"day", top)
    io.close(io.open_folder(b"day", top))
    io.close(io.create(b"clip", top, direct=False))
    io.close(io.open_read(b"clip", top, direct=False))
    io.close(io.open_append(b"journal", top, create=True))
    io.stat(b"clip", top)
    assert len(opened(windows)) == 5
    for _path, _access, _share, _disposition, flags in opened(windows):
        assert isinstance(flags, int)
        assert flags & win.FLAG_OPEN_REPARSE_POINT


def test_direct_files_are_unbuffered_and_new_ones_written_through(io: Io, top: int, windows: FakeWin32) -> None:
    io.close(io.create(b"clip", top, direct=True))
    io.close(io.open_read(b"clip", top, direct=True))
    writing, reading = (int(str(entry[4])) for entry in opened(windows))
    assert writing & win.FLAG_NO_BUFFERING
    assert writing & win.FLAG_WRITE_THROUGH
    assert reading & win.FLAG_NO_BUFFERING
    windows.log.clear()
    io.close(io.open_read(b"clip", top, direct=False))
    assert not int(str(opened(windows)[0][4])) & win.FLAG_NO_BUFFERING


def test_unbuffered_transfers_of_part_of_a_sector_are_refused_as_invalid(io: Io, top: int) -> None:
    handle = io.create(b"clip", top, direct=True)
    with pytest.raises(OSError) as caught:
        io.write_from(handle, memoryview(direct_buffer(bytes(4096)))[:100], 0)
    assert caught.value.errno == errno.EINVAL
    io.close(handle)


def test_a_file_system_that_refuses_unbuffered_files_is_invalid(io: Io, top: int, windows: FakeWin32) -> None:
    windows.refuses_unbuffered = True
    with pytest.raises(OSError) as caught:
        io.create(b"clip", top, direct=True)
    assert caught.value.errno == errno.EINVAL
    io.close(io.create(b"clip", top, direct=False))


def test_names_that_differ_in_case_only_are_one_name(io: Io, top: int) -> None:
    io.close(io.create(b"CLIP.MOV", top, direct=False))
    with pytest.raises(FileExistsError):
        io.create(b"clip.mov", top, direct=False)
    io.close(io.create(b"other", top, direct=False))
    with pytest.raises(FileExistsError):
        io.rename_no_replace(b"other", b"Clip.Mov", top)


@pytest.mark.parametrize("name", [b"C:", b"clip:stream", b"a\\b", b"..\\x", b"what?", b"*", b"tab\t", b'"', b"<", b"|"])
def test_names_that_would_lead_elsewhere_on_windows_are_refused(
    io: Io, top: int, windows: FakeWin32, name: bytes
) -> None:
    for call in (
        lambda: io.create(name, top, direct=False),
        lambda: io.open_folder(name, top),
        lambda: io.remove(name, top),
        lambda: io.rename_no_replace(b"x", name, top),
    ):
        with pytest.raises(OSError) as caught:
            call()
        assert caught.value.errno == errno.EINVAL
    assert windows.log == [], "Windows is not even asked"


@pytest.mark.parametrize("name", [b"CON", b"NUL.txt", b"trailing.", b"trailing "])
def test_names_with_a_meaning_to_windows_are_plain_names(io: Io, top: int, windows: FakeWin32, name: bytes) -> None:
    io.close(io.create(name, top, direct=False))
    assert opened(windows)[0][0] == f"{GROUND}\\{name.decode()}", "the verbatim form interprets nothing"
    assert io.list_folder(top) == [(name, EntryKind.FILE)]


@pytest.mark.parametrize(
    ("tag", "attributes", "kind"),
    [
        (win.TAG_SYMLINK, 0, EntryKind.LINK),
        (win.TAG_MOUNT_POINT, win.ATTRIBUTE_DIRECTORY, EntryKind.LINK),
        (0x80000013, 0, EntryKind.SPECIAL),  # deduplicated
        (0x9000001A, win.ATTRIBUTE_DIRECTORY, EntryKind.SPECIAL),  # kept elsewhere
        (0, win.ATTRIBUTE_DEVICE, EntryKind.SPECIAL),
        (0, win.ATTRIBUTE_DIRECTORY, EntryKind.FOLDER),
        (0, win.ATTRIBUTE_COMPRESSED, EntryKind.FILE),
    ],
)
def test_every_reparse_point_is_a_link_or_special_and_never_entered(
    io: Io, top: int, windows: FakeWin32, tag: int, attributes: int, kind: EntryKind
) -> None:
    windows.plant("ground/entry", Node(attributes=attributes, tag=tag))
    assert io.list_folder(top) == [(b"entry", kind)]
    assert io.stat(b"entry", top).kind is kind
    if kind is not EntryKind.FOLDER:
        with pytest.raises(OSError):
            io.open_folder(b"entry", top)
    if kind is not EntryKind.FILE:
        with pytest.raises(OSError):
            io.open_read(b"entry", top, direct=False)
    assert len(windows.handles) == 1, "no handle is left open"


def test_a_folder_is_flushed_by_a_writable_handle_of_its_own(io: Io, top: int, windows: FakeWin32) -> None:
    io.flush(top)
    assert [entry for entry in windows.log if entry[0] == "FlushFileBuffers"] == [("FlushFileBuffers", GROUND)]


def test_where_single_folders_cannot_be_flushed_the_volume_is(io: Io, top: int, windows: FakeWin32) -> None:
    windows.flushes_folders = False
    io.flush(top)
    flushed = [entry[1] for entry in windows.log if entry[0] == "FlushFileBuffers"]
    assert flushed == [GROUND, f"{VOLUME}\\"]


@pytest.mark.parametrize("has_volume_identity", [True, False])
def test_where_no_folder_can_be_flushed_at_all_that_is_said(windows: FakeWin32, has_volume_identity: bool) -> None:
    windows.flushes_folders = windows.flushes_root = False
    windows.has_volume_identity = has_volume_identity
    io = WindowsIo(windows)
    top = io.open_root(b"D:/ground")
    with pytest.raises(OSError) as caught:
        io.flush(top)
    assert caught.value.errno == errno.EINVAL
    assert len(windows.handles) == 1
    io.close(top)


@pytest.mark.parametrize("code", [1117, win.DISK_FULL, 1167])
def test_a_flush_that_failed_is_final(io: Io, top: int, windows: FakeWin32, code: int) -> None:
    windows.fail["FlushFileBuffers"] = code
    handle = io.create(b"clip", top, direct=False)
    for flushed in (handle, top):
        windows.log.clear()
        with pytest.raises(OSError):
            io.flush(flushed)
        assert [entry[0] for entry in windows.log].count("FlushFileBuffers") == 1
    io.close(handle)


def test_renames_are_written_through_and_only_one_of_them_replaces(io: Io, top: int, windows: FakeWin32) -> None:
    io.close(io.create(b"old", top, direct=False))
    windows.log.clear()
    io.rename_no_replace(b"old", b"new", top)
    io.rename_over(b"new", b"newer", top)
    assert [entry[3] for entry in windows.log] == [
        win.MOVE_WRITE_THROUGH,
        win.MOVE_WRITE_THROUGH | win.MOVE_REPLACE_EXISTING,
    ]


def test_an_allocation_never_cuts_a_file_off(io: Io, top: int, windows: FakeWin32) -> None:
    handle = io.create(b"clip", top, direct=False)
    io.write_from(handle, memoryview(b"0123456789"), 0)
    windows.log.clear()
    io.allocate(handle, 5)
    assert "SetFileInformationByHandle" not in [entry[0] for entry in windows.log]
    with pytest.raises(OSError) as caught:
        io.allocate(handle, 1 << 50)
    assert caught.value.errno == errno.ENOSPC
    io.close(handle)


@pytest.mark.parametrize("year_1601", [0, -1])
def test_a_date_that_windows_would_take_for_no_date_is_an_error(io: Io, top: int, year_1601: int) -> None:
    handle = io.create(b"clip", top, direct=False)
    with pytest.raises(OSError) as caught:
        io.set_modified(handle, (year_1601 - 116_444_736_000_000_000) * 100)
    assert caught.value.errno == errno.EINVAL
    io.close(handle)


# --- the lock
def test_the_lock_is_a_file_that_goes_with_its_handle_and_is_not_shared(io: Io, top: int, windows: FakeWin32) -> None:
    assert io.lock(top)
    assert windows.node_at(f"ground/{LOCK_NAME.decode()}") is not None
    (_path, _access, share, disposition, flags) = opened(windows)[-1]
    assert share == 0
    assert disposition == win.CREATE_NEW
    assert int(str(flags)) & win.FLAG_DELETE_ON_CLOSE


def test_a_lock_that_a_power_cut_left_behind_is_used_and_left(windows: FakeWin32) -> None:
    windows.plant(f"ground/{LOCK_NAME.decode()}", Node())
    one, two = WindowsIo(windows), WindowsIo(windows)
    first, second = one.open_root(b"D:/ground"), two.open_root(b"D:/ground")
    assert one.lock(first)
    assert not two.lock(second)
    one.close(first)
    assert windows.node_at(f"ground/{LOCK_NAME.decode()}") is not None
    assert two.lock(second)


@pytest.mark.parametrize("node", [Node(data=bytearray(b"footage")), Node(tag=win.TAG_SYMLINK, target=Node())])
def test_what_only_has_the_name_of_the_lock_is_neither_used_nor_removed(
    io: Io, top: int, windows: FakeWin32, node: Node
) -> None:
    windows.plant(f"ground/{LOCK_NAME.decode()}", node)
    with pytest.raises(OSError) as caught:
        io.lock(top)
    assert caught.value.errno == errno.EEXIST
    assert windows.node_at(f"ground/{LOCK_NAME.decode()}") is node
    assert len(windows.handles) == 1


def test_a_read_only_volume_has_no_lock(io: Io, top: int, windows: FakeWin32) -> None:
    windows.read_only = True
    with pytest.raises(OSError) as caught:
        io.lock(top)
    assert caught.value.errno == errno.EROFS


def test_a_file_that_only_looks_like_a_lock_is_listed(io: Io, top: int, windows: FakeWin32) -> None:
    windows.plant(f"ground/{LOCK_NAME.decode()}", Node())
    assert io.list_folder(top) == [(LOCK_NAME, EntryKind.FILE)]


# --- evidence
@pytest.mark.parametrize(
    ("node", "bypasses"),
    [
        (Node(data=bytearray(5000)), False),
        (Node(data=bytearray(5000), attributes=win.ATTRIBUTE_COMPRESSED), True),
        (Node(data=bytearray(5000), attributes=win.ATTRIBUTE_ENCRYPTED), True),
        (Node(data=bytearray(300), allocation=304), True),  # inside the table of NTFS
        (Node(data=bytearray(300), allocation=0), True),
        (Node(), False),
    ],
)
def test_files_that_windows_answers_from_a_cache_are_no_evidence(
    io: Io, top: int, windows: FakeWin32, node: Node, bypasses: bool
) -> None:
    windows.plant("ground/clip", node)
    handle = io.open_read(b"clip", top, direct=True)
    assert io.bypasses_direct(handle) is bypasses
    io.close(handle)


def test_windows_never_claims_that_pages_are_gone(io: Io, top: int) -> None:
    handle = io.create(b"clip", top, direct=False)
    assert io.resident_pages(handle, 1) == 1
    assert io.resident_pages(handle, 8193) == 3
    with pytest.raises(OSError) as caught:
        io.drop_pages(handle)
    assert caught.value.errno == errno.ENOSYS
    io.close(handle)


# --- errors and handles
@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (win.ACCESS_DENIED, errno.EACCES),
        (win.WRITE_PROTECT, errno.EROFS),
        (win.DISK_FULL, errno.ENOSPC),
        (39, errno.ENOSPC),
        (1295, errno.ENOSPC),
        (win.SHARING_VIOLATION, errno.EBUSY),
        (21, errno.ENODEV),
        (1167, errno.ENODEV),
        (206, errno.ENAMETOOLONG),
        (23, errno.EIO),  # a cyclic redundancy check failed
        (1117, errno.EIO),
        (1392, errno.EIO),
        (99_999, errno.EIO),
    ],
)
def test_error_codes_become_the_errno_that_means_the_same(
    io: Io, top: int, windows: FakeWin32, code: int, expected: int
) -> None:
    windows.fail["CreateFileW"] = code
    with pytest.raises(OSError) as caught:
        io.create(b"clip", top, direct=False)
    assert caught.value.errno == expected
    assert str(code) in str(caught.value)
    assert caught.value.filename == b"clip"


def test_a_file_that_vanishes_between_opening_and_asking_leaves_no_handle(io: Io, top: int, windows: FakeWin32) -> None:
    windows.plant("ground/clip", Node())
    windows.fail["GetFileInformationByHandle"] = 1167
    for call in (
        lambda: io.open_read(b"clip", top, direct=False),
        lambda: io.open_append(b"clip", top, create=False),
        lambda: io.stat(b"clip", top),
        lambda: io.open_root(b"D:/ground"),
    ):
        with pytest.raises(OSError):
            call()
    assert len(windows.handles) == 1


def test_a_failed_close_is_told_and_the_handle_is_gone(io: Io, top: int, windows: FakeWin32) -> None:
    handle = io.create(b"clip", top, direct=False)
    windows.fail["CloseHandle"] = 1117
    with pytest.raises(OSError) as caught:
        io.close(handle)
    assert caught.value.errno == errno.EIO
    windows.fail.clear()
    with pytest.raises(OSError) as caught:
        io.close(handle)
    assert caught.value.errno == errno.EBADF


def test_a_file_handle_is_no_folder(io: Io, top: int) -> None:
    handle = io.create(b"clip", top, direct=False)
    with pytest.raises(NotADirectoryError):
        io.list_folder(handle)
    with pytest.raises(NotADirectoryError):
        io.create(b"other", handle, direct=False)
    io.close(handle)


def test_two_threads_never_get_one_handle(io: Io, top: int) -> None:
    found: list[int] = []

    def open_many() -> None:
        found.extend(io.open_folder(b".", top) for _ in range(200))

    threads = [threading.Thread(target=open_many) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(found)) == 800
    for handle in found:
        io.close(handle)


def test_a_device_is_opened_for_reading_only(io: Io, windows: FakeWin32) -> None:
    windows.fail["CreateFileW"] = win.ACCESS_DENIED
    with pytest.raises(PermissionError):
        io.open_device("\\\\.\\PhysicalDrive1")
    assert windows.log[-1][2] == win.GENERIC_READ


def test_a_listing_that_fails_is_an_error_not_an_empty_folder(io: Io, top: int, windows: FakeWin32) -> None:
    for code, expected in ((1117, errno.EIO), (win.ACCESS_DENIED, errno.EACCES), (win.PATH_NOT_FOUND, errno.ENOENT)):
        windows.fail["FindFirstFileExW"] = code
        with pytest.raises(OSError) as caught:
            io.list_folder(top)
        assert caught.value.errno == expected


def test_the_empty_top_of_a_volume_is_an_empty_folder() -> None:
    io = WindowsIo(FakeWin32())
    assert io.list_folder(io.open_root(b"D:/")) == []


def test_two_writers_of_one_journal_never_write_over_each_other(io: Io, top: int) -> None:
    one, two = io.open_append(b"journal", top, create=True), io.open_append(b"journal", top, create=False)
    io.write_from(one, memoryview(b"one"), 0)
    io.write_from(two, memoryview(b"two"), 0)
    buffer = bytearray(8)
    assert io.read_into(one, memoryview(buffer), 0) == 6
    assert bytes(buffer[:6]) == b"onetwo"
    io.close(one)
    io.close(two)


def test_there_is_no_flush_of_a_whole_volume(io: Io, top: int) -> None:
    with pytest.raises(OSError) as caught:
        io.flush_volume(top)
    assert caught.value.errno == errno.ENOSYS


def test_folders_are_shared_for_everything_but_their_removal(io: Io, top: int, windows: FakeWin32) -> None:
    io.make_folder(b"day", top)
    io.close(io.open_folder(b"day", top))
    io.close(io.open_root(b"D:/ground"))
    assert {entry[2] for entry in opened(windows)} == {win.SHARE_READ | win.SHARE_WRITE}


def test_a_lock_hides_nothing_in_other_folders(io: Io, top: int, windows: FakeWin32) -> None:
    windows.plant(f"ground/day/{LOCK_NAME.decode()}", Node(data=bytearray(b"kept")))
    assert io.lock(top)
    day = io.open_folder(b"day", top)
    assert io.list_folder(day) == [(LOCK_NAME, EntryKind.FILE)]
    io.close(day)


def test_free_space_is_asked_of_the_folder_a_file_lies_in(io: Io, top: int, windows: FakeWin32) -> None:
    handle = io.create(b"clip", top, direct=False)
    io.free_bytes(top)
    io.free_bytes(handle)
    assert [entry for entry in windows.log if entry[0] == "GetDiskFreeSpaceExW"] == [
        ("GetDiskFreeSpaceExW", f"{GROUND}\\"),
        ("GetDiskFreeSpaceExW", f"{GROUND}\\"),
    ]
    io.close(handle)
