"""Every parser of the house in one table: what it is fed, and what it may say about damaged input.

A target takes bytes and either returns (values, or findings) or raises one of its `allowed` errors. Everything else is
a mistake. `test_every_parser` and `make fuzz` go through this table; `test_the_table_is_complete` holds it against the
source, so that a new parser without a line here is found.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from drives.fake_machine import Machine
from drives.test_macos_drives import Machine as Mac
from drives.test_windows_drives import Machine as Windows
from fuzz import at_hand
from fuzz.memory_io import Folder, MemoryIo
from records import samples
from rollproof.ascmhl.chain import parse_chain, read_chain
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.read import open_manifest, read_history
from rollproof.ascmhl.standard import COLLECTION_NAME, parse_moment, parse_time
from rollproof.card import clips, expectation, roll_name
from rollproof.copies.packing_check import read_packing_list
from rollproof.copying.marker import read_marker
from rollproof.drives import mountinfo, power, probe, windows_answers
from rollproof.drives.sysfs import BlockDevices
from rollproof.hashing.algorithms import raw_of
from rollproof.hashing.checksum_lines import ChecksumLine, parse_checksums
from rollproof.ledger.opening import open_ledger
from rollproof.ledger.station_file import StationFile
from rollproof.ledger.trouble import LedgerProblem
from rollproof.media.containers import CONTAINERS, Container
from rollproof.media.health import examine
from rollproof.media.problems import CannotSay
from rollproof.media.sidecar_xml import read_sidecar
from rollproof.media.source import BytesSource, TooMuch
from rollproof.media.tiff_facts import read_tiff_facts
from rollproof.media.wav_facts import read_wav_facts
from rollproof.models import names
from rollproof.models.errors import ProductionFileProblem, StationKeyProblem, UntrustedInput, UsageProblem
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.production import folders, load
from rollproof.production.drives import resolve
from rollproof.production.lines import key_lines
from rollproof.records import clock, lines, rows
from rollproof.records.chain import read_chain as read_records
from rollproof.records.known_keys import read_known_keys, read_public_key
from rollproof.records.read import iter_clips, iter_files, read_header
from rollproof.records.receipt import read_receipt, receipt_of, spelled
from rollproof.records.signing import check_signature
from rollproof.records.sshsig import read_signature
from rollproof.records.standing import standing
from rollproof.records.station_key import station_key
from rollproof.reports.audit_page import _moment as _moment_shown
from rollproof.reports.totals import _date
from rollproof.storage.io import Io
from rollproof.storage.system import system_io
from rollproof.tree.ignore import IgnoreRules
from rollproof.workflows.audit.headers import _utc
from rollproof.workflows.audit.resume import StoppedAudit
from rollproof.workflows.report.others import moment_of
from rollproof.workflows.verify.against import read_checksum_file

NOW = datetime(2026, 5, 14, 14, 20, tzinfo=UTC)


@dataclass(frozen=True)
class Target:
    """One parser, or several that stand behind one another.

    `valid` are documents it takes; `covers` the functions of the source it answers for, as `room/module.py:name`.
    `slow` ones touch a real folder and get fewer examples.
    """

    name: str
    group: str
    feed: Callable[[bytes], object]
    valid: Callable[[], Sequence[bytes]]
    covers: tuple[str, ...]
    allowed: tuple[type[Exception], ...] = ()
    slow: bool = False
    text: bool = False
    """Whether it takes text that is UTF-8 by the time it arrives; the target decodes leniently."""


def _text(data: bytes) -> str:
    """Text as it may arrive from a command line or from JSON: lone surrogates are possible."""
    return data.decode("utf-8", "surrogatepass" if b"\xed" in data else "surrogateescape")


def _as_text(read: Callable[[str], object]) -> Callable[[bytes], object]:
    def feed(data: bytes) -> object:
        try:
            text = _text(data)
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        return read(text)

    return feed


def _in_roll(tree: Folder) -> tuple[Any, int]:
    return MemoryIo.root_of(tree)


def _in_home(name: str, use: Callable[[Path], object]) -> Callable[[bytes], object]:
    """A file of this name in a station's folder of its own."""

    def feed(data: bytes) -> object:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / name
            path.write_bytes(data)
            path.chmod(0o600)
            return use(Path(folder))

    return feed


