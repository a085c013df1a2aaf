"""The chain of custody as a timeline: every link whole and signed, or what is wrong with it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from rollproof.models.custody_results import CustodyChain, CustodyResult
from rollproof.models.errors import ExitStatus, Refused, UsageProblem
from rollproof.models.requests import Cancel, HandoverRequest, ReceiveRequest
from rollproof.station.context import Context
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from rollproof.workflows.custody.timeline import custody, trust
from workflows.station import SMALL, Station


@pytest.fixture
def station(tmp_path: Path) -> Station:
    """A roll on two drives; the first was handed over and verified before."""
    made = Station(tmp_path)
    assert made.offload().verdict == "proven"
    made.verify(made.one)
    hand_over(made)
    return made


def hand_over(station: Station) -> None:
    """The first drive leaves."""
    handover(
        HandoverRequest(os.fsencode(station.one), "post house"), Context.of(emit=print, cancel=Cancel(), settings=SMALL)
    )


def look(path: Path) -> CustodyResult:
    """What the records say at a path."""
    return custody(os.fsencode(path), Context.of())


def kinds(result: CustodyResult, severity: str = "error") -> set[str]:
    """Kinds of findings of a severity, wherever they stand."""
    found = [*result.findings, *(finding for chain in result.chains for finding in chain.findings)]
    return {finding.kind for finding in found if finding.severity == severity}


def roll_chain(result: CustodyResult) -> CustodyChain:
    """The one roll's chain."""
    (chain,) = [chain for chain in result.chains if chain.of == "roll"]
    return chain


def records(station: Station) -> list[Path]:
    """The records of the roll on the first drive."""
    return sorted((station.roll(station.one) / "rollproof").glob("*.json"))


def test_every_record_of_a_drive_is_a_link_that_says_who_what_and_by_whom_signed(station: Station) -> None:
    result = look(station.one)
    assert (result.verdict, result.status) == ("whole", ExitStatus.DONE)
    assert [(chain.of, [link.kind for link in chain.links]) for chain in result.chains] == [
        ("drive", ["handover"]),
        ("roll", ["offload", "verify"]),
    ]
    for chain in result.chains:
        for link in chain.links:
            assert link.state == "whole"
            assert link.signature is not None
            assert (link.signature.state, link.signature.name) == ("good", "this station")


@pytest.mark.parametrize("inside", [False, True])
def test_one_roll_is_shown_with_the_handovers_of_the_drive_it_lies_on(station: Station, inside: bool) -> None:
    path = station.roll(station.one)
    if inside:
        day = station.one / "day" / "unit"
        day.mkdir(parents=True)
        path = path.rename(day / "A003")
        shutil.rmtree(station.one / "rollproof")
        hand_over(station)
    result = look(path)
    assert [chain.of for chain in result.chains] == ["drive", "roll"]
    assert result.verdict == "whole"


def test_a_roll_of_a_drive_that_was_never_handed_over_stands_for_itself(station: Station) -> None:
    result = look(station.roll(station.two))
    assert [chain.of for chain in result.chains] == ["roll"]


def test_looking_writes_nothing(station: Station) -> None:
    before = {path: path.stat().st_mtime_ns for path in station.top.rglob("*")}
    look(station.one)
    assert {path: path.stat().st_mtime_ns for path in station.top.rglob("*")} == before


