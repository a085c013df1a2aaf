"""Footage that no listing shows: told when a card is looked at or copied, and it keeps the card until accepted."""

from __future__ import annotations

import os
import shlex
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from rollproof.card.named_parts import entries_of, find_named_parts
from rollproof.models.requests import InspectRequest, Person
from rollproof.models.results import MayWipeResult
from rollproof.models.tree import Snapshot
from rollproof.proof.streams import Sight
from rollproof.station.context import Context
from rollproof.storage.io import NamedPart, PartsShown
from rollproof.storage.posix import LinuxIo
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.inspect import inspect
from support.devices import Devices, Drive
from workflows.wipe_bench import FIRST, Bench

pytestmark = pytest.mark.device

WIPE, KEEP = "MAY WIPE", "KEEP"
BIG = 2 << 20
KIND = "named-parts"


@pytest.fixture
def bench(devices: Devices, tmp_path: Path) -> Iterator[Bench]:
    folder = tmp_path / "table"
    folder.mkdir()
    made = Bench(devices, folder)
    made.sweep()
    yield made


def ntfs_card(bench: Bench, streams: dict[str, bytes], *, interface: str = "windows") -> Drive:
    """The card on NTFS, with streams (by file and name)."""
    old, bench.card = bench.card, bench.devices.image("ntfs", plugged=False, name="A003-ntfs")
    bench.card.plug_in(options="streams_interface=windows")
    for path in sorted(old.mount.rglob("*")):
        to = bench.card.mount / path.relative_to(old.mount)
        to.mkdir() if path.is_dir() else to.write_bytes(path.read_bytes())
    for name, content in streams.items():
        (bench.card.mount / name).write_bytes(content)
    bench.card.unplug()
    bench.card.plug_in(options=f"streams_interface={interface}" if interface else "")
    return bench.card


def reasons(result: MayWipeResult) -> list[str]:
    return [found.detail for found in result.findings if found.severity == "error" and found.kind == KIND]


def notes(result: MayWipeResult) -> list[str]:
    return [found.detail for found in result.findings if found.severity == "note" and found.kind == KIND]


@pytest.mark.parametrize("interface", ["windows", "xattr", ""])
def test_a_large_stream_keeps_the_card_until_it_is_accepted_by_name(bench: Bench, interface: str) -> None:
    ntfs_card(
        bench, {f"{FIRST}:second": b"b" * BIG, f"{FIRST}:Zone.Identifier": b"from a network"}, interface=interface
    )
    told = [found for found in bench.offload().rolls[0].findings if found.kind == KIND]
    assert {found.severity for found in told} == {"warning"}
    assert any(f"{FIRST}:second" in found.path for found in told)
    assert any(f"{FIRST}:Zone.Identifier" in found.path for found in told)
    result = bench.ask()
    assert result.answer == KEEP
    assert len(reasons(result)) == 1 and f"{FIRST}:second" in reasons(result)[0]
    for name in (FIRST, "second", f"{FIRST}:Zone.Identifier", f"{FIRST}:"):
        assert bench.ask(accepted=(name,), reason="looked at", person=Person("the assistant")).answer == KEEP
    result = bench.ask(accepted=(f"{FIRST}:second",), reason="looked at", person=Person("the assistant"))
    assert (result.answer, reasons(result)) == (WIPE, [])


@pytest.mark.parametrize(
    ("name", "content", "answer"),
    [
        ("Zone.Identifier", b"[ZoneTransfer]", WIPE),
        ("A003C009.mov", b"too short", KEEP),
        ("innocent", b"\0\0\0\x14ftypqt  \0\0\0\0qt  ", KEEP),
        ("text", b"<?xml version='1.0'?><x/>", WIPE),
    ],
)
def test_a_small_stream_keeps_the_card_only_with_media_in_it(
    bench: Bench, name: str, content: bytes, answer: str
) -> None:
    ntfs_card(bench, {f"{FIRST}:{name}": content})
    bench.offload()
    result = bench.ask()
    assert result.answer == answer, result.reasons
    assert (len(reasons(result)), len(notes(result))) == ((1, 0) if answer == KEEP else (0, 1))


