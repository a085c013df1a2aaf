"""`rollproof looked-at`: the word of a person, on every attached copy, and what it changes: nothing about bytes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.running import run_line
from rollproof.records.chain import read_chain
from rollproof.records.models import LookedHeader
from rollproof.storage.system import system_io
from support.devices import Devices, Drive
from support.trees import Blob, build

pytestmark = pytest.mark.device

_BY = ("--by", "Assistant editor", "--role", "assistant editor")


@pytest.fixture
def kit(devices: Devices) -> tuple[Drive, Drive, Drive]:
    card, one, two = (devices.image("ext4", name=name) for name in ("A003", "primary", "backup"))
    (card.mount / "lost+found").rmdir()
    build(card.mount, {"CLIPS/A003C001.bin": Blob(70_000, seed=1)})
    ran = run_line("offload", str(card.mount), "--to", str(one.mount), "--to", str(two.mount), "--roll", "A003")
    assert ran.status == 0, ran.out
    return card, one, two


def _words(drive: Drive) -> list[LookedHeader]:
    io = system_io()
    handle = io.open_root(bytes(drive.mount / "A003"))
    try:
        chain = read_chain(io, handle)
    finally:
        io.close(handle)
    assert chain.whole, chain.findings
    return [link.header for link in chain.links if isinstance(link.header, LookedHeader)]


def test_the_word_of_a_person_lies_on_every_attached_copy_and_changes_no_proof(kit: tuple[Drive, Drive, Drive]) -> None:
    card, one, two = kit
    ran = run_line("looked-at", "A003", *_BY, "--note", "C001 soft at the end")
    assert (ran.status, ran.last_line) == (0, "RECORDED: on 2 copies: the pictures were looked at.")
    for drive in (one, two):
        (word,) = _words(drive)
        assert (word.format, word.by.name, word.note) == (
            "rollproof-record/2", "Assistant editor", "C001 soft at the end",
        )  # fmt: skip
    assert run_line("verify", str(one.mount), str(two.mount)).status == 0
    assert run_line("audit", str(one.mount), str(two.mount)).status in (0, 1)
    assert run_line("may-wipe", str(card.mount), "--by", "Station A").status == 0


def test_it_is_shown_in_rolls_in_the_report_and_on_the_handover_sheet(
    kit: tuple[Drive, Drive, Drive], tmp_path: Path
) -> None:
    _, one, two = kit
    assert "looked at by" not in run_line("rolls").out
    run_line("looked-at", "A003", *_BY, "--note", "C001 soft at the end")
    assert "pictures looked at by Assistant editor" in run_line("rolls").out
    assert "C001 soft at the end" in run_line("rolls", "A003").out
    assert json.loads(run_line("rolls", "--json").out)["rolls"][0]["looked_at"]["by"] == "Assistant editor"

    out = tmp_path / "report"
    out.mkdir()
    assert run_line("report", str(one.mount), "--production", "--no-posters", "--out", str(out)).status in (0, 1)
    (page,) = out.rglob("*.html")
    told = page.read_text().partition("Pictures looked at ")[2]
    assert "Assistant editor" in told[:200]
    assert "C001 soft at the end" in told[:200]

    sheet = tmp_path / "sheet.html"
    run_line("handover", str(two.mount), "--to", "post house", "--by", "Station A", "--sheet", str(sheet))
    assert "pictures looked at by Assistant editor" in sheet.read_text()


def test_an_absent_copy_is_named_and_a_roll_without_an_attached_copy_is_not_recorded(
    kit: tuple[Drive, Drive, Drive],
) -> None:
    _, one, two = kit
    two.unplug()
    ran = run_line("looked-at", "A003", *_BY)
    assert ran.status == 0
    assert "the copy on backup is not attached" in ran.out
    assert len(_words(one)) == 1
    one.unplug()
    ran = run_line("looked-at", "A003", *_BY)
    assert ran.status == 1
    assert "no copy of roll A003 is attached" in ran.out
    assert ran.last_line.startswith("NOT RECORDED")


def test_a_rebuilt_ledger_knows_it_again_from_the_drives(kit: tuple[Drive, Drive, Drive], station_home: Path) -> None:
    _, one, two = kit
    run_line("looked-at", "A003", *_BY)
    for left in station_home.glob("ledger*"):
        left.unlink()
    assert run_line("ledger", "rebuild", str(one.mount), str(two.mount)).status == 0
    assert "pictures looked at by Assistant editor" in run_line("rolls").out


def test_a_copy_that_was_not_finished_or_whose_records_are_changed_gets_no_record(
    kit: tuple[Drive, Drive, Drive],
) -> None:
    _, one, two = kit
    record = next((one.mount / "A003/rollproof").glob("0001_offload_*.json"))
    record.write_bytes(record.read_bytes()[:-30])
    ran = run_line("looked-at", "A003", *_BY)
    assert ran.status == 1
    assert "its records are not whole" in ran.out
    assert len(_words(two)) == 1


def test_without_a_name_or_with_an_unknown_roll_nothing_is_written(kit: tuple[Drive, Drive, Drive]) -> None:
    assert run_line("looked-at", "A003").status == 2
    assert run_line("looked-at", "A003", "A009", *_BY).status == 2
    assert _words(kit[1]) == []
