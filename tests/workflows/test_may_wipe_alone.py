"""Each protection of `may-wipe` alone: a situation in which nothing else stands between the card and MAY WIPE.

The rules back each other up, so that one can be taken out and most stories still end well. Here is, for each, the
story that does not. A desk of drives that are folders (`support.shelf`); what needs real devices is in
`test_may_wipe.py`.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from rollproof.drives.interface import Partition
from rollproof.models.requests import Cancel, MayWipeRequest, OffloadRequest, Person, VerifyRequest
from rollproof.models.results import MayWipeResult, OffloadResult, VerifyResult
from rollproof.models.volumes import MediumWay
from rollproof.station.context import Context
from rollproof.storage.station import station_home
from rollproof.workflows.may_wipe import may_wipe
from rollproof.workflows.offload import offload
from rollproof.workflows.rebuild import rebuild_ledger
from rollproof.workflows.verify import verify
from support.shelf import Desk, QuickIo, Thing
from workflows.station import SMALL, change_quietly, fill

CLIPS = {"CLIP/A003C001_260514.mov": 5_000, "CLIP/A003C002_260514.mov": 3_000, "NOTES.TXT": 40}
FIRST = "CLIP/A003C001_260514.mov"
WIPE, KEEP = "MAY WIPE", "KEEP"


def quiet(_event: object) -> None:
    """Nobody watches."""


class Table:
    """A card and four drives, plugged in; the commands as a person gives them."""

    def __init__(self, folder: Path) -> None:
        self.desk = Desk(folder / "desk")
        self.io = QuickIo()
        self.folder = folder / "table"
        self.folder.mkdir(parents=True)
        self.card = self.plugged("card", "A003")
        self.one, self.two, self.three, self.four = (
            self.plugged(name, name) for name in ("primary", "backup", "shuttle", "archive")
        )
        fill(self.card.top, CLIPS)

    def plugged(self, name: str, slot: str) -> Thing:
        """A new, empty thing in a slot."""
        made = self.desk.thing(name, f"device of {name}")
        self.desk.plug_in(made, slot)
        return made

    def offload(self, *drives: Thing, roll: str = "A003", **changes: Any) -> OffloadResult:
        """Offload the card to two drives, or to these."""
        request = OffloadRequest(
            cards=(os.fsencode(self.card.top),),
            destinations=tuple(os.fsencode(drive.top) for drive in drives or (self.one, self.two)),
            roll=roll,
            working_folder=os.fsencode(self.folder),
            **changes,
        )
        return offload(request, Context.of(emit=quiet, cancel=Cancel(), io=self.io, drives=self.desk, settings=SMALL))

    def verify(self, *drives: Thing) -> VerifyResult:
        """Verify drives."""
        request = VerifyRequest(tuple(os.fsencode(drive.top) for drive in drives))
        return verify(request, Context.of(emit=quiet, cancel=Cancel(), io=self.io, drives=self.desk, settings=SMALL))

    def ask(self, *, hours: float = 0, **changes: Any) -> MayWipeResult:
        """May the card be wiped? So many hours from now."""
        request = MayWipeRequest(
            os.fsencode(self.card.top),
            working_folder=os.fsencode(self.folder),
            person=Person("the camera assistant"),
            **changes,
        )
        return may_wipe(
            request,
            Context.of(
                emit=quiet,
                cancel=Cancel(),
                io=self.io,
                drives=self.desk,
                settings=SMALL,
                now=datetime.now(UTC) + timedelta(hours=hours),
            ),
        )

    def rebuild(self, *drives: Thing) -> None:
        """The ledger is made anew from these drives."""
        rebuild_ledger(
            [os.fsencode(drive.top) for drive in drives], Context.of(cancel=Cancel(), io=self.io, drives=self.desk)
        )

    def policy(self, copies_required: int) -> None:
        """What the production asks for from now on."""
        text = f'name = "The Bell Foundry"\nfolder = "{{roll}}"\ncopies_required = {copies_required}\n'
        (self.folder / "production.toml").write_text(text)

    def roll(self, drive: Thing, name: str = "A003") -> Path:
        """The roll folder on a drive."""
        return drive.top / name

    @contextlib.contextmanager
    def another_station(self) -> Iterator[None]:
        """Everything inside happens at a station that has a memory of its own."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("ROLLPROOF_HOME", str(self.folder.parent / "another station"))
            yield


@pytest.fixture
def table(tmp_path: Path) -> Table:
    return Table(tmp_path)