# --- records


def _record(data: bytes) -> None:
    io, roll = _in_roll({b"rollproof": {at_hand.RECORD.encode(): data}})
    problems = 0
    for read in (read_header, iter_clips, iter_files):
        try:
            found = read(io, roll, at_hand.RECORD)
            if read is not read_header:
                list(found)
        except UntrustedInput:
            problems += 1
    if problems:
        raise UntrustedInput("it breaks its format")


def _row(data: bytes) -> None:
    parsed = lines.parse(data)
    for build in (rows.from_json, rows.clip_from_json):
        with contextlib.suppress(UntrustedInput):
            made = build(parsed)
            if isinstance(made, rows.FileRow):
                assert rows.from_json(lines.parse(rows.to_line(made).encode())) == made
            else:
                assert rows.clip_from_json(lines.parse(rows.clip_to_line(made).encode())) == made


def _chain(data: bytes) -> None:
    """The damaged one stands after the first, in the middle of four, and as the last."""
    whole = at_hand.chain_of_records()
    first, second, _, last = sorted(whole)
    for records in ({first: whole[first], second: data}, {**whole, second: data}, {**whole, last: data}):
        io, roll = _in_roll({b"rollproof": records})
        chain = read_records(io, roll)
        assert len(chain.links) == len(records)
        found = standing(io, roll, chain, samples.drive())
        with contextlib.suppress(UntrustedInput):
            list(found.iter_files())


def _signature(data: bytes) -> None:
    signed = read_signature(data)
    signed.holds(bytes(64))
    _ = signed.key.fingerprint, signed.key.text


def _signed_record(data: bytes) -> None:
    name = at_hand.RECORD.encode()
    io, roll = _in_roll({b"rollproof": {name: at_hand.record(), name + b".sig": data}})
    assert check_signature(io, roll, at_hand.RECORD).state in ("good", "unknown key", "wrong")


def _receipt(said: str) -> None:
    code = read_receipt(said)
    assert read_receipt(code) == code
    assert spelled(code)


# --- the open standard


def _manifest(data: bytes) -> None:
    for _ in ManifestReader([data], Noted(), "a manifest"):
        pass


def _collection(data: bytes) -> None:
    io, folder = _in_roll({COLLECTION_NAME: data})
    read_chain(io, folder, COLLECTION_NAME)


def _history(data: bytes) -> None:
    """Once as a manifest that fits the chain, once as the chain, once as a manifest that the chain does not know."""
    good, other = at_hand.manifest(), b"0002_A003_2026-05-14_091502Z.mhl"
    for tree in (
        {at_hand.MHL: data, b"ascmhl_chain.xml": at_hand.chain_for(data)},
        {at_hand.MHL: good, b"ascmhl_chain.xml": data},
        {at_hand.MHL: good, other: data, b"ascmhl_chain.xml": at_hand.chain_for(good)},
    ):
        io, roll = _in_roll({b"ascmhl": tree})
        history = read_history(io, roll)
        assert all(names.is_safe_relative(path) for path in history.expected)
        with contextlib.suppress(UntrustedInput):
            list(open_manifest(io, roll, at_hand.MHL, Noted()))


def _moment(text: str) -> None:
    parse_time(text)
    parse_moment(text)


def _hash(text: str) -> None:
    for name in ("c4", "md5", "xxh128", "sha1"):
        with contextlib.suppress(UntrustedInput):
            raw_of(name, text)
    raw_of("xxh64", text)


# --- drives


_TEXTS = ("device/model", "device/vendor", "device/serial", "device/wwid", "device/vpd_pg80", "wwid")