def test_another_station_finds_unknown_keys_until_somebody_names_them(
    station: Station, station_home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = tmp_path / "other"
    monkeypatch.setenv("ROLLPROOF_HOME", str(other))
    result = look(station.one)
    assert (result.verdict, kinds(result, "note")) == ("whole", {"signer-unknown"})
    assert not other.exists()
    named = trust(os.fsencode(station_home / "station_key.pub"), "camera cart")
    assert (named.name, named.new) == ("camera cart", True)
    signature = roll_chain(look(station.one)).links[0].signature
    assert signature is not None
    assert (signature.state, signature.name, signature.known_since[:2]) == ("good", "camera cart", "20")
    assert trust(os.fsencode(station_home / "station_key.pub"), "camera cart").new is False
    with pytest.raises(UsageProblem):
        trust(os.fsencode(station_home / "station_key"), "camera cart")


def _change(paths: list[Path]) -> None:
    paths[-1].write_bytes(paths[-1].read_bytes().replace(b'"differ": 0', b'"differ": 1'))


def _change_first(paths: list[Path]) -> None:
    paths[0].write_bytes(paths[0].read_bytes().replace(b"A003C001", b"A003C009"))


def _drop_first(paths: list[Path]) -> None:
    paths[0].unlink()


def _drop_newest(paths: list[Path]) -> None:
    paths[-1].unlink()
    Path(f"{paths[-1]}.sig").unlink()


def _drop_newest_and_leave_its_signature(paths: list[Path]) -> None:
    paths[-1].unlink()


def _swap(paths: list[Path]) -> None:
    one, two = (path.read_bytes() for path in paths)
    paths[0].write_bytes(two)
    paths[1].write_bytes(one)


def _swap_signatures(paths: list[Path]) -> None:
    one, two = (Path(f"{path}.sig") for path in paths)
    first, second = one.read_bytes(), two.read_bytes()
    one.write_bytes(second)
    two.write_bytes(first)


def _copy_signature(paths: list[Path]) -> None:
    shutil.copy(f"{paths[0]}.sig", f"{paths[1]}.sig")


def _spoil_signature(paths: list[Path]) -> None:
    Path(f"{paths[0]}.sig").write_bytes(b"none")


@pytest.mark.parametrize(
    ("harm", "kind"),
    [
        (_change, "signature-wrong"),
        (_change_first, "chain-broken"),
        (_drop_first, "record-missing"),
        (_drop_newest, "record-missing"),
        (_drop_newest_and_leave_its_signature, "record-missing"),
        (_swap, "chain-broken"),
        (_swap_signatures, "signature-wrong"),
        (_copy_signature, "signature-wrong"),
        (_spoil_signature, "signature-wrong"),
    ],
)
def test_whatever_is_done_to_the_records_breaks_the_chain_visibly(
    station: Station, harm: Callable[[list[Path]], None], kind: str
) -> None:
    harm(records(station))
    for path in (station.one, station.roll(station.one)):
        result = look(path)
        assert (result.verdict, result.status) == ("not whole", ExitStatus.ANSWER_IS_NO)
        assert kind in kinds(result)
        assert not roll_chain(result).whole


def test_a_newest_record_that_is_gone_is_remembered_by_the_handover_alone(station: Station) -> None:
    _drop_newest(records(station))
    assert kinds(look(station.one)) == {"record-missing"}
    shutil.rmtree(station.one / "rollproof")
    assert look(station.one).verdict == "whole"


def test_a_signature_left_without_its_record_is_told_without_any_handover(station: Station) -> None:
    shutil.rmtree(station.one / "rollproof")
    _drop_newest_and_leave_its_signature(records(station))
    assert kinds(look(station.one)) == {"record-missing"}


def test_records_without_signatures_are_whole_with_a_note(station: Station) -> None:
    for path in station.one.rglob("*.sig"):
        path.unlink()
    result = look(station.one)
    assert (result.verdict, kinds(result, "note")) == ("whole", {"not-signed"})


def test_a_key_that_is_open_to_others_is_a_warning_and_nobodys_signature_becomes_wrong(
    station: Station, station_home: Path
) -> None:
    (station_home / "station_key").chmod(0o644)
    result = look(station.one)
    assert result.verdict == "whole"
    assert kinds(result, "warning") == {"could-not-sign"}


def test_a_handover_record_that_contradicts_itself_is_an_error(station: Station) -> None:
    (path,) = (station.one / "rollproof").glob("*.json")
    Path(f"{path}.sig").unlink()
    path.write_text(path.read_text().replace('"folder": "A003"', '"folder": "A004"'))
    assert "bad-record" in kinds(look(station.one))


@pytest.mark.path
def test_a_whole_way_there_is_one_timeline(station: Station) -> None:
    receive(ReceiveRequest(os.fsencode(station.one)), Context.of(emit=print, cancel=Cancel(), settings=SMALL))
    result = look(station.one)
    assert [link.kind for link in result.chains[0].links] == ["handover", "receive"]
    assert "receipt" in result.chains[0].links[1].what
    assert result.verdict == "whole"


def test_a_path_without_records_and_a_path_that_is_not_there_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    result = look(tmp_path / "empty")
    assert (kinds(result), result.status) == ({"no-history"}, ExitStatus.ANSWER_IS_NO)
    with pytest.raises(Refused):
        look(tmp_path / "nowhere")
