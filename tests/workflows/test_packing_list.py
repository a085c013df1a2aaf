"""The packing list: valid by the open standard's schemas, right by stock tools, and what an arrival is checked by."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

from rollproof.hashing import c4
from rollproof.models.custody_results import ReceiveResult
from rollproof.models.delivery_results import PackingListResult
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.requests import Cancel, PackingListRequest, Person, ReceiveRequest
from rollproof.station.context import Context
from rollproof.workflows.custody.receive import receive
from rollproof.workflows.delivery.packing_list import packing_list
from workflows.station import CLIPS, SMALL, Station, change_quietly, fill, tree

MHL = "{urn:ASC:MHL:v2.0}"
CHAIN = "{urn:ASC:MHL:DIRECTORY:v2.0}"
VICTIM = "CLIP/A003C002_260514.mov"
STOCK = {"xxh128": ["xxhsum", "-H2"], "md5": ["md5sum"], "sha1": ["sha1sum"]}


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    assert made.offload(hashes=("xxh128", "md5", "c4")).verdict == "proven"
    return made


def pack(station: Station, *drives: Path, out: str = "list") -> PackingListResult:
    chosen = tuple(os.fsencode(drive) for drive in drives or (station.one,))
    person = Person("the wrangler", "data wrangler")
    return packing_list(PackingListRequest(chosen, os.fsencode(station.top / out), person), Context.of())


def arrive(station: Station, drive: Path | None = None, listed: str = "list") -> ReceiveResult:
    request = ReceiveRequest(os.fsencode(drive or station.one), packing_list=os.fsencode(station.top / listed))
    return receive(request, Context.of(emit=station.events.append, cancel=Cancel(), settings=SMALL))


def kinds(result: Any, severity: str = "error") -> set[str]:
    return {finding.kind for finding in result.findings if finding.severity == severity}


def manifests(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.mhl"))


def second_roll(station: Station, name: str = "A004") -> None:
    card = station.top / name
    fill(card, {f"CLIP/{name}C001_260514.mov": 30_000}, salt=name.encode())
    assert station.offload(cards=(os.fsencode(card),)).verdict == "proven"


def schemas() -> Path:
    """The folder of the standard's schemas; they are not ours to ship."""
    named = os.environ.get("ROLLPROOF_STANDARDS")
    repository = Path(__file__).resolve().parents[2]
    folders = (
        [Path(named), Path(named) / "ascmhl"] if named else [repository.parent / "shared" / "standards" / "ascmhl"]
    )
    found = next((folder for folder in folders if (folder / "ASCMHL.xsd").is_file()), None)
    if found is None:
        pytest.skip("the schemas are not here")
    return found


def test_the_list_and_its_collection_validate_against_the_schemas(station: Station) -> None:
    second_roll(station)
    result = pack(station)
    assert (result.verdict, result.status) == ("complete", ExitStatus.DONE)
    folder = station.top / "list"
    assert len(manifests(folder)) == 2
    for name, paths in (("ASCMHL.xsd", manifests(folder)), ("ASCMHLDirectory.xsd", [folder / "ascmhl_collection.xml"])):
        schema = etree.XMLSchema(etree.parse(schemas() / name))
        for path in paths:
            assert schema.validate(etree.parse(path)), (path, schema.error_log)


def test_every_hash_of_the_list_is_what_a_stock_tool_computes(station: Station) -> None:
    pack(station)
    (manifest,) = manifests(station.top / "list")
    root = etree.parse(manifest).getroot()
    assert root.findtext(f"{MHL}processinfo/{MHL}process") == "flatten"
    seen = {}
    for element in root.iter(f"{MHL}hash"):
        path = element.findtext(f"{MHL}path")
        assert path is not None
        seen[path] = {child.tag.removeprefix(MHL): child.text for child in list(element)[1:]}
    assert {path: set(hashes) for path, hashes in seen.items()} == {path: {"xxh128", "md5", "c4"} for path in CLIPS}
    for name in ("xxh128", "md5"):
        if shutil.which(STOCK[name][0]) is None:
            pytest.skip(f"{STOCK[name][0]} is not installed")
        told = subprocess.run(
            [*STOCK[name], *CLIPS], cwd=station.card, capture_output=True, text=True, timeout=60, check=True
        )
        assert {line.split("  ", 1)[1]: line.split()[0] for line in told.stdout.splitlines()} == {
            path: hashes[name] for path, hashes in seen.items()
        }
    for path, hashes in seen.items():
        assert hashes["c4"] == c4.encode(hashlib.sha512((station.card / path).read_bytes()).digest())