def _linux(data: bytes) -> None:
    """A machine of which everything that a device tells of itself is this."""
    with tempfile.TemporaryDirectory() as folder:
        machine = Machine(Path(folder) / "root")
        machine.disk(
            "sdb",
            "8:16",
            partitions={"sdb1": "8:17"},
            attributes=dict.fromkeys((*_TEXTS, "diskseq", "size", "queue/rotational", "loop/offset"), data),
        )
        machine.mount("/media/A003", "8:17", "exfat", "/dev/sdb1")
        with contextlib.suppress(ValueError):
            machine.written["/dev/sdb1"] = probe.parse_export(data)
        drives = machine.drives()
        volume = drives.volume_of(b"/media/A003/CLIPS")
        drives.volumes(everything=True)
        drives.other_partitions(volume)
        drives.medium_now(volume)
        block = BlockDevices(os.fsencode(machine.root))
        disk = block.by_number((8, 16))
        assert disk is not None
        block.number(disk)
        block.is_window(disk)
        machine.write("sys/class/power_supply/BAT0/type", data)
        machine.write("sys/class/power_supply/BAT0/status", data)
        power.on_battery(os.fsencode(machine.root), "linux")


def _udev(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "b8:17").write_bytes(data)
        probe.from_udev(os.fsencode(folder), (8, 17))


def _mounts(data: bytes) -> None:
    found = mountinfo.parse(data)
    mountinfo.mount_of(found, b"/media/A003 card/CLIPS")
    mountinfo.strictly_below(found, b"/media")


def _macos(data: bytes) -> None:
    """Every program answers the same."""
    machine = Mac(info=dict.fromkeys(("disk4s2", "disk4", "disk3s5", "disk6s1", "disk7", "disk7s1"), data))
    machine.listing = machine.images = machine.boot = data
    for place in (b"/Volumes/A003", b"/Volumes/Backup", b"/Volumes/Image"):
        volume = machine.drives.volume_of(place)
        machine.drives.other_partitions(volume)
        machine.drives.medium_now(volume)
    machine.drives.volumes(everything=True)


def _windows(data: bytes) -> None:
    machine = Windows(answer=data)
    volume = machine.drives.volume_of(b"D:\\")
    machine.drives.volumes(everything=True)
    machine.drives.other_partitions(volume)
    machine.drives.medium_now(volume)
    windows_answers.ask(lambda _: data).boot_id()


# --- lists from elsewhere


def _checksums(data: bytes) -> None:
    for algorithm in (None, "md5", "xxh3"):
        for line in parse_checksums([data[:1000], data[1000:]], algorithm=algorithm):
            if isinstance(line, ChecksumLine):
                assert names.is_safe_relative(line.path)


def _packing_list(data: bytes) -> None:
    """Once as the collection, once as a manifest that the collection names."""
    for tree in (
        {COLLECTION_NAME: data, at_hand.MHL: at_hand.manifest()},
        {COLLECTION_NAME: at_hand.chain_for(data), at_hand.MHL: data},
    ):
        with contextlib.suppress(UsageProblem):
            read_packing_list(cast(Io, MemoryIo(tree)), b"/")


