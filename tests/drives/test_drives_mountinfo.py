"""The mount table is read as the kernel writes it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rollproof.drives import mountinfo

LINE = rb"36 35 98:0 /mnt1 /media/CARD\040A rw,noatime master:1 shared:4 - ext4 /dev/sdb1 rw,errors=continue"


def escape(name: bytes) -> bytes:
    """As the kernel's mangle() does (fs/proc_namespace.c): blanks and the backslash in octal."""
    return b"".join(b"\\%03o" % byte if byte in b" \t\n\\#" else bytes([byte]) for byte in name)


def test_a_line_is_taken_apart_whatever_optional_fields_it_has() -> None:
    (mount,) = mountinfo.parse(LINE)
    assert mount == mountinfo.Mount(
        mount_id=36,
        parent_id=35,
        device=(98, 0),
        root=b"/mnt1",
        mount_point=b"/media/CARD A",
        options=frozenset({"rw", "noatime", "errors=continue"}),
        file_system="ext4",
        source=b"/dev/sdb1",
        read_only=False,
    )


def test_read_only_is_seen_in_either_set_of_options() -> None:
    lines = (b"1 1 8:1 / / ro - ext4 /dev/sda1 rw", b"1 1 8:1 / / rw - ext4 /dev/sda1 ro")
    assert all(mountinfo.parse(line)[0].read_only for line in lines)


@given(st.binary(min_size=1).map(lambda name: name.replace(b"\0", b"x")))
def test_any_name_comes_back_from_the_kernels_escapes(name: bytes) -> None:
    assert mountinfo.unescape(escape(name)) == name


@given(st.binary(min_size=1, max_size=40).map(lambda name: name.replace(b"\0", b"x").replace(b"/", b"y")))
def test_any_mount_point_survives_the_whole_line(name: bytes) -> None:
    line = b"7 1 8:1 / /media/%s rw - exfat /dev/sdb1 rw" % escape(name)
    assert [mount.mount_point for mount in mountinfo.parse(line)] == [b"/media/" + name]


@given(st.binary())
def test_no_text_makes_the_reader_fail(text: bytes) -> None:
    mountinfo.parse(text)


@given(st.lists(st.sampled_from([b"/", b"/a", b"/a/b", b"/ab", b"/a/b/c", b"/x"]), min_size=1), st.data())
def test_the_longest_mount_point_by_whole_components_holds_a_path(points: list[bytes], data: st.DataObject) -> None:
    mounts = mountinfo.parse(b"\n".join(b"%d 1 8:1 / %s rw - ext4 /dev/sda rw" % pair for pair in enumerate(points)))
    path = data.draw(st.sampled_from([b"/", b"/a/b/c/d", b"/ab/c", b"/a/bc", b"/abc", b"/x/y"]))
    found = mountinfo.mount_of(mounts, path)
    parents = {b"/"} | {b"/".join(path.split(b"/")[:count]) for count in range(2, path.count(b"/") + 2)}
    holding = [point for point in points if point in parents]
    if not holding:
        assert found is None
    else:
        assert found is not None
        assert found.mount_point == max(holding, key=len)
        last = max(index for index, point in enumerate(points) if point == found.mount_point)
        assert found.mount_id == last, "of several on one spot the last covers the others"


def test_mounts_below_a_folder_do_not_include_the_folder_or_its_namesakes() -> None:
    mounts = mountinfo.parse(
        b"\n".join(
            b"1 1 8:1 / %s rw - ext4 /dev/sda rw" % point
            for point in (b"/", b"/card", b"/card/in", b"/cards", b"/card/in")
        )
    )
    assert mountinfo.strictly_below(mounts, b"/card") == [b"/card/in"]