def test_the_collection_names_each_list_by_its_c4(station: Station) -> None:
    second_roll(station)
    pack(station)
    folder = station.top / "list"
    root = etree.parse(folder / "ascmhl_collection.xml").getroot()
    named = {element.findtext(f"{CHAIN}path"): element.findtext(f"{CHAIN}c4") for element in root}
    assert named == {path.name: c4.encode(hashlib.sha512(path.read_bytes()).digest()) for path in manifests(folder)}


def test_only_the_earliest_good_hashes_are_listed(station: Station) -> None:
    change_quietly(station.roll(station.one) / VICTIM)
    station.verify(station.one)
    pack(station)
    (manifest,) = manifests(station.top / "list")
    text = manifest.read_text()
    assert "failed" not in text
    assert "directoryhash" not in text
    assert hashlib.md5((station.card / VICTIM).read_bytes()).hexdigest() in text


def test_a_roll_on_two_drives_is_listed_once_and_nothing_on_them_is_changed(station: Station) -> None:
    before = tree(station.one, own=True)
    result = pack(station, station.one, station.two)
    assert [(roll.roll, len(roll.paths)) for roll in result.rolls] == [("A003", 2)]
    assert len(manifests(station.top / "list")) == 1
    assert tree(station.one, own=True) == before


def test_two_drives_that_disagree_about_a_roll_leave_it_out(tmp_path: Path) -> None:
    station = Station(tmp_path)
    station.offload(destinations=(os.fsencode(station.one),))
    change_quietly(station.card / VICTIM)
    station.offload(destinations=(os.fsencode(station.two),))
    second_roll(station)
    result = pack(station, station.one, station.two)
    assert result.verdict == "not complete"
    assert {roll.roll: roll.manifest is not None for roll in result.rolls} == {"A003": False, "A004": True}


def test_two_rolls_of_one_name_are_two_lists(tmp_path: Path) -> None:
    station = Station(tmp_path)
    for unit in ("main", "second"):
        fill(station.card, CLIPS, salt=unit.encode())
        (station.one / unit).mkdir()
        station.offload(destinations=(os.fsencode(station.one / unit),))
    assert pack(station).verdict == "complete"
    assert len(manifests(station.top / "list")) == 2
    arrived = arrive(station)
    assert arrived.packing is not None
    assert [line.state for line in arrived.packing.lists] == ["same", "same"]


def test_a_history_that_cannot_be_relied_on_is_left_out(station: Station) -> None:
    second_roll(station)
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("*.mhl")
    manifest.write_bytes(manifest.read_bytes().replace(b"A003C001", b"A003C00X", 1))
    result = pack(station)
    assert (result.verdict, result.status) == ("not complete", ExitStatus.ANSWER_IS_NO)
    assert {roll.roll: roll.manifest is not None for roll in result.rolls} == {"A003": False, "A004": True}


def test_a_packing_list_that_is_there_is_left_as_it_is(station: Station) -> None:
    pack(station)
    before = tree(station.top / "list")
    with pytest.raises(UsageProblem):
        pack(station)
    with pytest.raises(UsageProblem):
        pack(station, out="primary/A003/list")
    assert tree(station.top / "list") == before


# --- the arrival


@pytest.mark.path
def test_a_drive_as_listed_is_the_same(station: Station) -> None:
    second_roll(station)
    pack(station)
    result = arrive(station)
    assert result.verdict == "proven"
    assert result.packing is not None
    assert result.packing.same
    assert [(line.roll, line.state) for line in result.packing.lists] == [("A003", "same"), ("A004", "same")]


def test_a_roll_that_was_replaced_with_its_papers_is_found(station: Station) -> None:
    """Everything on the drive agrees with itself: only what was sent ahead tells."""
    pack(station)
    shutil.rmtree(station.roll(station.one))
    change_quietly(station.card / VICTIM)
    station.offload(destinations=(os.fsencode(station.one),))
    result = arrive(station)
    assert result.packing is not None
    assert (result.verdict, result.packing.same, result.packing.lists[0].differ) == ("not proven", False, 1)
    assert "differs" in kinds(result)
    assert station_record(station)["verdict"] == "not proven"


