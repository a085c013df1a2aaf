"""Bad news that is hard to keep: of a drive that hangs before it said which one it is, of a ledger that is made anew,
and of one that cannot be written."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from rollproof.drives.system import system_drives
from rollproof.ledger.opening import open_ledger
from rollproof.models.delivery_results import AgainstResult
from rollproof.models.requests import AgainstRequest, AuditRequest, OffloadRequest, VerifyRequest
from rollproof.models.results import VerifyResult
from rollproof.models.volumes import Device, Volume
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.storage.posix import LinuxIo
from rollproof.storage.station import station_home
from rollproof.workflows.audit import audit
from rollproof.workflows.audit import places as audit_places
from rollproof.workflows.offload import offload
from rollproof.workflows.offload import preflight as offload_preflight
from rollproof.workflows.rebuild import rebuild_ledger
from rollproof.workflows.report.ledger import rolls_of_ledger
from rollproof.workflows.report.rolls import RollsFound
from rollproof.workflows.rolls import list_rolls
from rollproof.workflows.verify import verify
from rollproof.workflows.verify.against import verify_against
from support.devices import Devices
from support.loops import tool
from workflows.station import CLIPS, SMALL
from workflows.test_bad_news import KEEP, WIPE, away, killed_in_the_last_file, why_not
from workflows.wipe_bench import FIRST, Bench, Changing

pytestmark = pytest.mark.device


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("bad-news-kept")
    with Devices(folder) as devices:
        (folder / "work").mkdir()
        yield Bench(devices, folder / "work")


@pytest.fixture
def bench(made: Bench) -> Bench:
    """The card is proven on two drives, and may be wiped."""
    made.sweep()
    made.offload()
    assert made.ask().answer == WIPE
    return made


# --- a drive that hangs before it is known which one it is


@dataclass
class Silent(Changing):
    """Drives of which one says nothing: what is asked of it does not come back, and it is listed by its mount alone."""

    mount: bytes = b""
    released: threading.Event = field(default_factory=threading.Event)

    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        if path.startswith(self.mount):
            self.released.wait(30)
        return self.inner.volume_of(path)

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See `Drives`."""
        unknown = Device(None, "unknown", model="", serial="", size_bytes=None, label="")
        return [
            replace(volume, serial=None, device=unknown, capacity_bytes=0)
            if volume.mount_point == self.mount
            else volume
            for volume in self.inner.volumes(everything=everything)
        ]

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See `Drives`."""
        if path.startswith(self.mount):
            self.released.wait(30)
        return self.inner.mounts_below(path)


@pytest.fixture
def silent(bench: Bench) -> Iterator[Silent]:
    drives = Silent(system_drives(), mount=os.fsencode(bench.one.mount))
    yield drives
    drives.released.set()


def is_put_down(bench: Bench, silent: Silent) -> None:
    silent.released.set()
    time.sleep(0.5)
    mount = str(bench.one.mount)
    for name in os.listdir("/proc/self/fd"):  # what was given up leaves its handles open, on purpose
        if os.path.lexists(f"/proc/self/fd/{name}") and os.readlink(f"/proc/self/fd/{name}").startswith(mount):
            os.close(int(name))
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert "answer" in why_not(answer)


def test_a_verify_whose_drive_never_said_which_it_is_puts_it_down(bench: Bench, silent: Silent) -> None:
    request = VerifyRequest((os.fsencode(bench.roll(bench.one)),))
    assert verify(request, Context.of(drives=silent, settings=SMALL)).verdict == "not proven"
    is_put_down(bench, silent)


def test_an_offload_whose_drive_never_said_which_it_is_puts_it_down(
    bench: Bench, silent: Silent, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(offload_preflight, "ANSWER_SECONDS", 0.5)
    request = OffloadRequest(
        cards=(os.fsencode(bench.card.mount),),
        destinations=(os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)),
        working_folder=os.fsencode(bench.folder),
        roll="A003",
    )
    assert offload(request, Context.of(drives=silent, settings=SMALL)).verdict == "refused"
    is_put_down(bench, silent)


def test_an_audit_whose_drive_never_said_which_it_is_puts_it_down(
    bench: Bench, silent: Silent, monkeypatch: pytest.MonkeyPatch
) -> None:
    patience = replace(audit_places._PATIENCE, call_seconds=0.5)
    monkeypatch.setattr(audit_places, "_PATIENCE", patience)
    paths = (os.fsencode(bench.one.mount), os.fsencode(bench.two.mount))
    audit(AuditRequest(paths, working_folder=os.fsencode(bench.folder)), Context.of(drives=silent, settings=SMALL))
    is_put_down(bench, silent)


# --- a ledger that is made anew


def test_a_rebuild_of_the_ledger_keeps_the_damage_that_only_the_ledger_knew(bench: Bench) -> None:
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    killed_in_the_last_file(bench.one)
    rebuild_ledger([os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)], Context.of())
    answer = bench.ask()
    assert answer.answer == KEEP
    assert f"{FIRST} is not what was recorded" in why_not(answer)
    assert away(bench, bench.one).answer == KEEP


def test_a_damaged_ledger_that_is_set_aside_hands_its_bad_news_on_where_it_can_be_read(bench: Bench) -> None:
    killed_in_the_last_file(bench.one)
    damage_an_index(station_home())
    with open_ledger() as ledger:
        assert any("set aside" in found.detail for found in ledger.findings)
        assert len(ledger.unsettled_readings()) == 1


def damage_an_index(home: Path) -> None:
    """The page of an index of the rolls holds nonsense: what readings found can still be read."""
    path = home / "ledger.sqlite3"
    with sqlite3.connect(path) as ledger:
        ledger.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = ledger.execute("PRAGMA page_size").fetchone()[0]
        page = ledger.execute("SELECT rootpage FROM sqlite_master WHERE name = 'findings_by_roll'").fetchone()[0]
    ledger.close()
    content = bytearray(path.read_bytes())
    content[(page - 1) * size : page * size] = b"\xff" * size
    path.write_bytes(bytes(content))


# --- a ledger that cannot be written


def told_of(result: VerifyResult) -> list[str]:
    return [found.kind for copy in result.copies for found in copy.findings]


def test_a_verify_that_a_locked_ledger_cannot_remember_is_an_error_and_never_done(bench: Bench) -> None:
    request = VerifyRequest((os.fsencode(bench.roll(bench.one)),))
    with (
        open_ledger(wait_seconds=0.1) as ledger,
        contextlib.closing(sqlite3.connect(station_home() / "ledger.sqlite3", isolation_level=None)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        result = verify(request, Context.of(ledger=ledger, settings=SMALL))
    assert "not-remembered" in told_of(result)
    assert result.verdict == "not proven"
    assert int(result.status) != 0
    again = verify(request, Context.of(settings=SMALL))
    assert (again.verdict, int(again.status)) == ("proven", 0), "what the drive holds was never in doubt"


def test_a_verify_that_a_full_disk_cannot_remember_is_an_error_and_never_done(bench: Bench) -> None:
    home = station_home()
    full = home.with_name("full")
    full.mkdir()
    tool("mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", full)
    try:
        shutil.copytree(home, full, dirs_exist_ok=True)
        with pytest.MonkeyPatch.context() as patched:
            patched.setenv("ROLLPROOF_HOME", str(full))
            with open_ledger() as ledger:
                fill_up(full)
                result = verify(
                    VerifyRequest((os.fsencode(bench.roll(bench.one)),)), Context.of(ledger=ledger, settings=SMALL)
                )
    finally:
        tool("umount", "-l", full)
    assert "not-remembered" in told_of(result)
    assert result.verdict == "not proven"
    assert int(result.status) != 0


def fill_up(folder: Path) -> None:
    """Not a byte is left."""
    with (folder / "filler").open("wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(b"x" * 4096)


# --- what lists say of a copy that is away


def test_lists_say_that_a_copy_whose_reading_was_killed_is_not_counted(bench: Bench) -> None:
    killed_in_the_last_file(bench.one)
    (history,) = list_rolls(name="A003").histories
    assert (history.roll.state, history.roll.copies_proven, history.roll.devices_proven) == ("too few copies", 1, 1)
    copies = {copy.drive: copy for copy in history.copies}
    assert copies["primary"].state == "unproven"
    assert "was not finished: not counted" in copies["primary"].why
    assert copies["backup"].state == "proven"
    with open_ledger() as ledger:
        rolls = RollsFound()
        rolls_of_ledger(ledger, rolls)
    (found,) = rolls.all
    assert found.state == "too few copies"
    assert {each.copy.drive: each.copy.state for each in found.copies.values()} == {
        "primary": "unproven",
        "backup": "proven",
    }
    bench.offload(bench.three, roll="A004")
    bench.one.unplug()
    try:
        told = audit(
            AuditRequest((os.fsencode(bench.three.mount),), working_folder=os.fsencode(bench.folder)),
            Context.of(settings=SMALL),
        )
    finally:
        bench.one.plug_in()
    assert "was not finished: not counted" in told.model_dump_json()
    assert bench.verify(bench.one).verdict == "proven"
    assert list_rolls(name="A003").histories[0].roll.state == "proven"


# --- reading by somebody's list


def sums(bench: Bench, *, wrong: str = "") -> Path:
    """A checksum file of the first drive's roll, in the working folder."""
    roll, lines = bench.roll(bench.one), []
    for name in CLIPS:
        digest = hashlib.md5((roll / name).read_bytes()).hexdigest()
        lines.append(f"{'0' * 32 if name == wrong else digest}  {name}\n")
    path = bench.folder / "A003.md5"
    path.write_text("".join(lines))
    return path


