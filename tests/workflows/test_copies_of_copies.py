"""A recorded copy as the source: verified on the way, histories carried along, nothing changed passed on."""

from __future__ import annotations

import errno
import json
import os
import shutil
import threading
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.events import Leg, LegEnded, RollPlanned
from rollproof.models.names import MARKER_NAME
from rollproof.models.requests import Cancel
from rollproof.models.results import OffloadResult, RollResult
from workflows.station import CLIPS, Station, change_quietly, fill, tree

MARKER = os.fsdecode(MARKER_NAME)
CLIP = "CLIP/A003C001_260514.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    """One card, offloaded to two drives."""
    made = Station(tmp_path)
    assert made.offload().verdict == "proven"
    made.events.clear()
    return made


def archive(station: Station) -> Path:
    """The new drive."""
    folder = station.top / "archive"
    folder.mkdir(exist_ok=True)
    return folder


def copy_on(station: Station, *sources: Path, to: Path | None = None, **given: Any) -> OffloadResult:
    """Copy recorded copies to the archive, the roll on the first drive by default."""
    cards = tuple(os.fsencode(source) for source in sources or (station.roll(station.one),))
    return station.offload(cards=cards, destinations=(os.fsencode(to or archive(station)),), **given)


def copy_one(station: Station, *sources: Path, **given: Any) -> RollResult:
    """The same for one roll."""
    (roll,) = copy_on(station, *sources, **given).rolls
    return roll


def papers(roll: Path) -> dict[str, bytes]:
    """Both histories of a roll."""
    return {path: content for path, content in tree(roll, own=True).items() if path not in tree(roll)}


def edit(path: Path, old: str, new: str) -> None:
    """Change a text where it stands."""
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


# --- one roll


def test_a_recorded_roll_is_copied_proven_from_one_read_and_there_is_no_card(station: Station) -> None:
    result = copy_on(station)
    (roll,) = result.rolls
    assert (result.verdict, result.status) == ("proven", ExitStatus.DONE)
    assert (roll.source_kind, roll.roll, roll.source_reads, roll.card) == ("copy", "A003", 1, None)
    assert tree(archive(station) / "A003") == tree(station.card)
    assert not (archive(station) / "A003" / MARKER).exists()
    (planned,) = [event for event in station.events if isinstance(event, RollPlanned)]
    assert (planned.of_copy, planned.source_passes) == (True, 1)


def test_both_histories_are_carried_byte_for_byte_and_each_gets_a_generation(station: Station) -> None:
    source = station.roll(station.one)
    before = papers(source)
    copy_one(station)
    after = papers(archive(station) / "A003")
    chain = "ascmhl/ascmhl_chain.xml"
    carried = {path: content for path, content in before.items() if path != chain}
    assert {path: after[path] for path in carried} == carried
    new = after.keys() - before.keys()
    assert sorted(path.split("/")[1][:4] for path in new) == ["0002", "0002", "0002"]  # manifest, record, signature
    (manifest,) = [path for path in new if path.endswith(".mhl")]
    assert b"<process>transfer</process>" in after[manifest]
    assert after[manifest].count(b'action="verified"') == len(CLIPS)
    assert b'action="original"' not in after[manifest]
    assert before[chain].replace(b"</ascmhldirectory>\n", b"") in after[chain]


def test_the_record_of_the_copy_is_chained_on_the_carried_ones_and_names_its_source(station: Station) -> None:
    source = station.roll(station.one)
    (first,) = station.records(station.one)
    copy_one(station)
    carried, record = station.records(archive(station))
    assert carried == first
    assert record["kind"] == "offload"
    assert (record["source"]["kind"], first["source"]["kind"]) == ("copy", "card")
    assert record["source"]["folder"] == os.path.relpath(source, record["source"]["mount_point"])
    assert record["previous_sha256"] is not None
    hashes = {row["path"]: row["hashes"] for row in first["files"]}
    assert {row["path"]: row["hashes"] for row in record["files"]} == hashes
    assert all(row["proven"] for row in record["files"])


def test_a_copy_of_a_copy_of_a_copy_is_proven_by_its_whole_chain(station: Station) -> None:
    copy_one(station)
    third = station.top / "shelf"
    third.mkdir()
    assert copy_one(station, archive(station) / "A003", to=third).verdict == "proven"
    assert [record["source"]["kind"] for record in station.records(third)] == ["card", "copy", "copy"]
    assert station.verify(third).verdict == "proven"


def test_a_file_that_changed_quietly_is_named_and_never_passed_on(station: Station) -> None:
    change_quietly(station.roll(station.one) / CLIP)
    roll = copy_one(station)
    there = archive(station) / "A003"
    assert (roll.verdict, roll.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert [finding.path for finding in roll.findings if finding.kind == "differs"] == [CLIP]
    assert roll.destinations[0].state == "incomplete"
    assert roll.destinations[0].files_proven == len(CLIPS) - 1
    assert not (there / CLIP).exists()
    assert (there / MARKER).exists()
    assert tree(there) == {p: c for p, c in tree(station.card).items() if p != CLIP} | {MARKER: tree(there)[MARKER]}
    record = station.records(archive(station))[-1]
    (bad,) = [row for row in record["files"] if row["path"] == CLIP]
    assert (bad["proven"], bad["state"], bad["hashes"]) == (False, "failed", {})
    (manifest,) = (there / "ascmhl").glob("0002_*.mhl")
    assert CLIP not in manifest.read_text()


def test_what_changed_on_the_source_withdraws_the_proof_of_the_source(station: Station) -> None:
    change_quietly(station.roll(station.one) / CLIP)
    copy_one(station)
    record = station.records(station.one)[-1]
    assert (record["kind"], record["verdict"], record["totals"]["differ"]) == ("verify", "not proven", 1)
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("0002_*.mhl")
    assert manifest.read_text().count('action="failed"') == 1


def test_another_copy_of_the_roll_completes_what_a_changed_one_began(station: Station) -> None:
    change_quietly(station.roll(station.one) / CLIP)
    copy_one(station)
    roll = copy_one(station, station.roll(station.two))
    assert roll.verdict == "proven", roll
    assert tree(archive(station) / "A003") == tree(station.card)
    assert station.verify(archive(station)).verdict == "proven"


def test_a_clean_source_gets_a_verify_of_its_own(station: Station) -> None:
    copy_one(station)
    offload, verify = station.records(station.one)
    assert (offload["kind"], verify["kind"], verify["verdict"]) == ("offload", "verify", "proven")
    assert verify["totals"]["files"] == len(CLIPS)
    assert (station.roll(station.one) / "ascmhl").glob("0002_*.mhl")
    assert station.verify(station.one).verdict == "proven"


def test_files_that_are_gone_resized_or_new_are_each_said(station: Station) -> None:
    source = station.roll(station.one)
    (source / "NOTES.TXT").unlink()
    with (source / CLIP).open("ab") as file:
        file.write(b"more")
    fill(source, {"LOOK.cube": 40})
    roll = copy_one(station)
    told = {(finding.kind, finding.path, finding.severity) for finding in roll.findings}
    assert {
        ("missing", "NOTES.TXT", "error"),
        ("differs", CLIP, "error"),
        ("unknown-file", "LOOK.cube", "warning"),
    } <= told
    assert roll.verdict == "not proven"
    there = archive(station) / "A003"
    assert set(tree(there)) == {MARKER, "LOOK.cube", *(set(CLIPS) - {CLIP, "NOTES.TXT"})}


def test_a_new_file_is_read_twice_and_recorded_as_new(station: Station) -> None:
    fill(station.roll(station.one), {"LOOK.cube": 40})
    roll = copy_one(station)
    assert roll.verdict == "proven"
    (manifest,) = (archive(station) / "A003" / "ascmhl").glob("0002_*.mhl")
    assert manifest.read_text().count('action="original"') == 1
    assert station.verify(archive(station)).verdict == "proven"


def test_the_card_s_own_dates_are_restored_whatever_the_source_shows(station: Station) -> None:
    os.utime(station.roll(station.one) / CLIP, ns=(1, 1))
    assert copy_one(station).verdict == "proven"
    assert (archive(station) / "A003" / CLIP).stat().st_mtime_ns == (station.card / CLIP).stat().st_mtime_ns


def test_a_roll_whose_card_was_read_once_gives_copies_that_are_copied(tmp_path: Path) -> None:
    station = Station(tmp_path)
    station.offload(single_read=True)
    roll = copy_one(station)
    assert (roll.verdict, roll.destinations[0].state) == ("not proven", "copied")
    assert "single-read" in station.kinds(roll, "warning")
    record = station.records(archive(station))[-1]
    assert not any(row["proven"] for row in record["files"])


def test_a_dry_run_says_that_it_is_a_copy_and_writes_nothing(station: Station) -> None:
    before = tree(station.one, own=True)
    roll = copy_one(station, dry_run=True)
    assert (roll.verdict, roll.source_kind) == ("planned", "copy")
    assert not list(archive(station).iterdir())
    assert tree(station.one, own=True) == before


# --- going on


def test_a_copy_that_is_proven_already_is_not_read_again(station: Station) -> None:
    copy_one(station)
    before = tree(archive(station), own=True)
    roll = copy_one(station)
    assert (roll.verdict, roll.source_reads, roll.destinations[0].state) == ("proven", 0, "proven")
    assert tree(archive(station), own=True) == before


def test_an_interrupted_copy_is_gone_on_with(station: Station) -> None:
    cancel = Cancel()

    def stop(event: object) -> None:
        if isinstance(event, LegEnded) and event.leg is Leg.WRITE:
            cancel.set()

    result = copy_on(station, cancel=cancel, on_event=stop)
    assert result.status is ExitStatus.INTERRUPTED
    assert (archive(station) / "A003" / MARKER).exists()
    assert copy_one(station).verdict == "proven"
    assert tree(archive(station) / "A003") == tree(station.card)
    assert len(station.records(archive(station))) == 2


def test_papers_that_a_crash_left_half_carried_are_completed(station: Station) -> None:
    station.verify(station.one)  # two records, two manifests
    there = archive(station) / "A003" / "rollproof"
    there.mkdir(parents=True)
    first = min((station.roll(station.one) / "rollproof").glob("*.json"))
    shutil.copy(first, there)
    (there.parent / MARKER).touch()
    assert copy_one(station).verdict == "proven"
    assert [record["kind"] for record in station.records(archive(station))] == ["offload", "verify", "offload"]


def test_a_copy_with_a_history_of_its_own_goes_on_with_that_one(station: Station) -> None:
    third = archive(station)
    station.offload(destinations=(os.fsencode(third),), single_read=True)
    before = papers(third / "A003")
    roll = copy_one(station)
    assert {path: papers(third / "A003")[path] for path in before if not path.endswith("chain.xml")} == {
        path: content for path, content in before.items() if not path.endswith("chain.xml")
    }
    assert roll.verdict == "not proven"  # its own chain knows of one read of the card only


# --- sources that are refused


def refused(station: Station, *sources: Path) -> set[str]:
    """The kinds of error that a refusal names; nothing was written."""
    roll = copy_one(station, *sources)
    assert (roll.verdict, roll.status, roll.source_kind) == ("refused", ExitStatus.REFUSED, "copy")
    assert not list(archive(station).iterdir())
    return station.kinds(roll)


def test_a_source_with_a_broken_chain_is_refused(station: Station) -> None:
    station.verify(station.one)
    edit(min((station.roll(station.one) / "rollproof").glob("*.json")), '"proven": true', '"proven":  true')
    assert "chain-broken" in refused(station)


def test_a_source_with_a_changed_manifest_is_refused(station: Station) -> None:
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("*.mhl")
    edit(manifest, "<hostname>", "<hostname>x")
    assert "manifest-changed" in refused(station)


def test_a_changed_file_whose_record_was_changed_too_is_told_by_this_station_s_memory(station: Station) -> None:
    source = station.roll(station.one)
    shutil.rmtree(source / "ascmhl")
    (record,) = (source / "rollproof").glob("*.json")
    change_quietly(source / CLIP)
    row = next(row for row in json.loads(record.read_text())["files"] if row["path"] == CLIP)
    edit(record, row["hashes"]["xxh128"], "0" * 32)
    assert "chain-broken" in refused(station)


def test_a_roll_that_was_never_recorded_is_refused(station: Station) -> None:
    source = station.top / "theirs" / "A003"
    shutil.copytree(station.card, source)
    (source / MARKER).touch()
    assert refused(station, source) == {"not-finished"}


def test_a_roll_that_somebody_is_at_work_on_is_refused(station: Station) -> None:
    busy, done = threading.Event(), threading.Event()
    found: list[set[str]] = []

    def while_verified(event: object) -> None:
        if not busy.is_set():
            busy.set()
            found.append(refused(station))
            done.set()

    station.events = _Hook(while_verified)
    station.verify(station.one)
    assert found == [{"locked"}]


class _Hook(list[Any]):
    def __init__(self, on_append: Any) -> None:
        super().__init__()
        self._on_append = on_append

    def append(self, event: Any) -> None:
        self._on_append(event)


def test_a_copy_keeps_the_name_of_its_roll(station: Station) -> None:
    with pytest.raises(UsageProblem, match="keeps the name"):
        copy_on(station, roll="B007")


# --- histories of other people's tools


def without_records(station: Station) -> Path:
    """The roll as a tool of the open standard leaves it, on a drive that this station has not seen."""
    source = station.top / "theirs" / "A003"
    shutil.copytree(station.roll(station.one), source)
    shutil.rmtree(source / "rollproof")
    return source


def test_a_history_of_the_open_standard_alone_is_enough(station: Station) -> None:
    source = without_records(station)
    roll = copy_one(station, source)
    assert (roll.verdict, roll.roll, roll.source_kind) == ("proven", "A003", "copy"), roll
    assert not (source / "rollproof").exists()
    (record,) = station.records(archive(station))
    assert (record["sequence"], record["source"]["kind"]) == (1, "copy")
    assert station.verify(archive(station)).verdict == "proven"


def test_a_change_is_seen_by_the_open_standard_s_history_alone(station: Station) -> None:
    source = without_records(station)
    change_quietly(source / CLIP)
    roll = copy_one(station, source)
    assert roll.verdict == "not proven"
    assert not (archive(station) / "A003" / CLIP).exists()


def test_a_source_that_cannot_be_read_is_called_a_copy_and_no_card(station: Station) -> None:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and os.readlink(f"/proc/self/fd/{given[0]}") == str(station.roll(station.one) / CLIP):
            raise OSError(errno.EIO, "Input/output error")

    roll = copy_one(station, io=HookedIo(hook))
    said = [(finding.detail, finding.remedy) for finding in roll.findings if finding.kind == "unreadable"]
    assert said
    assert all("from the copy that is read" in detail for detail, _ in said), said
    assert all("keep every other copy" in remedy and "reader" not in remedy for _, remedy in said)
