"""What changes while a card is judged keeps it: card and counted copies are listed again just before MAY WIPE."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator

import pytest

from rollproof.storage.posix import LinuxIo
from support.devices import Devices
from workflows.wipe_bench import FIRST, Bench

pytestmark = pytest.mark.device

WIPE, KEEP = "MAY WIPE", "KEEP"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("about-now")
    with Devices(folder) as devices:
        (folder / "work").mkdir()
        yield Bench(devices, folder / "work")


@pytest.fixture
def bench(made: Bench) -> Bench:
    """The card is proven on two drives, and may be wiped."""
    made.sweep()
    made.offload()
    assert made.ask().answer == WIPE
    return made


class Meanwhile(LinuxIo):
    """Somebody does something while the second drive is read again."""

    def __init__(self, bench: Bench, happens: Callable[[Bench], None]) -> None:
        super().__init__()
        self.bench = bench
        self.happens = happens
        self.happened = False

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        here = os.readlink(f"/proc/self/fd/{folder}")
        if not self.happened and name.endswith(b".mov") and here.startswith(str(self.bench.two.mount)):
            self.happened = True
            self.happens(self.bench)
        return super().open_read(name, folder, direct=direct)


def a_clip_is_deleted(bench: Bench) -> None:
    (bench.roll(bench.one) / FIRST).unlink()


def the_copy_is_deleted(bench: Bench) -> None:
    shutil.rmtree(bench.roll(bench.one))


def a_clip_grows(bench: Bench) -> None:
    with (bench.roll(bench.one) / FIRST).open("ab") as clip:
        clip.write(b"more")


def its_records_are_deleted(bench: Bench) -> None:
    shutil.rmtree(bench.roll(bench.one) / "rollproof")


def another_copy_lies_in_its_place(bench: Bench) -> None:
    roll = bench.roll(bench.one)
    roll.rename(roll.with_name("moved"))
    shutil.copytree(roll.with_name("moved"), roll)


def a_clip_is_added_to_the_card(bench: Bench) -> None:
    (bench.card.mount / "CLIP/A003C004_260514.mov").write_bytes(b"new")


@pytest.mark.parametrize(
    "happens",
    [
        a_clip_is_deleted, the_copy_is_deleted, a_clip_grows, its_records_are_deleted, another_copy_lies_in_its_place,
        a_clip_is_added_to_the_card,
    ],
    ids=lambda one: one.__name__,
)  # fmt: skip
def test_what_changes_on_the_first_drive_while_the_second_is_read_keeps_the_card(
    bench: Bench, happens: Callable[[Bench], None]
) -> None:
    io = Meanwhile(bench, happens)
    answer = bench.ask(io=io, reread_copies=True)
    assert io.happened
    assert answer.answer == KEEP
    assert any("changed while it was judged" in found.detail or "while the card was judged" in found.detail
               for found in answer.findings)  # fmt: skip
    if happens is not a_clip_is_added_to_the_card:
        bench.one.unplug()
        try:
            assert bench.ask().answer == KEEP, "what was seen is remembered"
        finally:
            bench.one.plug_in()


def test_nothing_changed_and_the_card_may_be_wiped(bench: Bench) -> None:
    assert bench.ask(io=Meanwhile(bench, lambda bench: None), reread_copies=True).answer == WIPE
