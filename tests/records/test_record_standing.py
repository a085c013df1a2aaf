"""What the records say of a copy: each row of the truth table in `records.standing`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest

from records.samples import ROLL, Roll, card, drive, offload_header, row, rows, verify_header, withdraw_header
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.volumes import Device, Evidence, Volume
from rollproof.records.blocks import copy_block, same_device, source_block
from rollproof.records.chain import read_chain
from rollproof.records.models import (
    Counted,
    HandoverHeader,
    PermitHeader,
    Policy,
    ReceiveHeader,
    Totals,
    finding_blocks,
)
from rollproof.records.standing import Standing, standing

CACHE = Evidence.CACHE
MEDIUM = Evidence.MEDIUM
SERVER = Evidence.SERVER
CLONE = drive("clone", serial="uuid-primary")


def _now(roll: Roll, volume: Volume | None = None, accepted: set[Evidence] | None = None) -> Standing:
    chain = read_chain(roll.io, roll.handle)
    return standing(roll.io, roll.handle, chain, volume or drive(), accepted=accepted)


def _differs() -> Finding:
    return Finding(Kind.READBACK_DIFFERS, Severity.ERROR, ROLL[0], "the medium holds other bytes")


def _offload(roll: Roll, **how: object) -> None:
    roll.offload(*rows(*ROLL), **how)  # type: ignore[arg-type]


def _offload_copied(roll: Roll, **how: object) -> None:
    roll.offload(*rows(*ROLL, proven=False), state="copied", **how)  # type: ignore[arg-type]


def _verify(roll: Roll, volume: Volume | None = None, **how: object) -> None:
    roll.append(verify_header(volume, **how))  # type: ignore[arg-type]


def _receive(roll: Roll, *, clean: bool) -> None:
    copy = copy_block(drive(), drive="primary", role="primary", state="proven", readback=MEDIUM)
    roll.append(
        ReceiveHeader(
            production="The Bell Foundry",
            roll="A003",
            copy_=copy,
            verdict="proven" if clean else "not proven",
            totals=Totals(files=len(ROLL), bytes=15),
            receipt="K7",
        )
    )


def _permit(roll: Roll) -> None:
    copy = copy_block(drive(), drive="primary", role="primary", state="proven", readback=MEDIUM)
    header = offload_header()
    roll.append(
        PermitHeader(
            production="The Bell Foundry",
            roll="A003",
            basis="reread",
            source=header.source,
            policy=Policy(),
            counted=(Counted(copy_=copy, attached=True, seen_at=header.written_at),),
            totals=Totals(files=3, bytes=15),
        )
    )


def _handover(roll: Roll) -> None:
    roll.append(
        HandoverHeader(
            production="The Bell Foundry",
            roll="A003",
            to="post house",
            checked="quick",
            totals=Totals(files=3, bytes=15),
            receipt="K7",
        )
    )


def _withdraw(roll: Roll, kind: str) -> None:
    written = roll.append(verify_header())
    roll.append(withdraw_header(written, kind))


@dataclass(frozen=True)
class Case:
    """Records in order, and what they say."""

    records: tuple[Callable[[Roll], object], ...]
    state: str
    why: str = ""
    volume: Volume | None = None
    proven_record: str = ""
    readback: Evidence | None = None
    matches: bool = True


TWO_LATER = rows("LATER/A003C003.mov", "LATER/A003C004.mov")

CASES: dict[str, Case] = {
    # --- one offload
    "offload proven on this device": Case(
        (_offload,), "proven", "Proven by 0001", proven_record="0001_offload_2026-05-14T081502Z.json", readback=MEDIUM
    ),
    "no records": Case((), "unproven", "no record of an offload", matches=False),
    "only a verify": Case((_verify,), "unproven", "no record of an offload"),
    "only a verify that failed": Case((lambda r: _verify(r, clean=False),), "unproven", "not as recorded"),
    "only a verify that failed, and a clean one after it": Case(
        (lambda r: _verify(r, clean=False), _verify), "unproven", "no record of an offload"
    ),
    "only a verify that failed, and a clean one by way of a cache": Case(
        (lambda r: _verify(r, clean=False), lambda r: _verify(r, readback=CACHE)), "unproven", "not as recorded"
    ),
    "offload read back from a cache": Case((lambda r: _offload_copied(r, readback=CACHE),), "copied", "cache"),
    "offload that claims proof from a cache": Case((lambda r: _offload(r, readback=CACHE),), "copied", "cache"),
    "offload not read back": Case((lambda r: _offload_copied(r, readback=None),), "copied", "not read back"),
    "offload read back by a server": Case((lambda r: _offload(r, readback=SERVER),), "proven", readback=SERVER),
    "offload with one source pass": Case(
        (lambda r: _offload_copied(r, reads=(MEDIUM,)),), "copied", "not read twice from the medium"
    ),
    "offload that claims proof from one source pass": Case(
        (lambda r: _offload(r, reads=(MEDIUM,)),), "copied", "not read twice"
    ),
    "offload whose second pass came from a cache": Case(
        (lambda r: _offload(r, reads=(MEDIUM, CACHE)),), "copied", "not read twice"
    ),
    "offload whose passes were answered by a server": Case(
        (lambda r: _offload(r, reads=(SERVER, SERVER)),), "copied", "not read twice"
    ),
    "offload whose passes by a server the production accepts": Case(
        (lambda r: _offload(r, reads=(SERVER, MEDIUM), policy=Policy(accepted_source_evidence=(MEDIUM, SERVER))),),
        "proven",
        readback=MEDIUM,
    ),
    "offload with some rows copied": Case(
        (lambda r: r.offload(row("a"), row("b", proven=False), state="copied"),), "copied", "no proof"
    ),
    "offload with an unfinished row": Case(
        (lambda r: r.offload(row("a"), row("b", proven=False, state="failed"), state="copied"),),
        "unproven",
        "not finished",
    ),
    "offload that failed": Case((lambda r: _offload(r, state="failed"),), "unproven", "did not finish"),
    "offload that was interrupted": Case((lambda r: _offload(r, state="incomplete"),), "unproven", "did not finish"),
    "offload whose read-back differed": Case(
        (lambda r: _offload(r, findings=finding_blocks([_differs()])),), "unproven", "not what was written"
    ),
    "offload where a sibling's read-back differed": Case(
        (lambda r: _offload(r, findings=finding_blocks([replace(_differs(), drive="backup")])),),
        "proven",
        readback=MEDIUM,
    ),
    # --- another device
    "the folder was dragged to another drive": Case(
        (_offload,), "unproven", "another device", drive("backup"), matches=False
    ),
    "the drive was cloned with its volume serial": Case(
        (_offload,), "unproven", "another device", CLONE, matches=False
    ),
    "the drive was formatted and the folder restored": Case(
        (_offload,), "unproven", "another device", replace(drive(), serial="uuid-new"), matches=False
    ),
    "dragged, and verified there": Case(
        (_offload, lambda r: _verify(r, drive("backup"))),
        "proven",
        "0002",
        drive("backup"),
        proven_record="0002_verify_2026-05-14T081502Z.json",
        readback=MEDIUM,
    ),
    "dragged, verified there, and found on the first drive": Case(
        (_offload, lambda r: _verify(r, drive("backup"))), "unproven", "another device", matches=False
    ),
    "dragged there and back, verified on both": Case(
        (_offload, lambda r: _verify(r, drive("backup")), _verify), "proven", readback=MEDIUM
    ),
    "dragged, and verified there from a cache": Case(
        (_offload, lambda r: _verify(r, drive("backup"), readback=CACHE)), "unproven", "another device", drive("backup")
    ),
    # --- verify
    "copied, then a clean verify": Case(
        (lambda r: _offload_copied(r, readback=CACHE), _verify), "proven", "0002", readback=MEDIUM
    ),
    "copied, then a clean verify from a cache": Case(
        (lambda r: _offload_copied(r, readback=CACHE), lambda r: _verify(r, readback=CACHE)), "copied", "cache"
    ),
    "copied, then a clean verify without any reading": Case(
        (lambda r: _offload_copied(r, readback=CACHE), lambda r: _verify(r, readback=None)), "copied", "cache"
    ),
    "copied, then a clean verify of fewer files": Case(
        (lambda r: _offload_copied(r, readback=CACHE), lambda r: _verify(r, files=2)), "copied", "cache"
    ),
    "copied, then a clean verify of fewer files and a new one": Case(
        (lambda r: _offload_copied(r, readback=CACHE), lambda r: _verify(r, files=3, unknown=1)), "copied", "cache"
    ),
    "one source pass, then a clean verify": Case(
        (lambda r: _offload_copied(r, reads=(MEDIUM,)), _verify), "copied", "not read twice"
    ),
    "one source pass, then the card read again": Case(
        (lambda r: _offload_copied(r, reads=(MEDIUM,)), lambda r: _verify(r, card_reads=(MEDIUM,))),
        "proven",
        readback=MEDIUM,
    ),
    "one source pass, then the card read again from a cache": Case(
        (lambda r: _offload_copied(r, reads=(MEDIUM,)), lambda r: _verify(r, card_reads=(CACHE,))), "copied", "twice"
    ),
    "proven, then a failed verify": Case((_offload, lambda r: _verify(r, clean=False)), "unproven", "not as recorded"),
    "proven, then a failed verify on another drive": Case(
        (_offload, lambda r: _verify(r, drive("backup"), clean=False)), "unproven", "not as recorded", matches=False
    ),
    "proven, then a verify that says proven with a difference": Case(
        (_offload, lambda r: _verify(r, differ_anyway=1)), "unproven", "not as recorded"
    ),
    "failed verify, then a clean one": Case(
        (_offload, lambda r: _verify(r, clean=False), _verify), "proven", "0003", readback=MEDIUM
    ),
    "failed verify, then a clean one from a cache": Case(
        (_offload, lambda r: _verify(r, clean=False), lambda r: _verify(r, readback=CACHE)), "unproven", "not as"
    ),
    "failed verify, then a clean one of fewer files": Case(
        (_offload, lambda r: _verify(r, clean=False), lambda r: _verify(r, files=1)), "unproven", "not as recorded"
    ),
    "failed verify, then a clean one elsewhere": Case(
        (_offload, lambda r: _verify(r, clean=False), lambda r: _verify(r, drive("backup"))),
        "unproven",
        "not as recorded",
        matches=False,
    ),
    "failed verify, then an offload that read everything again": Case(
        (_offload, lambda r: _verify(r, clean=False), _offload), "proven", readback=MEDIUM
    ),
    "failed verify, then an offload that took rows over": Case(
        (_offload, lambda r: _verify(r, clean=False), lambda r: _offload(r, carried=1)), "unproven", "not as recorded"
    ),
    "failed verify, then an offload of other files": Case(
        (_offload, lambda r: _verify(r, clean=False), lambda r: r.offload(*TWO_LATER)), "unproven", "not as"
    ),
    "differing read-back, then a clean verify": Case(
        (lambda r: _offload(r, findings=finding_blocks([_differs()])), _verify), "proven", readback=MEDIUM
    ),
    "an unfinished row, then a clean verify": Case(
        (
            lambda r: r.offload(*rows(*ROLL[:2]), row("x", proven=False, state="failed"), state="copied"),
            _verify,
        ),
        "unproven",
        "not finished",
    ),
    # --- several offloads
    "a later offload adds files": Case((_offload, lambda r: r.offload(*TWO_LATER)), "proven", "0002", readback=MEDIUM),
    "a later offload adds copied files": Case(
        (_offload, lambda r: r.offload(*rows("z", proven=False), state="copied", readback=CACHE)),
        "copied",
        "cache",
    ),
    "an interrupted offload is finished": Case(
        (
            lambda r: r.offload(row("a"), row("b", proven=False, state="incomplete"), state="incomplete"),
            lambda r: r.offload(row("a"), row("b"), carried=1),
        ),
        "proven",
        readback=MEDIUM,
    ),
    "an interrupted offload is not finished by one of other files": Case(
        (
            lambda r: r.offload(row("a"), row("b", proven=False, state="incomplete"), state="incomplete"),
            lambda r: r.offload(row("c")),
        ),
        "unproven",
        "not finished",
    ),
    "files were added after the folder was dragged": Case(
        (_offload, lambda r: r.offload(*TWO_LATER, volume=drive("backup"))),
        "unproven",
        "another device",
        drive("backup"),
    ),
    "dragged, and offloaded anew in full": Case(
        (_offload, lambda r: _offload(r, volume=drive("backup"))), "proven", "0002", drive("backup"), readback=MEDIUM
    ),
    "two offloads, a verify of both": Case(
        (
            lambda r: _offload_copied(r, readback=CACHE),
            lambda r: r.offload(*TWO_LATER),
            lambda r: _verify(r, files=5),
        ),
        "proven",
        "0003",
        readback=MEDIUM,
    ),
    "two offloads, a verify of one": Case(
        (
            lambda r: _offload_copied(r, readback=CACHE),
            lambda r: r.offload(*TWO_LATER),
            lambda r: _verify(r, files=3),
        ),
        "copied",
        "cache",
    ),
    # --- the other kinds
    "proven, then a failed receive": Case(
        (_offload, lambda r: _receive(r, clean=False)), "unproven", "not as recorded"
    ),
    "copied, then a clean receive": Case(
        (lambda r: _offload_copied(r, readback=CACHE), lambda r: _receive(r, clean=True)), "proven", readback=MEDIUM
    ),
    "a permit is never evidence": Case((lambda r: _offload_copied(r, readback=CACHE), _permit), "copied", "cache"),
    "a permit takes nothing away": Case((_offload, _permit), "proven", readback=MEDIUM),
    "a handover takes nothing away": Case((_offload, _handover), "proven", readback=MEDIUM),
    "a permit withdrawn": Case((_offload, lambda r: _withdraw(r, "permit")), "proven", readback=MEDIUM),
    "a verify withdrawn": Case((_offload, lambda r: _withdraw(r, "verify")), "unproven", "the drive was dropped"),
    "an offload withdrawn, then verified": Case(
        (_offload, lambda r: _withdraw(r, "offload"), _verify), "proven", readback=MEDIUM
    ),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_the_newest_word_about_this_copy_on_this_device_decides(roll: Roll, case: Case) -> None:
    for write in case.records:
        write(roll)
    found = _now(roll, case.volume)
    assert found.state == case.state, found.why
    assert case.why in " ".join(found.why)
    assert found.device_matches == case.matches
    if case.state == "proven":
        assert found.readback == case.readback
        assert found.remedy == ""
        assert all(file.proven for file in found.files().values())
    else:
        assert found.proven_record == ""
        assert found.readback is None
        assert found.remedy
    if case.proven_record:
        assert found.proven_record == case.proven_record


def test_a_record_that_speaks_of_another_folder_on_the_same_volume_is_no_word_about_this_copy(roll: Roll) -> None:
    _offload(roll, folder=b"The Bell Foundry/A003")
    chain = read_chain(roll.io, roll.handle)

    def state(folder: bytes | None) -> str:
        return standing(roll.io, roll.handle, read_chain(roll.io, roll.handle), drive(), folder=folder).state

    assert chain.whole
    assert state(b"The Bell Foundry/A003") == state(None) == "proven"
    assert state(b"The Bell Foundry/A003 copy") == state(b"") == "unproven"
    _verify(roll, folder=b"The Bell Foundry/A003 copy")
    assert state(b"The Bell Foundry/A003 copy") == "proven"
    assert state(b"The Bell Foundry/A003") == "unproven"


def test_a_pass_over_another_card_supplies_nothing(roll: Roll) -> None:
    roll.offload(*rows(*ROLL, proven=False), state="copied", reads=(MEDIUM,))
    header = verify_header(card_reads=(MEDIUM,))
    assert header.source is not None
    other = header.source.model_copy(update={"serial": "uuid-another-card"})
    roll.append(header.model_copy(update={"source": other}))
    assert _now(roll).state == "copied"


def test_a_broken_chain_withdraws_whatever_comes_after_it(roll: Roll) -> None:
    first = roll.offload(*rows(*ROLL))
    roll.append(verify_header())
    text = roll.record(first.name).read_bytes().replace(b'"proven": true', b'"proven":  true', 1)
    roll.record(first.name).write_bytes(text)
    roll.append(verify_header())
    found = _now(roll)
    assert found.state == "unproven"
    assert "changed" in " ".join(found.why)
    assert not any(file.proven for file in found.files().values())


def test_rows_that_cannot_be_read_through_prove_nothing(roll: Roll) -> None:
    first = roll.offload(*rows(*ROLL), state="copied")
    roll.offload(*TWO_LATER)
    chain = read_chain(roll.io, roll.handle)
    assert chain.whole
    path = roll.record(first.name)
    path.write_bytes(path.read_bytes().replace(b'"size": 5', b'"size": X', 1))
    found = standing(roll.io, roll.handle, chain, drive())
    assert found.state == "unproven"
    assert "cannot be relied on" in found.why[0]


def test_todays_stricter_policy_on_evidence_holds(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), readback=SERVER)
    assert _now(roll).state == "proven"
    assert _now(roll, accepted={MEDIUM}).state == "copied"


def test_a_laxer_policy_of_today_does_not_soften_the_recorded_one(roll: Roll) -> None:
    roll.offload(*rows(*ROLL), readback=CACHE)
    assert _now(roll, accepted={MEDIUM, SERVER, CACHE}).state == "copied"


def test_files_are_merged_and_the_newest_word_on_each_stands(roll: Roll) -> None:
    roll.offload(row("a"), row("b", size=1))
    roll.offload(row("b", size=2), row("c"))
    found = _now(roll)
    assert [(file.path, file.size) for file in found.iter_files()] == [(b"a", 5), (b"b", 2), (b"c", 5)]
    assert {path: file.size for path, file in found.files().items()} == {b"a": 5, b"b": 2, b"c": 5}


def test_a_row_that_says_proven_is_not_while_its_record_speaks_of_another_device(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    assert not any(file.proven for file in _now(roll, drive("backup")).files().values())


def test_a_resumed_offload_sees_which_files_of_an_interrupted_one_are_proven(roll: Roll) -> None:
    roll.offload(row("a"), row("b", proven=False, state="incomplete"), state="incomplete")
    found = _now(roll)
    assert found.state == "unproven"
    assert {path: file.proven for path, file in found.files().items()} == {b"a": True, b"b": False}


def test_a_row_read_back_worse_than_its_copy_is_not_proven(roll: Roll) -> None:
    roll.offload(row("a"), row("b", evidence=CACHE), state="copied")
    assert {path: file.proven for path, file in _now(roll).files().items()} == {b"a": True, b"b": False}


def _unknown(**changes: object) -> Volume:
    device = Device(key=None, kind="memory")
    base = replace(drive(), device=device, serial=None, source="tmpfs", file_system="tmpfs")
    return replace(base, **changes)  # type: ignore[arg-type]


def _share(source: str = "nas:/foundry") -> Volume:
    return _unknown(source=source, file_system="nfs", device=Device(key=None, kind="network"))


SAME = {
    "the same device after a reboot": (drive(), replace(drive(), boot_id="boot-2", st_dev=99), True),
    "the same device mounted elsewhere": (drive(), replace(drive(), mount_point=b"/media/x"), True),
    "another device": (drive(), drive("backup"), False),
    "another volume on the device": (drive(), replace(drive(), serial="other"), False),
    "a volume that lost its serial": (drive(), replace(drive(), serial=None), False),
    "a device that can no longer be told": (drive(), replace(drive(), device=Device(key=None)), False),
    "memory in the same boot": (_unknown(), _unknown(), True),
    "memory after a reboot": (_unknown(), _unknown(boot_id="boot-2"), False),
    "memory without a known boot": (_unknown(boot_id=None), _unknown(boot_id=None), False),
    "other memory": (_unknown(), _unknown(st_dev=77), False),
    "the same share after a reboot": (_share(), replace(_share(), boot_id="boot-2", st_dev=88), True),
    "another share": (_share(), _share("nas:/other"), False),
}


@pytest.mark.parametrize(("then", "now", "same"), SAME.values(), ids=SAME.keys())
def test_a_device_is_the_same_only_when_that_is_certain(then: Volume, now: Volume, same: bool) -> None:
    block = copy_block(then, drive="primary", role="primary", state="proven", readback=MEDIUM)
    assert same_device(block, now) is same


def test_the_blocks_keep_what_tells_a_medium_from_another() -> None:
    volume = replace(drive(), device=replace(drive().device, disk_sequence=17, beneath="disk:host"))
    copy = copy_block(volume, drive="primary", role="backup", state="copied", readback=SERVER, folder=b"day 1/A003")
    assert (copy.boot_id, copy.disk_sequence, copy.device.beneath) == ("boot-1", 17, "disk:host")
    assert (copy.volume.serial, copy.timestamp_granularity_ns, copy.folder) == ("uuid-primary", 1, "day 1/A003")
    source = source_block(card(), reads=(MEDIUM, CACHE), listing_digest="x")
    assert [read.evidence for read in source.reads] == [MEDIUM, CACHE]
    assert source.read_only