def kinds(result: MayWipeResult) -> set[str]:
    return {found.kind for found in result.findings if found.severity == "error"}


def why_not(result: MayWipeResult) -> str:
    return "; ".join(copy.why for copy in result.copies if not copy.counted)


# --- the card is known again without a read: only while nothing about it is another


def _another_boot(table: Table) -> None:
    table.desk.boot = "another boot"


def _another_disk_sequence(table: Table) -> None:
    table.card.sequence += 1_000


def _another_mount_point(table: Table) -> None:
    assert table.card.slot is not None
    table.card.slot = table.card.slot.rename(table.card.slot.with_name("elsewhere"))


def _another_volume_serial(table: Table) -> None:
    table.card.serial = "formatted anew"


def _another_device_number(table: Table) -> None:
    table.card.number += 1_000


CHANGES = (
    _another_boot, _another_disk_sequence, _another_mount_point, _another_volume_serial, _another_device_number,
)  # fmt: skip


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__.strip("_"))
def test_a_card_with_another_identity_and_the_same_listing_is_read_again(
    table: Table, change: Callable[[Table], None]
) -> None:
    table.offload()
    change_quietly(table.card.top / FIRST)
    assert table.ask().answer == WIPE, "the limit that is documented: nothing shows the change but a read"
    change(table)
    result = table.ask()
    assert (result.answer, result.basis) == (KEEP, "reread")
    assert "not-offloaded" in kinds(result)


def _no_boot(table: Table) -> None:
    table.desk.boot = None


def _no_disk_sequence(table: Table) -> None:
    table.card.sequence = 0


def _no_volume_serial(table: Table) -> None:
    table.card.serial = ""


@pytest.mark.parametrize("unknown", [_no_boot, _no_disk_sequence, _no_volume_serial], ids=lambda one: one.__name__)
def test_what_was_unknown_then_and_is_unknown_now_is_not_the_same(
    table: Table, unknown: Callable[[Table], None]
) -> None:
    unknown(table)
    table.offload()
    change_quietly(table.card.top / FIRST)
    result = table.ask()
    assert (result.answer, result.basis) == (KEEP, "reread")


def test_a_card_that_was_read_once_is_read_again_though_its_copies_were_proven_since(table: Table) -> None:
    table.offload(single_read=True)
    assert table.ask().answer == KEEP  # it reads the card, and writes that down
    assert table.verify(table.one, table.two).verdict == "proven"
    change_quietly(table.card.top / FIRST)
    result = table.ask()
    assert (result.answer, result.basis) == (KEEP, "reread")


@pytest.mark.parametrize("proven_first", [True, False])
def test_two_offloads_of_one_listing_that_read_different_bytes_are_told_apart_by_a_read(
    table: Table, proven_first: bool
) -> None:
    """On the card is what lies on one drive only; what lies on two was there at another time."""
    few, many = (table.three,), (table.one, table.two)
    table.offload(*(many if proven_first else few))
    change_quietly(table.card.top / FIRST)
    table.offload(*(few if proven_first else many), roll="A003B")
    if not proven_first:
        change_quietly(table.card.top / FIRST)  # as it was first
    result = table.ask()
    assert (result.answer, result.basis) == (KEEP, "reread")


def test_a_card_that_a_cache_answers_for_is_kept(table: Table) -> None:
    table.offload()
    table.card.way = MediumWay.NONE
    result = table.ask(reread=True)
    assert result.answer == KEEP
    assert kinds(result) == {"source-from-cache"}


# --- the whole medium


def test_a_card_whose_other_partitions_cannot_be_told_is_kept(table: Table) -> None:
    table.offload()
    assert table.ask().answer == WIPE
    table.desk.others = None
    assert kinds(table.ask()) == {"other-partition"}


def test_a_card_with_another_partition_is_kept_unless_it_is_the_systems(table: Table) -> None:
    table.offload()
    table.desk.others = [Partition("/dev/sdz1", 1, 1 << 20, "vfat", "", is_system=True)]
    assert table.ask().answer == WIPE
    table.desk.others.append(Partition("/dev/sdz3", 3, 1 << 20, "exfat", ""))
    assert kinds(table.ask()) == {"other-partition"}


def test_a_card_of_which_cannot_be_told_what_is_mounted_inside_is_kept(table: Table) -> None:
    table.offload()
    table.desk.inside = None
    assert table.ask().answer == KEEP


def test_a_pipe_among_an_operating_systems_files_is_kept(table: Table) -> None:
    (table.card.top / ".Trashes").mkdir()
    os.mkfifo(table.card.top / ".Trashes/pipe")
    table.offload()
    assert kinds(table.ask()) == {"unreadable"}


