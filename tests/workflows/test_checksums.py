"""Checksum files: stock tools agree with them, a difference never gets a line, and strangers' files are compared."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from rollproof.models.delivery_results import AgainstResult, ChecksumsResult
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.requests import AgainstRequest, Cancel, ChecksumsRequest
from rollproof.station.context import Context
from rollproof.workflows.delivery.checksums import checksums
from rollproof.workflows.verify.against import verify_against
from support.trees import PORTABLE, Node, build
from workflows.station import CLIPS, SMALL, Station, change_quietly, fill, tree

NEEDED = {"xxh128": "xxhsum", "xxh3": "xxhsum", "xxh64": "xxhsum", "md5": "md5sum", "sha1": "sha1sum"} | {
    "sha256": "sha256sum"
}
VICTIM = "CLIP/A003C002_260514.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    assert made.offload().verdict == "proven"
    return made


def write(station: Station, path: Path, algorithm: str = "xxh128", out: str = "list") -> ChecksumsResult:
    request = ChecksumsRequest(os.fsencode(path), algorithm, os.fsencode(station.top / out))
    return checksums(request, Context.of(emit=station.events.append, cancel=Cancel(), settings=SMALL))


def against(station: Station, path: Path, file: Path, **given: Any) -> AgainstResult:
    request = AgainstRequest(os.fsencode(path), os.fsencode(file), **given)
    return verify_against(request, Context.of(emit=station.events.append, cancel=Cancel(), settings=SMALL))


def kinds(result: ChecksumsResult | AgainstResult, severity: str = "error") -> set[str]:
    return {finding.kind for finding in result.findings if finding.severity == severity}


def stock_check(tool: str, folder: Path, listed: Path) -> subprocess.CompletedProcess[str]:
    """What the stock tool says of a checksum file, run where its names begin."""
    if shutil.which(tool) is None:
        if os.environ.get("ROLLPROOF_DEVICE_TESTS"):
            pytest.fail(f"{tool} is not installed")
        pytest.skip(f"{tool} is not installed")
    return subprocess.run(
        [tool, "-c", listed], cwd=folder, capture_output=True, text=True, errors="replace", timeout=60, check=False
    )


@pytest.mark.path
@pytest.mark.parametrize("algorithm", NEEDED)
def test_the_stock_tool_finds_every_line_right_and_a_changed_byte_wrong(station: Station, algorithm: str) -> None:
    result = write(station, station.one, algorithm)
    assert (result.verdict, result.lines, result.status) == ("complete", len(CLIPS), ExitStatus.DONE)
    checked = stock_check(NEEDED[algorithm], station.one, station.top / "list")
    assert (checked.returncode, checked.stdout.count(": OK")) == (0, len(CLIPS)), checked
    change_quietly(station.roll(station.one) / VICTIM)
    checked = stock_check(NEEDED[algorithm], station.one, station.top / "list")
    assert checked.returncode == 1
    assert f"A003/{VICTIM}: FAILED" in checked.stdout


def test_a_recorded_algorithm_is_taken_from_the_record_without_reading(station: Station) -> None:
    station.events.clear()
    roll = write(station, station.roll(station.one)).rolls[0]
    assert (roll.recorded, roll.read, roll.left_out) == (len(CLIPS), 0, 0)
    assert station.events == []


def test_another_algorithm_is_read_and_compared_with_the_record_in_the_same_read(station: Station) -> None:
    change_quietly(station.roll(station.one) / VICTIM)
    result = write(station, station.roll(station.one), "md5")
    assert (result.verdict, result.status) == ("not complete", ExitStatus.ANSWER_IS_NO)
    assert (result.rolls[0].read, result.rolls[0].left_out) == (len(CLIPS) - 1, 1)
    assert kinds(result) == {"differs"}
    assert VICTIM not in (station.top / "list").read_text()
    assert stock_check("md5sum", station.roll(station.one), station.top / "list").returncode == 0


def test_nothing_is_changed_on_the_drive_and_nothing_is_appended(station: Station) -> None:
    before = tree(station.one, own=True)
    write(station, station.one, "sha1")
    assert tree(station.one, own=True) == before


def test_every_awkward_name_is_as_coreutils_writes_it(tmp_path: Path) -> None:
    odd: dict[str | bytes, Node] = {
        "new\nline.mov": b"1",
        "back\\slash.mov": b"2",
        "carriage\rreturn.mov": b"3",
        b"not\xfftext.mov": b"4",
    }
    build(tmp_path / "card", {**PORTABLE, **odd})
    station = Station(tmp_path)
    assert station.offload(cards=(os.fsencode(tmp_path / "card"),), roll="A001").rolls[0].files > len(odd)
    roll = station.one / "A001"
    result = write(station, roll, "sha256")
    checked = stock_check("sha256sum", roll, station.top / "list")
    assert checked.returncode == 0, checked
    assert checked.stdout.count(": OK") == result.lines
    told = subprocess.run(
        [
            "sha256sum",
            *(name for name in sorted(os.listdir(os.fsencode(roll))) if (roll / os.fsdecode(name)).is_file()),
        ],
        cwd=roll,
        capture_output=True,
        timeout=60,
        check=True,
    )
    written = set((station.top / "list").read_bytes().split(b"\n"))
    assert {line for line in told.stdout.split(b"\n") if line} <= written


def test_names_that_some_releases_of_xxhsum_cannot_read_are_said(tmp_path: Path) -> None:
    station = Station(tmp_path)
    fill(station.card, {"back\\slash.mov": 10})
    station.offload()
    assert kinds(write(station, station.one, "xxh128"), "warning") == {"odd-name"}
    assert kinds(write(station, station.one, "sha256", "other"), "warning") == set()


def test_a_missing_file_is_an_error_and_keeps_its_line_an_unknown_one_gets_none(station: Station) -> None:
    (station.roll(station.one) / "NOTES.TXT").unlink()
    (station.roll(station.one) / "extra.mov").write_bytes(b"who put this here")
    result = write(station, station.one)
    assert (kinds(result), kinds(result, "warning")) == ({"missing"}, {"unknown-file"})
    text = (station.top / "list").read_text()
    assert "NOTES.TXT" in text
    assert "extra.mov" not in text


def test_papers_that_cannot_be_relied_on_give_no_line(station: Station) -> None:
    (record,) = (station.roll(station.one) / "rollproof").glob("*.json")
    shutil.copy(record, record.with_name("0002_offload_2026-05-14T081502Z.json"))
    result = write(station, station.one)
    assert (result.verdict, result.out, result.lines) == ("not complete", None, 0)
    assert not (station.top / "list").exists()


def test_nothing_is_written_over_a_file_nor_into_a_roll_nor_for_c4(station: Station) -> None:
    (station.top / "list").write_text("mine")
    with pytest.raises(UsageProblem):
        write(station, station.one)
    assert (station.top / "list").read_text() == "mine"
    with pytest.raises(UsageProblem):
        write(station, station.one, out="primary/A003/list.xxh128")
    with pytest.raises(UsageProblem):
        write(station, station.one, "c4", "other")
    assert not (station.roll(station.one) / "list.xxh128").exists()


def test_a_folder_of_another_tool_is_listed_by_its_history_alone(station: Station) -> None:
    shutil.rmtree(station.roll(station.one) / "rollproof")
    result = write(station, station.one, "sha256")
    assert (result.verdict, result.lines) == ("complete", len(CLIPS))
    assert stock_check("sha256sum", station.one, station.top / "list").returncode == 0


# --- comparing with checksum files


def by_hand(folder: Path, algorithm: str = "md5", **extra: str) -> str:
    """A checksum file as somebody else's tool writes it."""
    listed = {
        name: hashlib.new(algorithm, content).hexdigest() for name, content in tree(folder).items() if "\n" not in name
    }
    return "".join(f"{digest}  {name}\n" for name, digest in {**listed, **extra}.items())


