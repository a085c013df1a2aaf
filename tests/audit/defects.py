"""Defects as they happen on drives, each planted in a production of its own rolls, with what the audit must say."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from audit.ledgers import remember
from audit.production import BY, NAME, STATION, Made, ToShoot, schedule
from rollproof.ledger.ledger import Ledger
from rollproof.models.requests import Cancel, HandoverRequest
from rollproof.models.volumes import Evidence
from rollproof.records.models import HandoverHeader, ReceiveHeader, RecordName, Totals, VerifyHeader
from rollproof.records.read import read_header
from rollproof.records.signing import Signer
from rollproof.records.write import append_record
from rollproof.station.context import Context
from rollproof.workflows.custody.handover import handover

ROLLS = {roll.name: roll for roll in schedule()}


@dataclass(frozen=True)
class Bench:
    """What planting needs."""

    made: Made
    ledger: Ledger
    stranger: Signer

    def at(self, drive: str, roll: str) -> Path:
        """A roll folder."""
        return self.made.at(drive, ROLLS[roll])

    def clip(self, drive: str, roll: str, number: int = 1) -> Path:
        """A clip on a drive."""
        return self.at(drive, roll) / f"CLIP/{roll}C{number:03}.mov"

    def records(self, drive: str, roll: str) -> list[Path]:
        """A roll's records, in order."""
        return sorted((self.at(drive, roll) / "rollproof").glob("*.json"))

    def again(self, drive: str, roll: str, content: dict[str, bytes], **how: Any) -> None:
        """The roll made anew, with one copy that is not like the others."""
        for name in ROLLS[roll].drives:
            shutil.rmtree(self.at(name, roll))
            given, changed = (content, how) if name == drive else (ROLLS[roll].files(), {})
            self.made.copy(name, ROLLS[roll], given, **changed)
        written = [(name, self.first(name, roll)) for name in ROLLS[roll].drives]
        for name in ROLLS[roll].drives:
            self.made.permit(name, ROLLS[roll], written)

    def first(self, drive: str, roll: str) -> RecordName:
        """The first record of a copy, as a permit names it."""
        path = self.records(drive, roll)[0]
        return RecordName(name=path.name, sequence=1, sha256=hashlib.sha256(path.read_bytes()).hexdigest())


Expected = frozenset[tuple[str, str]]
Plant = Callable[[Bench], object]


@dataclass(frozen=True)
class Defect:
    """One defect: how it is planted, the findings (kind and roll) it must give, and words that must stand in one."""

    name: str
    plant: Plant
    expected: Expected
    words: tuple[str, ...] = ()


def _quietly(path: Path, change: Callable[[bytes], bytes]) -> None:
    before = path.stat()
    path.write_bytes(change(path.read_bytes()))
    os.utime(path, ns=(before.st_mtime_ns, before.st_mtime_ns))


def _drop(bench: Bench, roll: str, *drives: str) -> None:
    for drive in drives:
        shutil.rmtree(bench.at(drive, roll))


def _redate(bench: Bench) -> None:
    os.utime(bench.clip("MAIN_2", "B001"), ns=(1, 1))


def _no_papers(bench: Bench) -> None:
    for name in ("rollproof", "ascmhl"):
        shutil.rmtree(bench.at("MAIN_2", "B003") / name)


def _forgotten_card(bench: Bench) -> None:
    remember(bench.ledger, ToShoot("A099", 5, "main"))


def _no_files(bench: Bench) -> None:
    shutil.rmtree(bench.at("SHUTTLE", "A003") / "CLIP")


def _no_permits(bench: Bench) -> None:
    for drive in ROLLS["B005"].drives:
        last = bench.records(drive, "B005")[-1]
        last.unlink()
        last.with_name(last.name + ".sig").unlink()


def _early(bench: Bench) -> None:
    roll = ROLLS["B006"]
    bench.made.permit("MAIN_1", roll, [("MAIN_1", bench.first("MAIN_1", "B006"))])


def _same_clip(bench: Bench) -> None:
    for drive in ROLLS["B008"].drives:
        shutil.rmtree(bench.at(drive, "B008"))
    files = ROLLS["B008"].files()
    files["CLIP/B008C002.mov"] = ROLLS["B007"].files()["CLIP/B007C001.mov"]
    for drive in ROLLS["B008"].drives:
        bench.made.copy(drive, ROLLS["B008"], files)
    written = [(drive, bench.first(drive, "B008")) for drive in ROLLS["B008"].drives]
    for drive in ROLLS["B008"].drives:
        bench.made.permit(drive, ROLLS["B008"], written)