def _stopped_audit(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        audit = StoppedAudit(system_io(), (), Path(folder))
        audit.begin(NOW)
        next((Path(folder) / "audits").iterdir()).write_bytes(data)
        audit.begun_at(NOW)


# --- the station


def _marker(data: bytes) -> None:
    io, roll = _in_roll({names.MARKER_NAME: data})
    found = read_marker(io, roll)
    assert found is not None
    assert all(names.is_safe_relative(path) for path in found.suspects)


def _ledger(home: Path) -> None:
    with open_ledger(home, machine="a machine", wait_seconds=0.1) as opened:
        assert len(opened.findings) <= 3


def _ledger_beside(home: Path) -> None:
    """What lies beside the ledger."""
    station = StationFile(home)
    (home / "ledger.writer").write_bytes((home / "ledger.note").read_bytes())
    station.read_note()
    station.busy(1.0)
    with open_ledger(home, machine="a machine", wait_seconds=0.1):
        pass


def _station_key(home: Path) -> None:
    station_key(home, make=False)


def _production(data: bytes) -> None:
    found = load.parse(data)
    resolve(found, ())
    with contextlib.suppress(UsageProblem):
        folders.roll_folder(found, roll="A003", day="3", unit="main", camera="A", now=NOW)


def _day(said: str) -> None:
    production = load.parse(at_hand.production()[1])
    folders.day_text(production, day=said, now=NOW)
    folders.roll_folder(production, roll="A003", day=said, unit=None, camera=None, now=NOW)


# --- the card


def _card_names(data: bytes) -> None:
    paths = sorted({path for path in data.split(b"\n") if names.is_safe_relative(path)})
    snapshot = Snapshot(tuple(FileEntry(path, 5, 0) for path in paths), (), (), (), "")
    grouped = clips.group_clips(snapshot)
    roll_name.guess_roll(snapshot, grouped, data[:40], names.to_text(data[-20:]))
    expectation.expectation_findings(grouped, 3, names.to_text(data[:20]))
    clips.first_and_last(grouped)


def _patterns(data: bytes) -> None:
    rules = IgnoreRules(names.to_text(data).split("\n"))
    for path in (b"CLIPS/A003C001.mov", data[:200], b"a" * 300):
        rules.matches(path, is_folder=False)


def _name_of_record(data: bytes) -> None:
    text, _, coded = names.to_text(data).partition("\n")
    names.from_record(text, coded or None)


# --- media


def _container(container: Container) -> Target:
    """One kind of media file: its own check, and the whole look that a stranger's file gets under its suffix."""
    suffix = min(container.suffixes, default=b"bin")

    def feed(data: bytes) -> None:
        with contextlib.suppress(CannotSay, TooMuch):
            container.examine(BytesSource(data))
        if container.name == "TIFF":
            with contextlib.suppress(CannotSay, TooMuch):
                read_tiff_facts(BytesSource(data))
        examine(BytesSource(data), b"A003C001." + suffix)

    return Target(
        f"media: {container.name}",
        "media",
        feed,
        lambda: at_hand.media(container),
        ("media/health.py:examine",),
    )


def _sidecar(data: bytes) -> None:
    read_sidecar(BytesSource(data))
    with contextlib.suppress(CannotSay, TooMuch):
        read_wav_facts(BytesSource(data))


TARGETS: tuple[Target, ...] = (
    *(_container(container) for container in CONTAINERS),
    Target("media: texts", "media", _sidecar, at_hand.media_texts, ("media/sidecar_xml.py:read_sidecar",)),
    Target(
        "a production file",
        "production",
        _production,
        at_hand.production,
        ("production/load.py:parse", "production/model.py:_day"),
        (ProductionFileProblem,),
    ),
    Target(
        "a production file on a disk",
        "production",
        _in_home("production.toml", lambda home: load.load(os.fsencode(home / "production.toml"))),
        at_hand.production,
        ("production/load.py:load", "production/load.py:_read"),
        (ProductionFileProblem,),
        slow=True,
    ),
    Target(
        "the lines of a production file",
        "production",
        _as_text(key_lines),
        lambda: (*at_hand.production(), b'"a\\u0041" = 1\n'),
        ("production/lines.py:_Scan._unquoted",),
        text=True,
    ),
    Target(
        "a shooting day as somebody typed it",
        "production",
        _as_text(_day),
        lambda: (b"2026-05-14", b"3", b"three"),
        ("production/folders.py:_date_said",),
        (UsageProblem,),
        text=True,
    ),
    Target(
        "a record",
        "records",
        _record,
        lambda: (
            *at_hand.chain_of_records().values(),
            *(
                text.replace(b"rollproof-record/1", b"rollproof-record/2")
                for text in at_hand.chain_of_records().values()
            ),
        ),
        (
            "records/read.py:read_header",
            "records/read.py:header_of",
            "records/read.py:_kind_in",
            "records/lines.py:parse",
        ),
        (UntrustedInput,),
    ),
    Target(
        "an entry of a record",
        "records",
        _row,
        at_hand.lines_of_record,
        ("records/rows.py:from_json", "records/rows.py:clip_from_json"),
        (UntrustedInput,),
    ),
    Target(
        "a record in a chain, and what the chain then says of the copy",
        "records",
        _chain,
        lambda: tuple(at_hand.chain_of_records().values()),
        (
            "records/chain.py:read_chain",
            "records/standing.py:_Reading._read_everything",
            "records/standing.py:_Reading._from_header",
        ),
    ),
    Target(
        "a name in a record",
        "records",
        _name_of_record,
        lambda: (b"CLIPS/A003C001.mov", b"odd\nb2RkIP8="),
        ("models/names.py:from_record",),
        (ValueError,),
    ),
    Target(
        "a moment in a record",
        "records",
        _as_text(clock.to_ns),
        lambda: (b"2026-05-14T08:15:02.54Z",),
        ("records/clock.py:to_ns",),
        (ValueError,),
        text=True,
    ),
    Target(
        "the moment of a manifest, for the report",
        "records",
        _as_text(moment_of),
        lambda: (b"2026-05-14T08:15:02+00:00", b"2026-05-14T08:15:02Z"),
        ("workflows/report/others.py:moment_of",),
        text=True,
    ),
    Target(
        "a receipt as somebody typed it",
        "records",
        _as_text(_receipt),
        lambda: (receipt_of([(b"day_001/A003", "ab" * 32)]).encode(), b"K7QM 4XTW 9HRA"),
        ("records/receipt.py:read_receipt",),
        (UsageProblem,),
        text=True,
    ),
    Target(
        "a signature",
        "records",
        _signature,
        lambda: (at_hand.signature(),),
        ("records/sshsig.py:read_signature", "records/sshsig.py:_unarmored"),
        (UntrustedInput,),
    ),
    Target(
        "a signature beside a record",
        "records",
        _signed_record,
        lambda: (at_hand.signature(),),
        ("records/signing.py:check_signature",),
    ),
    Target(
        "the file of known keys",
        "station",
        _in_home("known_keys", read_known_keys),
        lambda: (at_hand.known_keys(),),
        ("records/known_keys.py:read_known_keys", "records/known_keys.py:_parsed", "records/known_keys.py:_key"),
        slow=True,
    ),
    Target(
        "another station's key file",
        "station",
        _in_home("key.pub", lambda home: read_public_key(home / "key.pub")),
        lambda: (at_hand.public_key_file(),),
        ("records/known_keys.py:read_public_key",),
        (UsageProblem,),
        slow=True,
    ),
    Target(
        "this station's key file",
        "station",
        _in_home("station_key", _station_key),
        lambda: (at_hand.key_file(),),
        ("records/station_key.py:_load", "records/station_key.py:_parsed"),
        (StationKeyProblem,),
        slow=True,
    ),
    Target(
        "a ledger",
        "station",
        _in_home("ledger.sqlite3", _ledger),
        lambda: (at_hand.ledger(),),
        ("ledger/opening.py:_damage",),
        (LedgerProblem,),
        slow=True,
    ),
    Target(
        "the notes beside a ledger",
        "station",
        _in_home("ledger.note", _ledger_beside),
        lambda: (b'{"generation": 3}', b'{"pid": 4711, "host": "cart", "since": 1, "doing": "offload"}'),
        ("ledger/station_file.py:StationFile.read_note", "ledger/station_file.py:_read_json"),
        (LedgerProblem,),
        slow=True,
    ),
    Target(
        "the marker of an unfinished roll",
        "station",
        _marker,
        lambda: (at_hand.marker(),),
        ("copying/marker.py:read_marker",),
    ),
    Target(
        "a manifest",
        "ascmhl",
        _manifest,
        lambda: (at_hand.manifest(),),
        ("ascmhl/strict_xml.py:StrictReader.__init__",),
        (UntrustedInput,),
    ),
    Target(
        "a chain of manifests",
        "ascmhl",
        lambda data: parse_chain([data]),
        lambda: (at_hand.chain_for(b""),),
        ("ascmhl/chain.py:parse_chain", "ascmhl/strict_xml.py:read_all"),
        (UntrustedInput,),
    ),
    Target(
        "a collection of packing lists",
        "ascmhl",
        _collection,
        lambda: (at_hand.chain_for(b""),),
        ("ascmhl/chain.py:read_chain",),
        (UntrustedInput,),
    ),
    Target(
        "a history of manifests",
        "ascmhl",
        _history,
        lambda: (at_hand.manifest(), at_hand.chain_for(at_hand.manifest())),
        (
            "ascmhl/read.py:read_history",
            "ascmhl/read.py:_HistoryReader.read",
            "ascmhl/read.py:_HistoryReader._parsed",
        ),
    ),
    Target(
        "a moment in a manifest",
        "ascmhl",
        _as_text(_moment),
        lambda: (b"2026-05-14T08:15:02.5+02:00",),
        ("ascmhl/standard.py:parse_time", "ascmhl/standard.py:parse_moment"),
        (ValueError,),
        text=True,
    ),
    Target(
        "a hash as text",
        "ascmhl",
        _as_text(_hash),
        lambda: (b"d41d8cd98f00b204", b"c4" + b"1" * 88),
        ("hashing/algorithms.py:raw_of", "hashing/c4.py:decode"),
        (UntrustedInput,),
        text=True,
    ),
    Target(
        "a checksum file",
        "lists",
        _checksums,
        lambda: at_hand.CHECKSUMS,
        (
            "hashing/checksum_lines.py:parse_checksums",
            "hashing/checksum_lines.py:_parsed",
            "hashing/checksum_lines.py:_raw",
            "hashing/checksum_lines.py:_unescape",
        ),
        (UntrustedInput,),
    ),
    Target(
        "a checksum file on a disk",
        "lists",
        _in_home("A003.md5", lambda home: read_checksum_file(system_io(), os.fsencode(home / "A003.md5"))),
        lambda: at_hand.CHECKSUMS,
        ("workflows/verify/against.py:read_checksum_file",),
        (UsageProblem,),
        slow=True,
    ),
    Target(
        "a packing list",
        "lists",
        _packing_list,
        lambda: (at_hand.manifest(), at_hand.chain_for(at_hand.manifest())),
        ("copies/packing_check.py:read_packing_list",),
    ),
    Target(
        "the note of a stopped audit",
        "station",
        _stopped_audit,
        lambda: (b'{"begun_at": "2026-05-14T14:19:00+00:00"}',),
        ("workflows/audit/resume.py:StoppedAudit.begun_at",),
        slow=True,
    ),
    Target(
        "a moment that a record told",
        "records",
        _as_text(_utc),
        lambda: (b"2026-05-14T08:15:02+02:00", b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-14:00"),
        ("workflows/audit/headers.py:_utc",),
        text=True,
    ),
    Target(
        "a shooting day that a record told",
        "records",
        _as_text(_date),
        lambda: (b"2026-05-14", b"day_003"),
        ("reports/totals.py:_date",),
        text=True,
    ),
    Target(
        "a moment on the page of an audit",
        "records",
        _as_text(_moment_shown),
        lambda: (b"2026-05-14T08:15:02Z", b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-12:00", b"yesterday"),
        ("reports/audit_page.py:_moment",),
        text=True,
    ),
    Target(
        "the mount table",
        "drives",
        _mounts,
        lambda: (at_hand.MOUNTINFO,),
        ("drives/mountinfo.py:parse", "drives/mountinfo.py:_parse_line", "drives/mountinfo.py:unescape"),
    ),
    Target(
        "what a device says of itself",
        "drives",
        _linux,
        lambda: (*at_hand.ATTRIBUTES, at_hand.BLKID),
        ("drives/probe.py:parse_export", "drives/linux.py:LinuxDrives._read", "drives/sysfs.py:BlockDevices.integer"),
        slow=True,
    ),
    Target(
        "what udev says of a device",
        "drives",
        _udev,
        lambda: (at_hand.UDEV,),
        ("drives/probe.py:from_udev",),
        slow=True,
    ),
    Target(
        "what the programs of macOS answer",
        "drives",
        _macos,
        at_hand.plists,
        ("drives/macos.py:_plist",),
    ),
    Target(
        "what PowerShell answers",
        "drives",
        _windows,
        lambda: (at_hand.powershell(),),
        ("drives/windows_answers.py:ask",),
    ),
    Target(
        "the names on a card",
        "card",
        _card_names,
        lambda: at_hand.NAMES_ON_CARD,
        (
            "card/clips.py:group_clips",
            "card/clips.py:read_card",
            "card/roll_name.py:guess_roll",
            "card/expectation.py:expectation_findings",
        ),
    ),
    Target(
        "ignore patterns",
        "card",
        _patterns,
        lambda: (b"*.tmp\n/CACHE/\n!keep.tmp\n[ab]?c", b"**/x\n*a****b"),
        ("models/ignore_patterns.py:compile_pattern",),
        (UntrustedInput,),
    ),
)

NOT_PARSERS: dict[str, str] = {
    "ascmhl/strict_xml.py:_ampersand": "parses one constant",
    "card/across.py:_from_one": "of clips that were grouped",
    "cli/session.py:Job.parse_args": "click's own",
    "cli/views/wipe_summary.py:_moment": "a moment that this process wrote",
    "copying/engine.py:Offloading._read_again": "reads footage, whose bytes mean nothing to it",
    "copying/lane.py:Lane._read_back": "reads footage",
    "reading/treereader.py:TreeReader._read_small": "reads footage",
    "reading/treereader.py:TreeReader._read_together": "reads footage",
    "reading/treereader.py:TreeReader._read_block": "reads footage",
    "reading/treereader.py:TreeReader._read_exactly": "reads footage",
    "records/clock.py:from_ns": "writes",
    "records/standing.py:_Reading._from_rows": "of what iter_files gave",
    "reports/pdf.py:_Drawer._picture": "a poster frame that this process drew",
    "workflows/audit/listed_read.py:ListedReader.read": "reads footage",
    "storage/files.py:read_small": "bytes, whatever they mean",
    "storage/files.py:read_chunks": "bytes, whatever they mean",
    "storage/io.py:Io.read_into": "a call of the system",
    "storage/io.py:Io.read_many": "a call of the system",
    "storage/linux_aio.py:ReadsTogether._collect": "a call of the system, whose answer is the kernel's",
    "storage/linux_aio.py:ReadsTogether.read": "a call of the system",
    "storage/posix.py:LinuxIo.kept_inside": "a flag from the kernel",
    "storage/posix.py:LinuxIo.read_many": "a call of the system",
    "storage/posix.py:PosixIo.read_many": "a call of the system",
    "storage/windows.py:WindowsIo.read_many": "a call of the system",
    "storage/macos.py:MacosIo.read_into": "a call of the system",
    "storage/posix.py:PosixIo.read_into": "a call of the system",
    "storage/posix.py:LinuxIo.device_size": "a number from the kernel",
    "storage/windows.py:WindowsIo.read_into": "a call of the system",
    "storage/windows_calls.py:Win32Calls.read_file": "a call of the system",
    "storage/windows_kernel.py:from_wide": "text from the kernel",
    "storage/windows_kernel.py:_load": "loads the system's own libraries",
    "storage/windows_kernel.py:SystemCalls.read_file": "a call of the system",
    "storage/readback.py:_Fresh.read": "bytes, whatever they mean",
    "copies/beside_records.py:_started": "of a file name of which a pattern has left only digits",
    "workflows/audit/headers.py:read_again_at": "of records that were read",
    "copies/recorded.py:read_papers": "of what records and history gave",
    "workflows/delivery/checksums.py:_Writer._read": "reads footage",
    "workflows/offload/order.py:read_order": "of what load gave",
    "copies/packing_check.py:ArrivalCheck._read": "reads footage",
    "reading/files.py:FileReader.read": "reads footage",
    "copies/roll_histories.py:read_papers": "of what records and history gave",
    "workflows/verify/copy.py:CopyVerifier._read": "reads footage",
    "copies/history.py:read_expectation": "of what records and history gave",
    "copies/tree_read.py:read_tree": "reads footage",
}
"""Functions that are named or built like parsers and are none, with the reason."""

ROOMS_OF_THEIR_OWN = ("media/",)
"""Rooms where not every function is named: media has a target for every container of its table, new ones too."""