@pytest.mark.parametrize("algorithm", ["md5", "sha1", "sha256", "sha512"])
def test_a_folder_without_any_history_matches_the_list_that_came_with_it(tmp_path: Path, algorithm: str) -> None:
    station = Station(tmp_path)
    file = tmp_path / "from the other unit.txt"
    file.write_text(by_hand(station.card, algorithm))
    result = against(station, station.card, file)
    assert (result.verdict, result.files, result.findings) == ("matches", len(CLIPS), [])
    change_quietly(station.card / VICTIM)
    result = against(station, station.card, file)
    assert (result.verdict, result.differ, result.status) == ("does not match", [VICTIM], ExitStatus.ANSWER_IS_NO)


def test_what_xxhsum_and_the_tagged_form_say_is_compared(station: Station) -> None:
    roll = station.roll(station.one)
    for command in (["xxhsum", "-H2"], ["xxhsum", "-H1"], ["xxhsum", "-H3"], ["sha256sum", "--tag"]):
        if shutil.which(command[0]) is None:
            pytest.skip(f"{command[0]} is not installed")
        told = subprocess.run([*command, *CLIPS], cwd=roll, capture_output=True, timeout=60, check=True)
        (station.top / "told").write_bytes(told.stdout)
        result = against(station, roll, station.top / "told")
        assert (result.verdict, result.files) == ("matches", len(CLIPS)), command


