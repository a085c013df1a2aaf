"""Hostile cards and drives: links, pipes and strangers' files, there from the start or planted between check and use.

Nothing outside the roll folder is read or written, nothing of anybody else is changed, nothing blocks, nothing crashes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from support.devices import Devices
from support.faults import Do, Rule
from support.invariants import Known
from support.loops import tool
from support.stage import Run, Stage, real_stage, stage
from support.trees import Blob, Fifo, HardLink, Link, Tree, build

CLIP = b"CLIPS/A003C002.mov"


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path / "stage") as made:
        yield made


@pytest.fixture
def outside(place: Stage) -> Path:
    """A folder of somebody else on the same drive, where hard links can reach it."""
    return build(place.drives["one"] / "outside", {"diary.txt": b"private", "A003C002.mov": b"another production's"})


def _told(run: Run) -> set[str]:
    assert not run.crash, run.crash
    assert not run.hung
    assert run.result is not None
    roll = run.result.rolls[0]
    return {finding.kind for finding in [*roll.findings, *(f for at in roll.destinations for f in at.findings)]}


def _plant(place: Stage, action: Callable[[], object], operation: str, path: bytes) -> Rule:
    return Rule(Do(action), operation, path=b"A003/" + path, drive=os.fsencode(place.drives["one"]))


def _link_instead_of_folder(roll: Path, outside: Path) -> None:
    (roll / "CLIPS").rename(roll.parent / "moved away")
    (roll / "CLIPS").symlink_to(outside)


def _link_under_the_temporary_name(roll: Path, outside: Path) -> None:
    (roll / (os.fsdecode(CLIP) + ".rollproof-partial")).symlink_to(outside / "diary.txt")


def _hard_link_under_the_temporary_name(roll: Path, outside: Path) -> None:
    os.link(outside / "diary.txt", roll / (os.fsdecode(CLIP) + ".rollproof-partial"))


def _link_under_the_final_name(roll: Path, outside: Path) -> None:
    (roll / os.fsdecode(CLIP)).symlink_to(outside / "diary.txt")


def _file_under_the_final_name(roll: Path, outside: Path) -> None:
    (roll / os.fsdecode(CLIP)).write_bytes(b"somebody else was faster")


@pytest.mark.parametrize(
    ("plant", "operation", "path"),
    [
        (_link_instead_of_folder, "create", b"CLIPS/*"),
        (_link_under_the_temporary_name, "create", CLIP + b"*"),
        (_hard_link_under_the_temporary_name, "create", CLIP + b"*"),
        (_link_under_the_final_name, "rename_no_replace", CLIP),
        (_file_under_the_final_name, "rename_no_replace", CLIP),
    ],
    ids=lambda value: value.__name__.strip("_") if callable(value) else "",
)
def test_what_is_planted_between_check_and_use_is_neither_followed_nor_overwritten(
    place: Stage, outside: Path, plant: Callable[[Path, Path], None], operation: str, path: bytes
) -> None:
    before = Known.of(outside)
    roll = place.folders()["one"]
    run = place.run([_plant(place, lambda: plant(roll, outside), operation, path)])
    assert run.io.reached
    kinds = _told(run)
    assert before.changes(outside) == []
    if plant is _file_under_the_final_name:
        assert (roll / os.fsdecode(CLIP)).read_bytes() == b"somebody else was faster"
        assert "different-content" in kinds
    if plant is _link_under_the_final_name:
        assert (roll / os.fsdecode(CLIP)).is_symlink()
    assert run.states()["two"] == "proven"
    assert run.states()["one"] != "proven" or plant in (
        _link_under_the_temporary_name,
        _hard_link_under_the_temporary_name,
    )


@pytest.mark.parametrize("name", ["A003", "A003/CLIPS", "A003/rollproof", "A003/ascmhl"])
def test_a_link_that_waits_on_the_drive_is_not_followed(place: Stage, outside: Path, name: str) -> None:
    link = place.drives["one"] / name
    link.parent.mkdir(exist_ok=True)
    link.symlink_to(outside)
    before = Known.of(outside)
    run = place.run()
    _told(run)
    assert before.changes(outside) == []
    assert link.is_symlink()
    assert run.states().get("one") != "proven"


@pytest.mark.parametrize("name", ["A003/A003.xml", "A003/CLIPS/A003C001.mov"])
@pytest.mark.parametrize("thing", [b"other content", Link(b"/etc/hostname"), Fifo()], ids=["file", "link", "pipe"])
def test_a_stranger_under_a_name_of_the_card_is_never_replaced(
    place: Stage, name: str, thing: bytes | Link | Fifo
) -> None:
    build(place.drives["one"], {name: thing})
    at = os.lstat(place.drives["one"] / name)
    run = place.run()
    kinds = _told(run)
    assert kinds & {"different-content", "name-not-held", "link", "special-file"}, kinds
    now = os.lstat(place.drives["one"] / name)
    assert (now.st_ino, now.st_mode, now.st_size, now.st_mtime_ns) == (
        at.st_ino,
        at.st_mode,
        at.st_size,
        at.st_mtime_ns,
    )
    assert run.states().get("one") != "proven"


def test_links_pipes_and_devices_on_a_card_are_named_and_everything_else_is_proven(tmp_path: Path) -> None:
    tree: Tree = {
        "CLIPS/A003C001.mov": Blob(20_000, seed=1),
        "CLIPS/twin.mov": HardLink(b"A003C001.mov"),
        "CLIPS/pipe": Fifo(),
        "CLIPS/round": Link(b"."),
        "CLIPS/out": Link(b"/etc"),
        "CLIPS/nowhere": Link(b"gone"),
    }
    with stage(tmp_path, tree) as place:
        run = place.run()
        kinds = _told(run)
        assert {"link", "special-file"} <= kinds
        assert run.result is not None
        assert run.result.verdict == "not proven"
        for drive, folder in place.folders().items():
            assert (folder / "CLIPS" / "twin.mov").stat().st_nlink == 1, "two files, two copies"
            assert not (folder / "CLIPS" / "out").exists(), drive
            assert not (folder / "CLIPS" / "pipe").exists(), drive


def _make_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _make_link(path: Path) -> None:
    path.unlink()
    path.symlink_to("/etc/hostname")


def _make_link_to_a_twin(path: Path) -> None:
    """A link to a file of somebody else that has the very size and time of the one that was scanned."""
    at = path.stat()
    path.unlink()
    twin = path.parent.parent / "twin"
    twin.write_bytes(bytes(at.st_size))
    os.utime(twin, ns=(at.st_atime_ns, at.st_mtime_ns))
    path.symlink_to(twin)


def _make_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    "swap", [_make_pipe, _make_link, _make_link_to_a_twin, _make_folder], ids=lambda swap: swap.__name__.strip("_")
)
@pytest.mark.parametrize("nth", [1, 2])
def test_a_file_on_the_card_that_turns_into_something_else_is_neither_followed_nor_waited_for(
    place: Stage, swap: Callable[[Path], None], nth: int
) -> None:
    path = place.card / os.fsdecode(CLIP)
    rule = Rule(Do(lambda: swap(path)), "open_read", path=CLIP, drive=os.fsencode(place.card), nth=nth)
    run = place.run([rule])
    assert run.io.reached
    kinds = _told(run)
    assert kinds & {"unreadable", "card-changed"}, kinds
    assert run.result is not None
    assert run.result.verdict == "not proven"
    for folder in place.folders().values():
        copy = folder / os.fsdecode(CLIP)
        assert not copy.exists() or copy.read_bytes() == place.known.content[CLIP]


@pytest.mark.device
@pytest.mark.timeout(120)
def test_a_card_of_ten_thousand_nested_folders_is_copied_or_refused_and_never_crashes(devices: Devices) -> None:
    deep = b"/".join([b"d"] * 10_000) + b"/deep.mov"
    place = real_stage(devices, tree={"CLIPS/A003C001.mov": b"shallow"}, in_memory=True)
    card = place.media["card"]
    card.replug(read_only=False)
    build(card.mount, {deep: b"at the bottom"})
    card.replug(read_only=True)
    run = place.run()
    assert not run.crash, run.crash[-2000:]
    assert not run.hung
    assert run.result is not None
    assert run.result.verdict in ("proven", "not proven", "refused")
    if run.result.verdict == "proven":
        assert run.result.rolls[0].files == 2


@pytest.mark.device
def test_another_file_system_in_the_place_of_the_roll_folder_takes_nothing(devices: Devices) -> None:
    """What would be written there is not on the drive that was named, however well it is read back."""
    place = real_stage(devices)
    folder = place.folders()["one"]
    folder.mkdir()
    other = devices.image("ext4").mount
    tool("mount", "--bind", other, folder)
    try:
        run = place.run()
        assert _told(run) >= {"drive-missing"}
        assert run.result is not None
        assert run.result.verdict == "refused"
        assert {path.name for path in folder.iterdir()} <= {"lost+found"}
    finally:
        tool("umount", folder)
    assert place.run().states() == {"one": "proven", "two": "proven"}


@pytest.mark.device
def test_another_file_system_that_appears_there_after_the_look_takes_nothing_and_the_other_drive_finishes(
    devices: Devices,
) -> None:
    place = real_stage(devices)
    folder = place.folders()["one"]
    other = devices.image("ext4").mount
    mount = Do(lambda: tool("mount", "--bind", other, folder))
    drive = os.fsencode(place.drives["one"])
    # the first time it is looked for in vain, the second time it was just made
    rule = Rule(mount, "open_folder", path=b"A003", drive=drive, nth=2)
    try:
        run = place.run([rule])
        assert run.io.reached
        assert "drive-missing" in _told(run)
        assert run.states() == {"one": "failed", "two": "proven"}
        assert {path.name for path in other.iterdir()} <= {"lost+found"}
    finally:
        tool("umount", folder)
