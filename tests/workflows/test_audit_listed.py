"""Audits of roll folders that only plain checksum files speak of: in the folder, beside it, at the top of a drive."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import xxhash

from audit.production import Made, ToShoot
from rollproof.models.audit_results import AuditResult
from rollproof.models.requests import AuditRequest, Cancel
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.workflows.audit import audit
from workflows.station import SMALL, change_quietly, tree

ROLL = ToShoot("A001", 1, "main")
SOUND = ToShoot("S001", 1, "main")
CLIP = "CLIP/A001C001.mov"


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Two rolls, proven on one drive; on the other somebody has left their files and nothing else."""
    production = Made(tmp_path / "drives", station_signer())
    production.top.mkdir()
    production.build((ROLL, SOUND))
    shutil.rmtree(production.top / "ARCHIVE")
    shutil.rmtree(production.top / "SHUTTLE")
    (production.top / "MAIN_2").rename(production.top / "ARCHIVE")  # no record knows of a copy there
    for roll in (ROLL, SOUND):
        for papers in ("rollproof", "ascmhl"):
            shutil.rmtree(production.at("ARCHIVE", roll) / papers)
        write_list(production.at("ARCHIVE", roll), roll.name + ".md5", hashlib.md5)
    return production


def write_list(folder: Path, name: str, algorithm: Callable[[bytes], object], below: str = "") -> Path:
    """A checksum file beside the files of `folder`, with their paths from there, `below` put before them."""
    lines = [
        f"{algorithm(path.read_bytes()).hexdigest()}  {below}{path.relative_to(folder)}\n"  # type: ignore[attr-defined]
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix != ".md5"
    ]
    (folder / name).write_text("".join(lines))
    return folder / name


def look(made: Made, *names: str, reread: bool = False) -> AuditResult:
    """An audit of these drives, of both where none is named."""
    paths = tuple(os.fsencode(made.top / name) for name in names or ("MAIN_1", "ARCHIVE"))
    return audit(
        AuditRequest(paths, reread=reread),
        Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, settings=SMALL),
    )


def on_other(result: AuditResult, roll: str = "A001") -> list[str]:
    """The states of a roll's copies on ARCHIVE."""
    drive = next(number for number, drive in enumerate(result.drives) if "ARCHIVE" in drive.path)
    return [copy.state for each in result.rolls if each.name == roll for copy in each.copies if copy.drive == drive]


def found(result: AuditResult, *severities: str) -> set[tuple[str, str]]:
    """Kind and severity of the findings."""
    return {
        (each.kind, each.severity)
        for each in result.findings
        if each.severity in (severities or ("error", "warning")) and each.kind != "no-permit"
    }


def test_it_is_listed_until_it_is_read_and_nothing_is_written(made: Made) -> None:
    before = tree(made.top / "ARCHIVE", own=True)
    result = look(made)
    assert on_other(result) == on_other(result, "S001") == ["listed"]
    assert {roll.copies_counted for roll in result.rolls} == {1}
    assert found(result) == {("too-few-copies", "error")}
    result = look(made, reread=True)
    assert on_other(result) == ["reread"]
    assert (result.verdict, found(result)) == ("complete", set())
    assert tree(made.top / "ARCHIVE", own=True) == before


def test_another_byte_is_found_by_reading_only(made: Made) -> None:
    change_quietly(made.at("ARCHIVE", ROLL) / CLIP, at=3)
    assert on_other(look(made)) == ["listed"]
    result = look(made, reread=True)
    assert on_other(result) == ["damaged"]
    assert ("differs", "error") in found(result)


def test_a_file_that_is_gone_and_one_that_is_in_no_list_are_told(made: Made) -> None:
    (made.at("ARCHIVE", ROLL) / CLIP).unlink()
    (made.at("ARCHIVE", SOUND) / "CLIP/extra.wav").write_bytes(b"extra")
    result = look(made)
    assert on_other(result) == ["incomplete"]
    assert found(result) >= {("missing", "error"), ("unknown-file", "warning")}
    result = look(made, reread=True)
    assert on_other(result) == ["incomplete"]
    assert on_other(result, "S001") == ["listed"]  # not everything in it could be compared


def test_a_shared_algorithm_shows_another_content_without_reading(made: Made) -> None:
    folder = made.at("ARCHIVE", ROLL)
    (folder / "A001.md5").unlink()
    listed = write_list(folder, "A001.xxhash", xxhash.xxh3_128)
    assert found(look(made)) == {("too-few-copies", "error")}
    lines = listed.read_text().split("\n")
    listed.write_text("\n".join(["0" * 32 + lines[0][32:], *lines[1:]]))
    assert ("copies-disagree", "error") in found(look(made))


@pytest.mark.parametrize(
    ("place", "begins"),
    [("..", "A001/"), ("..", ""), (".", "A001/"), ("../../..", f"{ROLL.folder}/")],
    ids=["beside", "beside, by the name", "inside, from above", "top of the drive"],
)
def test_a_list_is_found_wherever_its_paths_begin(made: Made, place: str, begins: str) -> None:
    folder = made.at("ARCHIVE", ROLL)
    (folder / "A001.md5").unlink()
    listed = write_list(folder, "A001.sha256", hashlib.sha256, begins)
    listed.rename(folder / place / "A001.sha256")
    result = look(made, reread=True)
    assert on_other(result) == ["reread"]
    assert found(result) == set()


def test_a_roll_folder_named_by_itself_is_a_roll(made: Made) -> None:
    result = look(made, f"ARCHIVE/{ROLL.folder}", reread=True)
    assert [(roll.name, roll.copies_counted) for roll in result.rolls] == [("A001", 1)]


def test_a_whole_folder_that_a_list_names_and_that_is_gone_is_missing(made: Made) -> None:
    folder = made.at("ARCHIVE", ROLL)
    write_list(folder.parent, "day.sha256", hashlib.sha256)
    shutil.rmtree(folder)
    result = look(made)
    assert any(each.kind == "missing" and "A001" in each.path for each in result.findings)


def test_a_line_that_leads_out_of_the_folder_is_an_error_and_a_list_of_nothing_a_stranger(made: Made) -> None:
    (made.top / "ARCHIVE" / "notes.md5").write_text("not a list\n")
    with (made.at("ARCHIVE", ROLL) / "A001.md5").open("a") as listed:
        listed.write("0" * 32 + "  ../../../../etc/passwd\n")
    result = look(made, reread=True)
    assert ("path-escapes", "error") in found(result)
    assert any(each.path == "notes.md5" and each.topic == "strangers" for each in result.findings)


def test_a_list_that_is_no_text_is_told(made: Made) -> None:
    listed = made.at("ARCHIVE", ROLL) / "A001.md5"
    listed.write_bytes(b"\0" * 100)
    result = look(made, reread=True)
    assert on_other(result) == ["no record"]
    assert ("bad-manifest", "warning") in found(result)