def test_missing_files_and_files_not_named_are_told_apart(station: Station) -> None:
    file = station.top / "list.md5"
    file.write_text(by_hand(station.card, **{"CLIP/gone.mov": hashlib.md5(b"").hexdigest()}))
    (station.card / "extra.mov").write_bytes(b"who put this here")
    result = against(station, station.card, file)
    assert (result.verdict, result.missing, result.unknown) == ("does not match", ["CLIP/gone.mov"], ["extra.mov"])
    file.write_text(by_hand(station.card).replace(hashlib.md5(b"who put this here").hexdigest() + "  extra.mov\n", ""))
    assert against(station, station.card, file).verdict == "matches"
    assert against(station, station.card, file, strict=True).verdict == "does not match"


def test_a_name_that_leads_out_of_the_folder_is_a_finding_and_never_opened(station: Station) -> None:
    secret = station.top / "secret"
    secret.write_bytes(b"")
    file = station.top / "list.md5"
    file.write_text(by_hand(station.card) + f"{hashlib.md5(b'').hexdigest()}  ../secret\n")
    result = against(station, station.card, file)
    assert kinds(result) == {"path-escapes"}
    assert result.files == len(CLIPS)


def test_lines_that_are_none_make_the_answer_no_and_do_not_fill_the_memory(station: Station) -> None:
    file = station.top / "list.md5"
    file.write_text(by_hand(station.card) + "odd line\n" * 5_000)
    result = against(station, station.card, file)
    assert (result.verdict, result.differ, result.missing) == ("does not match", [], [])
    assert sum(finding.count for finding in result.findings) == 5_000
    assert len(result.findings) < 30


def test_two_hashes_for_one_file_that_contradict_each_other_do_not_match(station: Station) -> None:
    file = station.top / "list.md5"
    file.write_text(by_hand(station.card) + f"{hashlib.md5(b'else').hexdigest()}  {VICTIM}\n")
    assert against(station, station.card, file).differ == [VICTIM]


def test_a_checksum_file_that_is_none_is_wrong_usage(station: Station) -> None:
    (station.top / "picture").write_bytes(os.urandom(100) + b"\0")
    for wrong in (station.top / "gone", station.top / "picture", station.top):
        with pytest.raises(UsageProblem):
            against(station, station.card, wrong)


def test_the_list_of_a_whole_drive_lies_on_it_and_is_no_stranger_there(station: Station) -> None:
    write(station, station.one, "md5", "primary/drive.md5")
    result = against(station, station.one, station.one / "drive.md5", strict=True)
    assert (result.verdict, result.unknown) == ("matches", [])
