"""A history of the open standard beside our records: what a kill leaves, and what somebody took out, told apart."""

from __future__ import annotations

import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from rollproof.models.results import VerifyResult
from rollproof.workflows.offload import roll
from workflows.station import Station


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Station:
    """A roll that was offloaded an hour ago: no verify of now writes a manifest of the same name."""
    made = Station(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(roll, "local_now", lambda: datetime.now().astimezone() - timedelta(hours=1))
        made.offload()
    return made


def chain(station: Station) -> Path:
    return station.roll(station.one) / "ascmhl" / "ascmhl_chain.xml"


def drop_newest_entry(station: Station) -> None:
    text = chain(station).read_text()
    entries = re.findall(r"  <hashlist .*?</hashlist>\n", text, re.DOTALL)
    assert len(entries) > 1
    chain(station).write_text(text.replace(entries[-1], ""))


def forget_newest_record(station: Station) -> None:
    """As if the run had been killed before it wrote its record."""
    (newest,) = sorted((station.roll(station.one) / "rollproof").glob("*_verify_*.json"))[-1:]
    newest.unlink()
    newest.with_name(newest.name + ".sig").unlink()


def said(result: VerifyResult, kind: str) -> list[tuple[str, str]]:
    return [(found.severity, found.detail) for copy in result.copies for found in copy.findings if found.kind == kind]


def test_a_verify_killed_between_its_manifest_and_the_chain_is_a_warning_and_the_next_one_clean(
    station: Station,
) -> None:
    station.verify(station.one)
    drop_newest_entry(station)
    forget_newest_record(station)
    result = station.verify(station.one)
    assert station.kinds(result) == set()
    assert said(result, "manifest-not-in-chain")
    assert said(station.verify(station.one), "manifest-not-in-chain") == []


def test_a_chain_whose_newest_entry_was_taken_out_is_an_error_where_a_record_knows_the_run_that_ended(
    station: Station,
) -> None:
    station.verify(station.one)
    drop_newest_entry(station)
    result = station.verify(station.one)
    assert result.verdict == "not proven"
    assert station.kinds(result) == {"manifest-not-in-chain"}
    assert any("taken out" in detail for _, detail in said(result, "manifest-not-in-chain"))


def test_a_verify_killed_before_the_first_chain_of_a_history_says_so_and_the_next_one_is_clean(
    station: Station,
) -> None:
    shutil.rmtree(chain(station).parent)
    station.verify(station.one)
    chain(station).unlink()
    forget_newest_record(station)
    result = station.verify(station.one)
    assert station.kinds(result) == set()
    assert any("verify was interrupted" in detail for _, detail in said(result, "manifest-not-in-chain"))
    assert chain(station).exists()
    again = station.verify(station.one)
    assert station.kinds(again) == set()
    assert said(again, "manifest-not-in-chain") == []


def test_an_offload_takes_such_a_history_for_no_damage(station: Station) -> None:
    shutil.rmtree(chain(station).parent)
    station.verify(station.one)
    chain(station).unlink()
    forget_newest_record(station)
    assert station.offload().verdict != "refused"


@pytest.mark.parametrize("when", ["after the offload", "after a verify that ended"])
def test_a_chain_that_somebody_deleted_is_no_interrupted_run(station: Station, when: str) -> None:
    if when == "after a verify that ended":
        shutil.rmtree(chain(station).parent)
        station.verify(station.one)
    chain(station).unlink()
    result = station.verify(station.one)
    assert result.verdict == "not proven"
    assert "chain-broken" in station.kinds(result)