def against(bench: Bench, sums: Path, io: Io | None = None) -> AgainstResult:
    request = AgainstRequest(os.fsencode(bench.roll(bench.one)), os.fsencode(sums))
    return verify_against(request, Context.of(io=io, settings=SMALL))


def test_what_a_checksum_file_shows_to_differ_is_put_down(bench: Bench) -> None:
    path = sums(bench)
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    assert against(bench, path).verdict == "does not match"
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert f"{FIRST} is not what a list of checksums says" in why_not(answer)


def test_a_drive_that_dies_under_a_checksum_file_is_put_down(bench: Bench) -> None:
    path = sums(bench)

    class Dead(LinuxIo):
        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            if name.endswith(b".mov"):
                raise OSError(errno.EIO, "the drive is gone")
            return super().open_read(name, folder, direct=direct)

    assert against(bench, path, Dead()).verdict == "does not match"
    assert away(bench, bench.one).answer == KEEP


def test_a_clean_reading_by_a_checksum_file_settles_nothing_and_leaves_nothing(bench: Bench) -> None:
    path = sums(bench)
    assert against(bench, path).verdict == "matches"
    assert away(bench, bench.one).answer == WIPE
    killed_in_the_last_file(bench.one)
    assert against(bench, path).verdict == "matches"
    assert away(bench, bench.one).answer == KEEP, "a list is no record"


def test_an_audit_puts_down_what_is_not_as_a_checksum_file_beside_it_says(bench: Bench) -> None:
    folder = bench.three.mount / "B001"
    shutil.copytree(bench.roll(bench.one), folder, ignore=shutil.ignore_patterns("rollproof", "ascmhl"))
    (folder / "B001.md5").write_text(sums(bench, wrong=FIRST).read_text())
    audit(
        AuditRequest((os.fsencode(bench.three.mount),), working_folder=os.fsencode(bench.folder), reread=True),
        Context.of(settings=SMALL),
    )
    with open_ledger() as ledger:
        left = {place: [each.why for each in known] for (_, place), known in ledger.unsettled_readings().items()}
    assert left == {b"B001": [f"{FIRST} is not what a list of checksums says"]}