# --- the card is still the same in the end


def _other_files_in_its_place(table: Table) -> None:
    top = table.card.top
    top.rename(top.with_name("moved away"))
    shutil.copytree(top.with_name("moved away"), top)


def _a_clone_in_its_place(table: Table) -> None:
    table.card.serial = "a clone"


def _the_next_plugging_in(table: Table) -> None:
    table.card.sequence += 1


def _one_file_dated_anew(table: Table) -> None:
    os.utime(table.card.top / FIRST)


SWAPS = (_other_files_in_its_place, _a_clone_in_its_place, _the_next_plugging_in, _one_file_dated_anew)


@pytest.mark.parametrize("swap", SWAPS, ids=lambda swap: swap.__name__.strip("_"))
def test_a_card_that_is_exchanged_while_it_is_judged_is_kept(table: Table, swap: Callable[[Table], None]) -> None:
    table.offload()

    def asked(question: str) -> None:
        if question == "volumes":  # the card was looked at, its copies were not
            table.desk.asked = quiet
            swap(table)

    table.desk.asked = asked
    result = table.ask()
    assert result.answer == KEEP
    assert kinds(result) == {"card-changed"}
    assert result.permits == []


# --- the newest word on a copy


def test_a_failed_verify_at_another_station_is_believed_though_this_one_knows_nothing_of_it(table: Table) -> None:
    table.offload()
    with table.another_station():
        change_quietly(table.roll(table.two) / FIRST)
        assert table.verify(table.two).verdict == "not proven"
        change_quietly(table.roll(table.two) / FIRST)  # and back again
    result = table.ask()
    assert result.answer == KEEP
    assert "found that this copy is not as recorded" in why_not(result)


def test_a_failed_verify_that_left_no_record_is_remembered_here_alone(table: Table) -> None:
    table.offload()
    records = table.roll(table.two) / "rollproof"
    before = set(records.iterdir())
    change_quietly(table.roll(table.two) / FIRST)
    assert table.verify(table.two).verdict == "not proven"
    change_quietly(table.roll(table.two) / FIRST)
    with table.another_station():
        table.rebuild(table.one)
    _forget_records(table, table.two, before)
    result = table.ask()
    assert result.answer == KEEP
    assert "this station last found" in why_not(result)


def _forget_records(table: Table, drive: Thing, kept: set[Path]) -> None:
    """The records of a drive that are not in `kept` were never written, as far as drive and ledger know."""
    import sqlite3  # noqa: PLC0415

    for path in set((table.roll(drive) / "rollproof").iterdir()) - kept:
        path.unlink()
    with contextlib.closing(sqlite3.connect(station_home() / "ledger.sqlite3")) as ledger, ledger:
        assert ledger.execute("DELETE FROM records WHERE kind = 'verify'").rowcount


def test_a_permit_of_another_station_is_no_newer_word_than_a_failed_verify_here(table: Table) -> None:
    table.offload()
    records = table.roll(table.two) / "rollproof"
    before = set(records.iterdir())
    change_quietly(table.roll(table.two) / FIRST)
    assert table.verify(table.two).verdict == "not proven"
    change_quietly(table.roll(table.two) / FIRST)
    _forget_records(table, table.two, before)  # a write-protected drive could not take it
    with table.another_station():
        table.rebuild(table.one, table.two)
        assert table.ask().answer == WIPE
    assert table.ask().answer == KEEP


def test_a_clean_verify_of_another_station_is_a_newer_word_than_a_failed_one_here(table: Table) -> None:
    table.offload()
    before = set((table.roll(table.two) / "rollproof").iterdir())
    change_quietly(table.roll(table.two) / FIRST)
    assert table.verify(table.two).verdict == "not proven"
    change_quietly(table.roll(table.two) / FIRST)
    _forget_records(table, table.two, before)
    with table.another_station():
        assert table.verify(table.two).verdict == "proven"
    assert table.ask().answer == WIPE


def test_a_drive_put_back_to_an_older_state_does_not_count_where_the_ledger_remembers_more(table: Table) -> None:
    table.offload()
    shutil.copytree(table.roll(table.two), table.folder / "kept")
    assert table.verify(table.two).verdict == "proven"
    shutil.rmtree(table.roll(table.two))
    shutil.copytree(table.folder / "kept", table.roll(table.two))
    result = table.ask()
    assert result.answer == KEEP
    assert "not those this station remembers" in why_not(result)


