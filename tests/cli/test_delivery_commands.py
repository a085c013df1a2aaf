"""`checksums`, `packing-list`, `verify --against`, the packing list of an arrival: with stand-ins for the workflows."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.results import a_finding, gives
from cli.running import run_line
from cli.test_custody_commands import a_receive
from rollproof.models.delivery_results import (
    AgainstResult,
    ChecksumRoll,
    ChecksumsResult,
    PackedCompared,
    PackedRoll,
    PackingCheck,
    PackingListResult,
)
from rollproof.models.errors import ExitStatus
from rollproof.models.requests import AgainstRequest, ChecksumsRequest, PackingListRequest, Person
from rollproof.station.context import Context


def a_list(**changes: Any) -> ChecksumsResult:
    """A checksum file over one roll, all of it recorded."""
    roll = ChecksumRoll(roll="A003", path="/mnt/s/A003", recorded=412, read=0, left_out=0, bytes=1)
    result = ChecksumsResult(
        verdict="complete", out="/home/A003.md5", algorithm="md5", lines=412, folder="/mnt/s", check="md5sum -c",
        rolls=[roll], findings=[], seconds=0.1, status=ExitStatus.DONE,
    )  # fmt: skip
    return result.model_copy(update=changes)


def a_match(**changes: Any) -> AgainstResult:
    """A folder that is as its list says."""
    result = AgainstResult(
        verdict="matches", path="/mnt/s", against="reel.md5", algorithms=["md5"], files=7, bytes=9, readback="medium",
        differ=[], missing=[], unknown=[], not_compared=[], findings=[], seconds=0.1, status=ExitStatus.DONE,
    )  # fmt: skip
    return result.model_copy(update=changes)


def a_packing_list(**changes: Any) -> PackingListResult:
    """One roll, listed."""
    roll = PackedRoll(roll="A003", paths=["/mnt/s/A003"], production=None, files=3, bytes=9, manifest="0001_A003.mhl")
    result = PackingListResult(
        verdict="complete", out="list", collection="ascmhl_collection.xml", rolls=[roll], findings=[], seconds=0.1,
        status=ExitStatus.DONE,
    )  # fmt: skip
    return result.model_copy(update=changes)


def notes(result: Any, seen: list[Any]) -> Any:
    """A workflow that returns this, and keeps what it was asked."""

    def workflow(request: Any, _ctx: Context, **_seams: Any) -> Any:
        seen.append(request)
        return result

    return workflow


BAD: dict[str, Any] = {"findings": [a_finding()], "status": ExitStatus.ANSWER_IS_NO}


def test_checksums_passes_on_what_was_asked_and_ends_with_the_verdict() -> None:
    seen: list[ChecksumsRequest] = []
    line = ("checksums", "/mnt/s", "--hash", "MD5", "--out", "A003.md5")
    ran = run_line(*line, checksums=notes(a_list(), seen))
    assert seen == [ChecksumsRequest(b"/mnt/s", "md5", b"A003.md5")]
    assert ran.status == 0
    assert ran.last_line.startswith("WRITTEN:")
    assert "cd /mnt/s && md5sum -c /home/A003.md5" in ran.out
    ran = run_line(*line, checksums=gives(a_list(verdict="not complete", **BAD)))
    assert (ran.status, ran.last_line.split(":")[0]) == (1, "WRITTEN, NOT COMPLETE")
    ran = run_line(*line, checksums=gives(a_list(verdict="not complete", out=None, **BAD)))
    assert (ran.status, ran.last_line.split(":")[0]) == (1, "NOT WRITTEN")


def test_verify_against_a_file_compares_one_folder_with_it() -> None:
    seen: list[AgainstRequest] = []
    line = ("verify", "/mnt/s", "--against", "reel.md5")
    ran = run_line(*line, "--strict", verify_against=notes(a_match(), seen))
    assert seen == [AgainstRequest(b"/mnt/s", b"reel.md5", True)]
    assert (ran.status, ran.last_line.split(":")[0]) == (0, "MATCHES")
    ran = run_line(*line, verify_against=gives(a_match(verdict="does not match", differ=["x"], **BAD)))
    assert (ran.status, ran.last_line.split(":")[0]) == (1, "DOES NOT MATCH")
    assert "1 of 7 files" in ran.last_line


@pytest.mark.parametrize("more", [["/mnt/other"], ["--add-hash", "md5"]])
def test_verify_against_takes_one_folder_and_appends_nothing(more: list[str]) -> None:
    assert run_line("verify", "/mnt/s", *more, "--against", "reel.md5", verify_against=gives(a_match())).status == 2


def test_packing_list_passes_on_what_was_asked_and_ends_with_the_verdict() -> None:
    seen: list[PackingListRequest] = []
    line = ("packing-list", "/mnt/a", "/mnt/b", "--out", "list")
    ran = run_line(*line, "--by", "the wrangler", packing_list=notes(a_packing_list(), seen))
    assert seen == [PackingListRequest((b"/mnt/a", b"/mnt/b"), b"list", Person("the wrangler", ""))]
    assert (ran.status, ran.last_line.split(":")[0]) == (0, "PACKING LIST WRITTEN")
    ran = run_line(*line, packing_list=gives(a_packing_list(verdict="not complete", **BAD)))
    assert (ran.status, ran.last_line.split(":")[0]) == (1, "WRITTEN, NOT COMPLETE")


def test_an_arrival_that_is_not_as_listed_says_so_in_the_table_and_in_the_verdict() -> None:
    same = PackedCompared(manifest="1.mhl", roll="A003", path=None, files=3, state="same", differ=0, missing=0, added=0)
    lines = [
        same,
        same.model_copy(update={"roll": "A004", "state": "differs", "differ": 2}),
        same.model_copy(update={"roll": "A005", "state": "missing"}),
    ]
    check = PackingCheck(folder="list", same=False, lists=lines, added=["A006"])
    ran = run_line(
        "receive", "/mnt/s", "--packing-list", "list", receive=gives(a_receive(packing=check, verdict="not proven"))
    )
    for words in ("as listed", "NOT AS LISTED  2 differ", "NOT ON THIS DRIVE", "IN NO LIST"):
        assert words in ran.out
    assert "not what the packing list says" in ran.last_line


@pytest.mark.parametrize("name", NAMES)
def test_no_name_can_act_on_the_screen(name: str) -> None:
    finding = a_finding(path=name, detail=name)
    roll = ChecksumRoll(roll=name, path=name, recorded=1, read=0, left_out=1, bytes=1)
    packed = PackedRoll(roll=name, paths=[name], production=name, files=3, bytes=9, manifest=None)
    for ran in (
        run_line(
            "checksums", "/m", "--hash", "md5", "--out", "x",
            checksums=gives(a_list(out=name, folder=name, rolls=[roll], findings=[finding])),
        ),
        run_line(
            "verify", "/m", "--against", "x",
            verify_against=gives(a_match(path=name, against=name, differ=[name], unknown=[name], findings=[finding])),
        ),
        run_line("packing-list", "/m", "--out", "x", packing_list=gives(a_packing_list(out=name, rolls=[packed]))),
    ):  # fmt: skip
        assert not alive(ran.out, terminal=False)


def test_each_answers_with_one_json_object() -> None:
    for ran in (
        run_line("checksums", "/m", "--hash", "md5", "--out", "x", "--json", checksums=gives(a_list())),
        run_line("verify", "/m", "--against", "x", "--json", verify_against=gives(a_match())),
        run_line("packing-list", "/m", "--out", "x", "--json", packing_list=gives(a_packing_list())),
    ):
        assert json.loads(ran.out)["verdict"] in ("complete", "matches")