def _two_of_one_name(bench: Bench) -> None:
    bench.made.offload(ToShoot("A005", 9, "main", content="another card", serial="another", stem="X005"))


def _changed_record(bench: Bench) -> None:
    _quietly(bench.records("MAIN_1", "B009")[0], lambda text: text.replace(b"data wrangler", b"data wrangleR"))


def _dropped_record(bench: Bench) -> None:
    first = bench.records("MAIN_1", "B010")[0]
    first.unlink()
    first.with_name(first.name + ".sig").unlink()


def _unsigned(bench: Bench) -> None:
    last = bench.records("MAIN_1", "A012")[-1]
    last.with_name(last.name + ".sig").unlink()


def _moved_signature(bench: Bench) -> None:
    first, second = bench.records("MAIN_1", "A014")
    shutil.copy(second.with_name(second.name + ".sig"), first.with_name(first.name + ".sig"))


def _failed_verify(bench: Bench) -> None:
    roll = ROLLS["A019"]
    header = VerifyHeader(
        written_at=roll.written_at + timedelta(days=1),
        by=BY,
        station=STATION,
        production=NAME,
        roll=roll.name,
        copy_=bench.made.block("SHUTTLE", roll).model_copy(update={"readback": Evidence.MEDIUM}),
        verdict="not proven",
        totals=Totals(files=4, bytes=400, differ=1),
    )
    with bench.made.opened(bench.at("SHUTTLE", "A019")) as handle:
        append_record(bench.made.io, handle, header, signer=bench.made.signer)


def _hand_over(bench: Bench, drive: str) -> None:
    request = HandoverRequest(os.fsencode(bench.made.top / drive), "post house")
    handover(
        request,
        Context.of(
            emit=lambda event: None, cancel=Cancel(), io=bench.made.io, drives=bench.made.now, signer=bench.made.signer
        ),
    )


def _other_receipt(bench: Bench) -> None:
    _hand_over(bench, "SECOND_1")
    place = bench.made.top / "SECOND_1" / NAME
    (path,) = (place / "rollproof").glob("*_handover_*.json")
    with bench.made.opened(place) as handle:
        sent = read_header(bench.made.io, handle, path.name)
        assert isinstance(sent, HandoverHeader)
        header = ReceiveHeader(
            written_at=sent.written_at + timedelta(hours=5),
            by=BY,
            station=STATION,
            production=NAME,
            handover=RecordName(name=path.name, sequence=1, sha256=hashlib.sha256(path.read_bytes()).hexdigest()),
            rolls=sent.rolls,
            verdict="not proven",
            totals=Totals(files=1, bytes=1),
            receipt="2222-2222-2222-2222-22",
        )
        append_record(bench.made.io, handle, header, signer=bench.made.signer)


def _without_last(files: dict[str, bytes]) -> dict[str, bytes]:
    return dict(list(files.items())[:-2])


def _other_bytes(files: dict[str, bytes], path: str) -> dict[str, bytes]:
    return {**files, path: files[path][::-1]}


def _says(*pairs: tuple[str, str]) -> Expected:
    return frozenset(pairs)


def _file(roll: str) -> dict[str, bytes]:
    return ROLLS[roll].files()