def station_record(station: Station) -> dict[str, Any]:
    import json  # noqa: PLC0415

    newest = sorted((station.one / "rollproof").glob("*_receive_*.json"))[-1]
    read: dict[str, Any] = json.loads(newest.read_text())
    return read


def test_a_roll_that_did_not_come_and_one_that_nobody_listed_are_told(station: Station) -> None:
    pack(station)
    station.roll(station.one).rename(station.top / "left behind")
    second_roll(station)
    result = arrive(station)
    assert result.packing is not None
    assert [(line.roll, line.state) for line in result.packing.lists] == [("A003", "missing")]
    assert result.packing.added == ["A004"]
    assert {"roll-missing", "roll-added"} <= kinds(result)
    assert result.verdict == "not proven"


def test_a_byte_that_changed_on_the_way_is_not_as_listed_though_the_papers_are(station: Station) -> None:
    pack(station)
    change_quietly(station.roll(station.one) / VICTIM)
    result = arrive(station)
    assert result.packing is not None
    (line,) = result.packing.lists
    assert (line.state, line.differ, result.packing.same) == ("differs", 1, False)
    assert any("packing list" in finding.detail for finding in result.findings if finding.path == VICTIM)


def test_a_file_removed_with_its_record_is_missing_and_a_new_one_is_told(station: Station) -> None:
    pack(station)
    shutil.rmtree(station.roll(station.one))
    (station.card / "NOTES.TXT").unlink()
    (station.card / "MORE.TXT").write_bytes(b"more")
    station.offload(destinations=(os.fsencode(station.one),))
    result = arrive(station)
    assert result.packing is not None
    (line,) = result.packing.lists
    assert (line.state, line.missing, line.added, line.differ) == ("differs", 1, 1, 0)


def test_a_renamed_roll_folder_still_finds_its_list(station: Station) -> None:
    pack(station)
    station.roll(station.one).rename(station.one / "A003 from the first unit")
    result = arrive(station)
    assert result.packing is not None
    assert [line.state for line in result.packing.lists] == ["same"]


def test_files_are_read_where_list_and_papers_have_no_algorithm_in_common(tmp_path: Path) -> None:
    station = Station(tmp_path)
    station.offload(hashes=("md5",))
    pack(station)
    for verdict in ("proven", "not proven"):
        shutil.rmtree(station.roll(station.one))
        station.offload(hashes=("xxh128",), destinations=(os.fsencode(station.one),))
        result = arrive(station)
        assert result.packing is not None
        assert (result.verdict, result.packing.same) == (verdict, verdict == "proven")
        change_quietly(station.card / VICTIM)


def test_a_list_that_was_changed_on_the_way_is_not_believed(station: Station) -> None:
    pack(station)
    (manifest,) = manifests(station.top / "list")
    manifest.write_bytes(manifest.read_bytes().replace(b"A003C001", b"A003C00X", 1))
    result = arrive(station)
    assert "manifest-changed" in kinds(result)
    assert result.verdict == "not proven"


@pytest.mark.parametrize("path", ["../outside.mhl", "/etc/passwd", "sub/0001_A003.mhl"])
def test_a_collection_that_leads_elsewhere_is_not_followed(station: Station, path: str) -> None:
    pack(station)
    (manifest,) = manifests(station.top / "list")
    shutil.copy(manifest, station.top / "outside.mhl")
    collection = station.top / "list" / "ascmhl_collection.xml"
    collection.write_text(collection.read_text().replace(manifest.name, path))
    result = arrive(station)
    assert {"path-escapes", "roll-added"} <= kinds(result)


def test_a_folder_without_a_packing_list_is_wrong_usage_before_anything_is_read(station: Station) -> None:
    station.events.clear()
    for wrong in ("gone", "primary"):
        with pytest.raises(UsageProblem):
            arrive(station, listed=wrong)
    (station.top / "odd").mkdir()
    (station.top / "odd" / "ascmhl_collection.xml").write_text("<odd/>")
    with pytest.raises(UsageProblem):
        arrive(station, listed="odd")
    assert station.events == []
