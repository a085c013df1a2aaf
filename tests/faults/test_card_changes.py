"""The card changes while it is offloaded: a finding, and what changed is not called proven."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from support.devices import Devices
from support.faults import Do, Rule
from support.invariants import check_result
from support.stage import Run, Stage, real_stage, stage
from support.trees import DAY_NS, build

CLIP = "CLIPS/A003C002.mov"


def _grow(card: Path) -> None:
    with open(card / CLIP, "ab") as opened:
        opened.write(b"one more frame")


def _redate(card: Path) -> None:
    os.utime(card / CLIP, ns=(DAY_NS, DAY_NS + 86_400_000_000_000))


def _remove(card: Path) -> None:
    (card / CLIP).unlink()


def _add(card: Path) -> None:
    (card / "CLIPS" / "A003C003.mov").write_bytes(b"the camera wrote on")


def _add_folder(card: Path) -> None:
    (card / "NEW").mkdir()


def _rename(card: Path) -> None:
    (card / CLIP).rename(card / "CLIPS" / "A003C009.mov")


def _same_size_other_bytes(card: Path) -> None:
    path = card / CLIP
    at = path.stat()
    data = bytearray(path.read_bytes())
    data[100] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))


def _run(place: Stage, change: Callable[[Path], None], nth: int) -> Run:
    """Change the card just before its nth read."""
    return place.run([Rule(Do(lambda: change(place.card)), "read_into", drive=os.fsencode(place.card), nth=nth)])


@pytest.mark.parametrize("nth", [1, 4, 6, 8], ids=lambda nth: f"read-{nth}")
@pytest.mark.parametrize(
    "change", [_grow, _redate, _remove, _add, _add_folder, _rename], ids=lambda change: change.__name__.strip("_")
)
def test_a_card_that_changes_is_never_called_proven(tmp_path: Path, change: Callable[[Path], None], nth: int) -> None:
    with stage(tmp_path) as place:
        run = _run(place, change, nth)
        if not run.io.reached:
            pytest.skip("this offload made fewer reads")
        assert not run.crash, run.crash
        assert run.result is not None
        assert run.result.verdict == "not proven"
        assert int(run.result.status) in (1, 4)
        kinds = {finding.kind for finding in run.result.rolls[0].findings if finding.severity == "error"}
        assert kinds & {"card-changed", "unreadable", "card-missing"}, kinds


def test_a_file_that_is_rewritten_between_the_two_reads_with_its_old_date_is_caught(tmp_path: Path) -> None:
    with stage(tmp_path) as place:
        again = Rule(
            Do(lambda: _same_size_other_bytes(place.card)), "open_read", path=os.fsencode(CLIP),
            drive=os.fsencode(place.card), nth=2,
        )  # fmt: skip
        run = place.run([again])
        assert run.io.reached
        assert run.result is not None
        assert run.result.verdict == "not proven"
        assert "source-reads-differ" in {finding.kind for finding in run.result.rolls[0].findings}


@pytest.mark.device
@pytest.mark.parametrize("nth", [1, 5])
def test_another_card_at_the_same_mount_point_is_caught(devices: Devices, nth: int) -> None:
    place = real_stage(devices)
    other = devices.image("ext4")
    (other.mount / "lost+found").rmdir()
    build(other.mount, {path: place.known.content[path] for path in place.known.files})
    for path in place.known.files:
        moment = place.known.entries[path].modified_ns
        os.utime(os.path.join(os.fsencode(other.mount), path), ns=(moment, moment))
    os.sync()
    card = place.media["card"]

    def swap() -> None:
        card.unmount_lazily()
        other.unplug()
        other.mount = card.mount
        other.plug_in(read_only=True)

    run = place.run([Rule(Do(swap), "read_into", drive=os.fsencode(place.card), nth=nth)])
    assert run.io.reached
    assert not run.crash, run.crash
    assert run.result is not None
    assert run.result.verdict == "not proven"
    assert {"card-changed", "card-missing"} & {finding.kind for finding in run.result.rolls[0].findings}
    assert check_result(run.result, place.known, place.folders()) == []
