"""Records and manifests lie beside one copy: what was taken out of one is known to the other, whoever is asked."""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rollproof.ascmhl.model import Creator, Generation, Process
from rollproof.ascmhl.write import write_generation
from rollproof.models.audit_results import AuditResult
from rollproof.models.requests import AuditRequest, Cancel, HandoverRequest, ReceiveRequest, VerifyRequest
from rollproof.station.context import Context
from rollproof.workflows.audit import audit
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from rollproof.workflows.verify import verify
from support.loops import until
from workflows.station import SMALL
from workflows.test_may_wipe_alone import Table


@pytest.fixture
def table(tmp_path: Path) -> Table:
    """A roll on two drives, offloaded and verified once: two generations, two records on each."""
    made = Table(tmp_path)
    made.offload()
    assert made.verify(made.one, made.two).verdict == "proven"
    return made


def context(table: Table) -> Context:
    return Context.of(emit=lambda event: None, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL)


def audited(table: Table, *, reread: bool = False) -> AuditResult:
    paths = tuple(os.fsencode(drive.top) for drive in (table.one, table.two))
    ctx = context(table)
    return audit(AuditRequest(paths, reread=reread), ctx)


Said = tuple[str, set[str]]


def by_audit(table: Table) -> Said:
    result = audited(table)
    return result.verdict, {found.kind for found in result.findings if found.severity == "error"}


def by_verify(table: Table) -> Said:
    ctx = context(table)
    result = verify(VerifyRequest((os.fsencode(table.one.top),)), ctx)
    return result.verdict, {
        found.kind for copy in result.copies for found in copy.findings if found.severity == "error"
    }


def by_handover(table: Table) -> Said:
    ctx = context(table)
    result = handover(HandoverRequest(os.fsencode(table.one.top), "post house"), ctx)
    return result.verdict, {found.kind for found in result.findings if found.severity == "error"}


def by_receive(table: Table) -> Said:
    ctx = context(table)
    result = receive(ReceiveRequest(os.fsencode(table.one.top)), ctx)
    return result.verdict, {found.kind for found in result.findings if found.severity == "error"}


ASKED: list[Callable[[Table], Said]] = [by_audit, by_verify, by_handover, by_receive]


def history(table: Table) -> Path:
    return table.roll(table.one) / "ascmhl"


def drop_newest_manifest(table: Table) -> str:
    """The newest manifest and its entry in the chain, together: what is left is whole."""
    (newest,) = sorted(history(table).glob("*.mhl"))[-1:]
    newest.unlink()
    chain = history(table) / "ascmhl_chain.xml"
    text = chain.read_text()
    entries = re.findall(r"  <hashlist .*?</hashlist>\n", text, re.DOTALL)
    chain.write_text(text.replace(entries[-1], ""))
    return newest.name


@pytest.mark.parametrize("asked", ASKED)
def test_a_manifest_dropped_with_its_entry_in_the_chain_is_missed_by_the_records(
    table: Table, asked: Callable[[Table], Said]
) -> None:
    drop_newest_manifest(table)
    verdict, kinds = asked(table)
    assert verdict == ("not complete" if asked is by_audit else "not proven")
    assert kinds - {"too-few-copies"} == {"manifest-missing"}


def in_the_next_second() -> None:
    """A manifest is named by its second: what is written now has another name than what was dropped."""
    second = int(time.time())
    until(lambda: int(time.time()) > second)


def test_a_dropped_manifest_stays_an_error_whatever_is_verified_later(table: Table) -> None:
    name = drop_newest_manifest(table)
    for _ in range(2):
        in_the_next_second()
        assert by_verify(table) == ("not proven", {"manifest-missing"})
    (found,) = [each for each in audited(table).findings if each.kind == "manifest-missing"]
    assert found.path == name and "0002_verify" in found.detail


def test_a_generation_that_another_program_appended_is_no_error(table: Table) -> None:
    handle = table.io.open_root(os.fsencode(table.roll(table.one)))
    try:
        theirs = Generation(
            Process.IN_PLACE, datetime.now(UTC), Creator("elsewhere", "other", "1"), ("xxh128",), (), ()
        )
        write_generation(table.io, handle, b"A003", theirs)
    finally:
        table.io.close(handle)
    assert by_verify(table) == ("proven", set())
    assert by_audit(table) == ("complete", set())


def test_a_history_that_was_removed_as_a_whole_is_a_warning_for_everybody_also_after_it_was_begun_anew(
    table: Table,
) -> None:
    shutil.rmtree(history(table))
    for _ in range(2):
        in_the_next_second()
        assert by_handover(table)[1] == set()
        said = [found for found in audited(table).findings if found.kind == "manifest-missing"]
        assert [found.severity for found in said] == ["warning"]
        result = table.verify(table.one)
        assert result.verdict == "proven"
        told = [found for copy in result.copies for found in copy.findings if found.kind == "manifest-missing"]
        assert [found.severity for found in told] == ["warning"]


def test_a_record_names_the_manifest_that_was_written_with_it(table: Table) -> None:
    names = sorted(path.name for path in history(table).glob("*.mhl"))
    records = sorted((table.roll(table.one) / "rollproof").glob("*.json"))
    told = [json.loads(record.read_text())["manifest"] for record in records]
    assert [(each["name"], each["sequence"]) for each in told] == [(names[0], 1), (names[1], 2)]
    assert all(each["c4"] in (history(table) / "ascmhl_chain.xml").read_text() for each in told)


# --- deleted records

LOST = ("record-missing", "chain-broken")
"""The second where a record of the same second took the place, and the name, of the one that was deleted."""


def delete_records(table: Table, which: str) -> None:
    for path in (table.roll(table.one) / "rollproof").glob(f"{which}*"):
        path.unlink()


@pytest.mark.parametrize("which", ["0001", "0002", "000"], ids=["the first", "the newest", "all"])
@pytest.mark.parametrize("order", [(False, True, False), (True, True, False)], ids=["listed first", "read first"])
def test_deleted_records_get_one_answer_from_every_audit(table: Table, which: str, order: tuple[bool, ...]) -> None:
    delete_records(table, which)
    for reread in order:
        result = audited(table, reread=reread)
        said = [found for found in result.findings if found.severity == "error" and found.kind in LOST]
        assert (result.verdict, len(said)) == ("not complete", 2 if which == "000" else 1)
        assert not any(found.kind == "differs" for found in result.findings) or which == "0001"


def test_a_verify_tells_of_deleted_records_each_time(table: Table) -> None:
    delete_records(table, "0002")
    for _ in range(2):
        result = table.verify(table.one)
        (said,) = [found for copy in result.copies for found in copy.findings if found.kind in LOST]
        assert (said.severity, said.path[:11]) == ("warning", "0002_verify")


def test_a_roll_that_was_removed_and_offloaded_again_is_another_copy_that_lost_nothing(table: Table) -> None:
    shutil.rmtree(table.roll(table.one))
    table.offload(table.one)
    assert table.verify(table.one).verdict == "proven"
    assert by_audit(table) == ("complete", set())