def test_what_was_found_gone_once_must_be_verified_when_it_is_back(table: Table) -> None:
    table.offload()
    away = table.roll(table.two).rename(table.two.top / "elsewhere")
    assert table.ask().answer == KEEP
    away.rename(table.roll(table.two))
    result = table.ask()
    assert result.answer == KEEP
    assert "its drive was seen without it" in why_not(result)


@pytest.mark.parametrize("name", ["A003", "A003 copied"])
def test_a_roll_folder_that_was_dragged_to_another_drive_and_learned_there_proves_nothing(
    table: Table, name: str
) -> None:
    """Its records came along, whole; nobody has read what lies there now."""
    table.offload(table.one)
    shutil.copytree(table.roll(table.one), table.two.top / name)
    change_quietly(table.two.top / name / FIRST)
    table.rebuild(table.one, table.two)
    result = table.ask()
    assert result.answer == KEEP
    assert "too-few-copies" in kinds(result)


def test_a_roll_folder_that_was_dragged_and_verified_is_told_by_the_drive_it_lies_on(table: Table) -> None:
    table.two.label = "BACKUP"
    table.offload(table.one)
    shutil.copytree(table.roll(table.one), table.roll(table.two))
    assert table.verify(table.two).verdict == "proven"
    result = table.ask()
    assert result.answer == WIPE
    assert [(copy.drive, copy.counted) for copy in result.copies] == [("primary", True), ("BACKUP", True)]
    record = json.loads(sorted((table.roll(table.two) / "rollproof").glob("*_verify_*.json"))[0].read_bytes())
    assert record["copy"]["drive"] == "BACKUP"


def test_what_no_verify_mends_is_said_before_anything_else(table: Table) -> None:
    """A roll folder in whose place another drive's was put: its record is not the one that this station wrote."""
    table.offload()
    shutil.rmtree(table.roll(table.two))
    shutil.copytree(table.roll(table.one), table.roll(table.two))
    (copy,) = (each for each in table.ask().copies if not each.counted)
    assert "record 1 is not the one that this station remembers" in copy.why
    assert table.verify(table.two).verdict == "not proven"
    assert any("offload to another folder" in reason for reason in table.ask().reasons)


# --- the shape of a copy