DEFECTS = (
    Defect("a clip is gone", lambda b: b.clip("SHUTTLE", "A001").unlink(), _says(("missing", "A001")), ("A001C001",)),
    Defect(
        "a clip is longer than it was",
        lambda b: _quietly(b.clip("SHUTTLE", "A002"), lambda data: data + b"x"),
        _says(("differs", "A002")),
        ("another size",),
    ),
    Defect("a clip has another date", _redate, _says(("differs", "B001")), ("another date",)),
    Defect(
        "an offload was not finished",
        lambda b: (b.at("MAIN_2", "B002") / "NOT-FINISHED.rollproof-partial").write_bytes(b""),
        _says(("not-finished", "B002")),
    ),
    Defect("a record and no files", _no_files, _says(("record-without-files", "A003"))),
    Defect("files and no record", _no_papers, _says(("files-without-record", "B003")), ("MAIN_2",)),
    Defect(
        "too few copies",
        lambda b: _drop(b, "C001", "SECOND_1", "SHUTTLE"),
        _says(("too-few-copies", "C001"), ("copy-missing", "C001")),
        ("1 proven copy counts, 2 are required",),
    ),
    Defect(
        "a copy that its siblings know is gone",
        lambda b: _drop(b, "C002", "SHUTTLE"),
        _says(("copy-missing", "C002")),
        ("SHUTTLE",),
    ),
    Defect(
        "a number is skipped",
        lambda b: _drop(b, "A010", *ROLLS["A010"].drives),
        _says(("roll-gap", "A010")),
        ("A009", "A011"),
    ),
    Defect("the ledger knows a roll that is nowhere", _forgotten_card, _says(("roll-missing", "A099"))),
    Defect(
        "a clip is in one copy and not in the other",
        lambda b: b.again("SHUTTLE", "D001", _without_last(_file("D001"))),
        _says(("not-in-every-copy", "D001")),
        ("D001C002.mov", "SHUTTLE knows nothing"),
    ),
    Defect(
        "a day without a sound roll",
        lambda b: _drop(b, "S012", *ROLLS["S012"].drives),
        _says(("no-sound-roll", "")),
        ("2026-05-14", "main"),
    ),
    Defect("a permit on too little proof", _early, _says(("permit-too-early", "B006")), ("1 copy; 2 are required",)),
    Defect("a roll without a permit", _no_permits, _says(("no-permit", "B005"))),
    Defect(
        "an empty roll folder",
        lambda b: b.at("MAIN_1", "A029").with_name("A031").mkdir(),
        _says(("empty-roll", "A031")),
    ),
    Defect(
        "one roll with two contents",
        lambda b: b.again("SHUTTLE", "C003", _other_bytes(_file("C003"), "CLIP/C003C002.mov"), later=timedelta(days=2)),
        _says(("copies-disagree", "C003")),
        ("CLIP/C003C002.mov", "the original by the history is on SECOND_1 and SECOND_2"),
    ),
    Defect(
        "the same clip in two rolls", _same_clip, _says(("clip-in-two-rolls", "B007")), ("B007C001.mov", "B008C002.mov")
    ),
    Defect("two rolls of one name", _two_of_one_name, _says(("two-rolls-one-name", "A005"))),
    Defect("a changed record", _changed_record, _says(("chain-broken", "B009"), ("signature-wrong", "B009"))),
    Defect("a dropped record", _dropped_record, _says(("record-missing", "B010"))),
    Defect("a record that is not signed", _unsigned, _says(("not-signed", "A012"))),
    Defect(
        "a record signed by nobody known",
        lambda b: b.again("MAIN_2", "A013", _file("A013"), signer=b.stranger),
        _says(("signer-unknown", "")),
        ("1 record is signed with the key SHA256:",),
    ),
    Defect("a signature of another record", _moved_signature, _says(("signature-wrong", "A014"))),
    Defect(
        "a file that no manifest knows, in a roll",
        lambda b: (b.at("MAIN_1", "A016") / "CLIP/extra.txt").write_bytes(b"?"),
        _says(("unknown-file", "A016")),
        ("CLIP/extra.txt",),
    ),
    Defect(
        "a file that no manifest knows, beside the rolls",
        lambda b: (b.made.top / "MAIN_1" / "notes.txt").write_bytes(b"?"),
        _says(("unknown-file", "")),
        ("notes.txt",),
    ),
    Defect(
        "a changed manifest",
        lambda b: _quietly(next((b.at("MAIN_2", "A017") / "ascmhl").glob("*.mhl")), lambda text: text + b"<!-- -->"),
        _says(("manifest-changed", "A017")),
    ),
    Defect(
        "record and manifest disagree",
        lambda b: b.again("SHUTTLE", "A018", _file("A018"), manifest=_other_bytes(_file("A018"), "CLIP/A018C001.mov")),
        _says(("record-and-manifest-disagree", "A018")),
    ),
    Defect("a verify that failed", _failed_verify, _says(("differs", "A019"))),
    # the drives are handed over last: a handover remembers every roll as it is then
    Defect(
        "a handover that was never received",
        lambda b: _hand_over(b, "MAIN_2"),
        _says(("not-received", "")),
        ("post house",),
    ),
    Defect("a receipt that does not match", _other_receipt, _says(("other-receipt", "")), ("2222-2222",)),
)
