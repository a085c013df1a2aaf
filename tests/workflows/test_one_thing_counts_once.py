"""One physical thing counts once, under whatever key it comes: on loop devices, as it was shown that it did not."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import UsageProblem
from rollproof.models.requests import Person, ReportRequest
from rollproof.models.results import MayWipeResult
from rollproof.station.context import Context
from rollproof.workflows.report import report
from rollproof.workflows.rolls import list_rolls
from support.devices import Devices, Drive
from support.loops import tool
from workflows.wipe_bench import Bench

pytestmark = pytest.mark.device


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with Devices(tmp_path_factory.mktemp("bench")) as devices:
        yield Bench(devices, tmp_path_factory.mktemp("working folder"))


@pytest.fixture
def bench(swept: Bench) -> Bench:
    swept.sweep()
    return swept


def through_another_dock(drive: Drive) -> None:
    """The drive comes back under another key: the key of an image is made of the place of its file."""
    drive.unplug()
    folder = drive.image.with_name(f"dock-{drive.image.parent.name}-{drive.image.stem}")
    folder.mkdir()
    drive.image = drive.image.rename(folder / drive.image.name)
    drive.plug_in()


def formatted(drive: Drive) -> None:
    """A new file system on an unplugged drive."""
    tool("mkfs.ext4", "-q", "-F", "-m", "0", drive.image)


def kept(result: MayWipeResult, because: str) -> None:
    """KEEP, and a person is told why."""
    assert result.answer == "KEEP"
    assert any(because in found.detail for found in result.findings), [f.detail for f in result.findings]


def reported(bench: Bench, *drives: Drive) -> tuple[int, str]:
    """What a report of the whole production says of the one roll: by these drives, and by what is remembered."""
    with tempfile.TemporaryDirectory() as out:
        request = ReportRequest(
            tuple(os.fsencode(drive.mount) for drive in drives), whole=True, out=os.fsencode(out), posters=False
        )
        ctx = Context.of()
        made = json.loads(Path(report(request, ctx).files["json"]).read_text())
    (roll,) = made["rolls"]
    return roll["devices_proven"], roll["state"]


def test_a_drive_through_another_dock_is_not_a_second_one(bench: Bench) -> None:
    bench.offload(bench.one)
    through_another_dock(bench.one)
    assert bench.verify(bench.one).verdict == "proven"
    kept(bench.ask(), "was seen since")
    (roll,) = list_rolls().rolls
    assert (roll.devices_proven, roll.state) == (1, "too few copies")
    assert reported(bench) == reported(bench, bench.one) == (1, "too few copies")


def test_a_drive_that_was_formatted_and_offloaded_to_again_is_not_beside_its_former_self(bench: Bench) -> None:
    bench.offload(bench.one)
    through_another_dock(bench.one)  # what a bridge says of a disk changes with what is written on it
    bench.one.unplug()
    formatted(bench.one)
    bench.one.plug_in()
    bench.offload(bench.one)
    kept(bench.ask(), "nothing shows that it is another drive")


def test_a_roll_folder_that_was_moved_to_another_drive_counts_there_only(bench: Bench) -> None:
    bench.offload(bench.one)
    shutil.move(bench.roll(bench.one), bench.roll(bench.two))
    bench.one.unplug()
    assert bench.verify(bench.two).verdict == "proven"
    kept(bench.ask(), "was seen since")
    (roll,) = list_rolls().rolls
    assert (roll.devices_proven, roll.state) == (1, "too few copies")
    assert reported(bench) == reported(bench, bench.two) == (1, "too few copies")


def test_two_copies_of_one_folder_that_are_both_here_and_verified_are_two(bench: Bench) -> None:
    bench.offload(bench.one)
    shutil.copytree(bench.roll(bench.one), bench.roll(bench.two))
    assert bench.verify(bench.one, bench.two).verdict == "proven"
    assert bench.ask().answer == "MAY WIPE"
    assert reported(bench, bench.one, bench.two) == (2, "proven")
    bench.two.unplug()
    kept(bench.ask(), "was seen since")
    assert reported(bench, bench.one) == (1, "too few copies")


def test_what_a_drive_held_is_void_once_it_was_seen_with_another_file_system(bench: Bench) -> None:
    bench.offload(bench.one, bench.two)
    bench.two.unplug()
    formatted(bench.two)
    bench.two.plug_in()
    bench.verify(bench.one)
    bench.two.unplug()
    kept(bench.ask(), "its drive was last seen without this roll")


def test_two_drives_that_were_here_together_count_when_one_is_away(bench: Bench) -> None:
    bench.offload(bench.one, bench.two)
    bench.two.unplug()
    assert bench.ask().answer == "MAY WIPE"


def test_drives_without_serials_must_have_been_together_since_they_were_proven(bench: Bench) -> None:
    bench.offload(bench.one)
    bench.one.unplug()
    bench.offload(bench.two)
    kept(bench.ask(), "nothing shows that it is another drive")
    bench.one.plug_in()
    assert bench.ask().answer == "MAY WIPE"
    bench.one.unplug()
    assert bench.ask().answer == "MAY WIPE", "they were here at one moment"


def test_a_copy_from_a_recorded_copy_is_a_copy_of_its_own(bench: Bench) -> None:
    bench.offload(bench.one)
    bench.offload(bench.two, cards=(bench.roll(bench.one).as_posix().encode(),), roll=None)
    (first,) = {record["kind"] for record in bench.records(bench.one) if record["kind"] == "offload"}
    assert first == "offload"
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        founders = {copy.founder for copy in ledger.copies_of(roll.id)}
        assert None not in founders and len(founders) == 2
    bench.two.unplug()
    assert bench.ask().answer == "MAY WIPE"


def test_an_addition_names_the_record_that_founded_the_copy(bench: Bench, tmp_path: Path) -> None:
    bench.offload(bench.one)
    (bench.card.mount / "CLIP" / "A003C009_260514.xml").write_bytes(b"one more")
    bench.offload(bench.one)
    first, second = (record for record in bench.records(bench.one) if record["kind"] == "offload")
    assert first["founded_by"] is None
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        (copy,) = ledger.copies_of(roll.id)
        assert copy.founder == second["founded_by"] is not None


# --- the clock


def test_a_clock_that_was_put_back_counts_no_absent_copy_until_a_person_confirms_it(bench: Bench) -> None:
    bench.offload(bench.one, bench.two)
    bench.two.unplug()
    begun = datetime.now(UTC)
    kept(bench.ask(now=begun + timedelta(hours=30)), "more than 24 h ago")
    back = begun + timedelta(hours=1)
    kept(bench.ask(now=back), "its age cannot be told")
    with pytest.raises(UsageProblem):
        bench.ask(now=back, clock_is_right=True, person=Person())
    kept(bench.ask(now=back, clock_is_right=True), "has not seen it itself")
    kept(bench.ask(now=back), "has not seen it itself")
    bench.two.plug_in()
    assert bench.ask(now=back).answer == "MAY WIPE"
    bench.two.unplug()
    assert bench.ask(now=back + timedelta(minutes=5)).answer == "MAY WIPE"
    kept(bench.ask(now=back - timedelta(minutes=30)), "in the future")