def _shorter(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def _longer(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b" ")


def _a_link_of_just_that_length(path: Path) -> None:
    length = path.stat().st_size
    path.unlink()
    path.symlink_to("x" * length)


SHAPES = (_shorter, _longer, _a_link_of_just_that_length)


@pytest.mark.parametrize("spoil", SHAPES, ids=lambda spoil: spoil.__name__.strip("_"))
def test_a_file_of_a_copy_under_its_own_date_that_is_not_what_was_recorded(
    table: Table, spoil: Callable[[Path], None]
) -> None:
    table.offload()
    path = table.roll(table.two) / "NOTES.TXT"
    dates = path.stat()
    spoil(path)
    os.utime(path, ns=(dates.st_mtime_ns, dates.st_mtime_ns), follow_symlinks=False)
    result = table.ask()
    assert result.answer == KEEP
    assert "not as recorded in size or date" in why_not(result)


def test_a_file_of_a_copy_of_the_recorded_size_with_another_date(table: Table) -> None:
    table.offload()
    os.utime(table.roll(table.two) / "NOTES.TXT")
    assert "not as recorded in size or date" in why_not(table.ask())


def test_a_file_of_a_copy_that_is_not_there(table: Table) -> None:
    table.offload()
    (table.roll(table.two) / "NOTES.TXT").unlink()
    result = table.ask()
    assert result.answer == KEEP
    assert "NOTES.TXT is not there" in why_not(result)


# --- absent copies


def test_an_absent_drive_that_was_last_seen_without_the_roll_does_not_count(table: Table) -> None:
    table.offload()
    shutil.rmtree(table.roll(table.two))
    assert table.ask().answer == KEEP
    table.desk.unplug(table.two)
    result = table.ask()
    assert result.answer == KEEP
    assert "last seen without this roll" in why_not(result)


@pytest.mark.path
def test_an_absent_drive_counts_for_a_day_by_what_this_station_saw(table: Table) -> None:
    table.offload()
    table.desk.unplug(table.two)
    assert table.ask(hours=23).answer == WIPE
    assert table.ask(hours=25).answer == KEEP
    assert table.ask(hours=-1).answer == KEEP


def test_an_older_ledger_that_was_put_back_vouches_for_no_absent_drive(table: Table) -> None:
    """The newer one knew of a verify that failed."""
    table.offload()
    ledger = station_home() / "ledger.sqlite3"
    shutil.copyfile(ledger, table.folder / "kept.sqlite3")
    change_quietly(table.roll(table.two) / FIRST)
    assert table.verify(table.two).verdict == "not proven"
    table.desk.unplug(table.two)
    assert table.ask().answer == KEEP
    for path in station_home().glob("ledger.sqlite3-*"):
        path.unlink()
    shutil.copyfile(table.folder / "kept.sqlite3", ledger)
    result = table.ask()
    assert result.answer == KEEP
    assert "copy-not-counted" in kinds(result)


def test_an_absent_copy_that_was_only_copied_does_not_count(table: Table) -> None:
    table.two.way = MediumWay.NONE
    table.offload()
    table.desk.unplug(table.two)
    result = table.ask()
    assert result.answer == KEEP
    assert "was last copied" in why_not(result)


# --- which device a copy lies on


def test_a_card_whose_own_device_cannot_be_told_is_kept(table: Table) -> None:
    table.card.device = ""
    table.offload()
    result = table.ask()
    assert result.answer == KEEP
    assert "cannot be shown to be another" in why_not(result)


def test_all_devices_that_cannot_be_told_count_as_one(table: Table) -> None:
    table.one.device = table.two.device = ""
    table.offload()
    assert "too-few-copies" in kinds(table.ask())
    table.offload(table.three)
    result = table.ask()
    assert result.answer == WIPE
    assert "unknown-device" in {found.kind for found in result.findings}


def test_copies_that_only_a_server_answered_for_need_one_that_a_medium_answered_for(table: Table) -> None:
    table.one.way = table.two.way = MediumWay.SERVER
    table.offload()
    assert kinds(table.ask()) == {"none-attached"}
    table.offload(table.three)
    assert table.ask().answer == WIPE


# --- how many are required


def test_a_drive_whose_newest_record_asks_for_more_is_believed(table: Table) -> None:
    table.policy(2)
    table.offload()
    fill(table.card.top, {"CLIP/A003C003_260514.mov": 2_000})
    with table.another_station():
        table.policy(3)
        assert table.offload(table.one).verdict == "proven"
    (table.card.top / "CLIP/A003C003_260514.mov").unlink()
    table.policy(2)
    result = table.ask()
    assert result.answer == KEEP
    assert "2 proven copies count, 3 are required" in result.reasons[0]


def test_an_earlier_offload_of_the_roll_that_asked_for_more_is_believed(table: Table) -> None:
    table.policy(3)
    table.offload(table.three)
    table.policy(2)
    table.offload()
    shutil.rmtree(table.roll(table.three))
    result = table.ask()
    assert result.answer == KEEP
    assert "2 proven copies count, 3 are required" in result.reasons[0]


# --- a second read of the card that is supplied


def test_a_card_that_holds_something_else_supplies_no_second_read(table: Table) -> None:
    table.offload(single_read=True)
    change_quietly(table.card.top / FIRST)
    assert table.ask().answer == KEEP
    assert len(list((table.roll(table.one) / "rollproof").glob("*.json"))) == 1


def test_a_read_that_a_cache_answered_supplies_nothing(table: Table) -> None:
    table.offload(single_read=True)
    table.card.way = MediumWay.NONE
    assert table.ask().answer == KEEP
    assert len(list((table.roll(table.one) / "rollproof").glob("*.json"))) == 1


# --- one among several


def test_another_record_under_the_number_that_a_siblings_permit_names_is_not_that_one(table: Table) -> None:
    table.offload()
    assert table.ask().answer == WIPE  # the permit beside each copy names the record of the other
    shutil.rmtree(table.roll(table.one))
    with table.another_station():
        table.offload(table.one)
    table.rebuild(table.one, table.two)
    result = table.ask()
    assert result.answer == KEEP
    assert "put back to an older state" in why_not(result)


def test_a_drive_that_was_away_since_the_first_offload_only_may_still_answer_for_the_second_from_a_cache(
    table: Table,
) -> None:
    table.one.way = MediumWay.NONE
    table.offload(table.one)
    table.desk.plug_in(table.one, "primary")
    fill(table.card.top, {**CLIPS, "CLIP/A003C003_260514.mov": 4_000})
    table.offload(table.one)
    (copy,) = table.verify(table.one).copies
    assert copy.readback == "cache"
    table.desk.plug_in(table.one, "primary")
    (copy,) = table.verify(table.one).copies
    assert copy.readback == "medium", "away since both"