def test_streams_of_folders_and_of_the_top_are_found(bench: Bench) -> None:
    ntfs_card(bench, {"CLIP:inside": b"b" * BIG, ":top": b"b" * BIG})
    bench.offload()
    told = " ".join(reasons(bench.ask()))
    assert "CLIP:inside" in told
    assert ".:top" in told


def test_streams_among_an_operating_systems_own_files_are_found(bench: Bench) -> None:
    card = ntfs_card(bench, {})
    (card.mount / "System Volume Information").mkdir()
    (card.mount / "System Volume Information" / "x.dat").write_bytes(b"x")
    (card.mount / "System Volume Information" / "x.dat:big").write_bytes(b"b" * BIG)
    bench.offload()
    assert any("x.dat:big" in reason for reason in reasons(bench.ask()))


def test_a_mount_that_cannot_show_streams_says_so_once_and_the_advice_shows_them(bench: Bench) -> None:
    card = ntfs_card(bench, {f"{FIRST}:second": b"b" * BIG}, interface="none")
    bench.offload()
    result = bench.ask()
    told = [found for found in result.findings if found.kind == KIND]
    assert len(told) == 1
    assert told[0].severity == "note"
    command = told[0].remedy.split("`")[1]
    card.unplug()
    card.plug_in(options=shlex.split(command)[shlex.split(command).index("-o") + 1])
    assert reasons(bench.ask())


def test_a_stream_that_comes_while_the_card_is_judged_keeps_it(bench: Bench) -> None:
    card = ntfs_card(bench, {})
    bench.offload()

    class Meanwhile(LinuxIo):
        asked = 0

        def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
            found = super().named_parts(name, folder, shown_as)
            self.asked += name == os.path.basename(os.fsencode(FIRST))
            if self.asked == 1:
                (card.mount / f"{FIRST}:late").write_bytes(b"b" * BIG)
                os.utime(card.mount / FIRST, ns=(before, before))
            return found

    before = os.stat(card.mount / FIRST).st_mtime_ns
    assert bench.ask(io=Meanwhile()).answer == KEEP


def test_inspect_lists_them(bench: Bench) -> None:
    card = ntfs_card(bench, {f"{FIRST}:second": b"b" * BIG, f"{FIRST}:Zone.Identifier": b"x"})
    result = inspect(InspectRequest(os.fsencode(card.mount)), Context.of())
    paths = [found.path for found in result.findings if found.kind == KIND]
    assert sorted(paths) == [f"{FIRST}:Zone.Identifier", f"{FIRST}:second"]


def test_an_attribute_of_ext4_with_the_name_of_a_clip_keeps_the_card(bench: Bench) -> None:
    bench.offload()
    os.setxattr(bench.card.mount / FIRST, "user.A003C009.mov", b"short")
    assert any("A003C009.mov" in reason for reason in reasons(bench.ask()))


class Counting(LinuxIo):
    """Counts what is asked."""

    def __init__(self) -> None:
        super().__init__()
        self.calls: Counter[str] = Counter()

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        self.calls["named_parts"] += 1
        return super().named_parts(name, folder, shown_as)

    def open_folder(self, name: bytes, folder: int) -> int:
        self.calls["open_folder"] += 1
        return super().open_folder(name, folder)


def _listing(io: LinuxIo, folder: Path) -> tuple[int, Snapshot]:
    root = io.open_root(os.fsencode(folder))
    return root, take_snapshot(io, root, IgnoreRules())


def test_one_call_for_each_file_and_none_where_there_can_be_none(tmp_path: Path) -> None:
    for number in range(20):
        (tmp_path / f"D{number}").mkdir()
        for each in range(50):
            (tmp_path / f"D{number}" / f"{each}.dng").touch()
    io = Counting()
    root, snapshot = _listing(io, tmp_path)
    try:
        io.calls.clear()
        assert find_named_parts(io, root, entries_of(snapshot), "exfat").sight is Sight.NONE
        assert not io.calls
        find_named_parts(io, root, entries_of(snapshot), "ext4")
    finally:
        io.close(root)
    assert io.calls["named_parts"] <= 1 + 1 + 20 + 1000
    assert io.calls["open_folder"] == 20
