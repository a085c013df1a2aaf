"""The installed command on real file systems: an exFAT card, ext4 drives, and media that disagree with their caches."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from support.devices import Devices, Drive

pytestmark = [pytest.mark.device, pytest.mark.e2e]

REPOSITORY = Path(__file__).resolve().parents[2]
CARDS = REPOSITORY / "demo_media" / "cards"
STANDARDS = Path(os.environ.get("ROLLPROOF_STANDARDS", REPOSITORY.parent / "shared" / "standards")) / "ascmhl"


def run(command: Path, *words: str | Path) -> tuple[int, dict[str, Any]]:
    """The exit status and the one JSON object."""
    done = subprocess.run([str(command), *map(str, words), "--json"], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return done.returncode, answer


def card_with_demo_media(devices: Devices, *, file_system: str = "exfat") -> Drive:
    """A read-only card with the demo media of A003 on it."""
    card = devices.image(file_system)
    shutil.copytree(CARDS / "A003", card.mount, dirs_exist_ok=True)
    card.replug(read_only=True)
    return card


def files_below(folder: Path) -> dict[str, bytes]:
    """Every file of the camera original tree."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] not in ("rollproof", "ascmhl")
    }


def xxhsum(folder: Path) -> dict[str, str]:
    """What another program says of every file."""
    names = sorted(files_below(folder))
    done = subprocess.run(["xxhsum", "-H2", *names], cwd=folder, capture_output=True, text=True, check=True)
    return {line.split("  ", 1)[1]: line.split("  ", 1)[0] for line in done.stdout.splitlines()}


def test_an_exfat_card_is_proven_on_two_ext4_drives_equal_to_what_other_programs_say(
    devices: Devices, installed_rollproof: Path
) -> None:
    card = card_with_demo_media(devices)
    one, two = devices.image("ext4"), devices.image("ext4")
    status, answer = run(
        installed_rollproof, "offload", card.mount, "--roll", "A003", "--to", one.mount, "--to", two.mount
    )
    assert (status, answer["verdict"]) == (0, "proven"), answer
    (roll,) = answer["rolls"]
    assert roll["source_evidence"] == ["medium", "medium"]
    assert roll["enough_copies"] is True
    for drive in (one, two):
        folder = drive.mount / "A003"
        assert files_below(folder) == files_below(card.mount)
        (record_path,) = (folder / "rollproof").glob("*.json")
        record = json.loads(record_path.read_text())
        assert record["copy"]["readback"] == "medium"
        assert {row["path"]: row["hashes"]["xxh128"] for row in record["files"]} == xxhsum(folder)
        for path in (folder / "ascmhl").iterdir():
            schema = "ASCMHLDirectory.xsd" if path.name == "ascmhl_chain.xml" else "ASCMHL.xsd"
            if STANDARDS.is_dir():
                subprocess.run(
                    ["xmllint", "--noout", "--schema", STANDARDS / schema, path], check=True, capture_output=True
                )
        status, verified = run(installed_rollproof, "verify", folder)
        assert (status, verified["verdict"]) == (0, "proven")


@pytest.mark.parametrize("file_system", ["ext4", "xfs", "btrfs"])
def test_a_byte_that_only_the_medium_knows_is_found_by_verify_although_the_cache_still_has_the_good_one(
    devices: Devices, installed_rollproof: Path, file_system: str
) -> None:
    card = card_with_demo_media(devices)
    drive = devices.image(file_system)
    status, answer = run(installed_rollproof, "offload", card.mount, "--roll", "A003", "--to", drive.mount)
    assert (status, answer["verdict"]) == (0, "proven"), answer
    victim = max((path for path in (drive.mount / "A003").rglob("*.MP4")), key=lambda path: path.stat().st_size)
    good = victim.read_bytes()  # warms the cache
    drive.flip(victim, 5_000)
    assert victim.read_bytes() == good
    status, verified = run(installed_rollproof, "verify", drive.mount)
    # btrfs finds it by its own checksum and answers EIO: then the file cannot be read back
    said = [*verified["copies"][0]["differ"], *(found["path"] for found in verified["copies"][0]["findings"])]
    assert (status, verified["verdict"]) == (1, "not proven")
    assert any(path.endswith(victim.name) for path in said)


def test_an_offload_to_a_file_system_whose_reads_cannot_be_shown_to_reach_the_medium_is_copied_not_proven(
    devices: Devices, installed_rollproof: Path
) -> None:
    card = card_with_demo_media(devices)
    status, answer = run(installed_rollproof, "offload", card.mount, "--roll", "A003", "--to", devices.tmpfs(32 << 20))
    (destination,) = answer["rolls"][0]["destinations"]
    assert (status, answer["verdict"]) == (1, "not proven")
    assert (destination["state"], destination["readback"]) == ("copied", "cache")
    assert any("plug" in finding["remedy"] for finding in destination["findings"])


@pytest.mark.parametrize("file_system", ["exfat", "xfs", "btrfs"])
def test_other_file_systems_are_written_and_proven_too(
    devices: Devices, installed_rollproof: Path, file_system: str
) -> None:
    card = card_with_demo_media(devices)
    drive = devices.image(file_system)
    status, answer = run(installed_rollproof, "offload", card.mount, "--roll", "A003", "--to", drive.mount)
    assert (status, answer["rolls"][0]["destinations"][0]["readback"]) == (0, "medium"), answer
    assert files_below(drive.mount / "A003") == files_below(card.mount)
    status, again = run(installed_rollproof, "offload", card.mount, "--roll", "A003", "--to", drive.mount)
    assert (status, again["verdict"]) == (0, "proven"), again


def test_a_drive_that_fills_up_is_named_and_the_other_is_proven(devices: Devices, installed_rollproof: Path) -> None:
    card = devices.image("ext4")
    for number in range(1, 9):
        (card.mount / f"A003C{number:03}.mov").write_bytes(os.urandom(1 << 20))
    card.replug(read_only=True)
    small, good = devices.image("ext4"), devices.image("ext4")
    command = [installed_rollproof, "offload", card.mount, "--to", good.mount, "--to", small.mount, "--json"]
    small.fill(leave_bytes=4 << 20)
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
    answer = json.loads(done.stdout)
    assert (done.returncode, answer["verdict"]) == (3, "refused")
    assert {finding["kind"] for finding in answer["findings"] if finding["severity"] == "error"} == {"no-space"}


def test_a_drive_pulled_out_under_the_copy_is_named_the_other_is_proven_and_a_rerun_completes_it(
    devices: Devices, installed_rollproof: Path
) -> None:
    card = devices.image("ext4")
    for number in range(1, 6):
        (card.mount / f"A003C{number:03}.mov").write_bytes(os.urandom(1 << 20))
    card.replug(read_only=True)
    pulled, good = devices.image("ext4"), devices.image("ext4")
    words = ("offload", card.mount, "--to", pulled.mount, "--to", good.mount)
    pulled.pull()
    status, answer = run(installed_rollproof, *words)
    assert status in (3, 4), answer
    pulled.unplug()
    pulled.plug_in()
    status, answer = run(installed_rollproof, *words)
    assert (status, answer["verdict"]) == (0, "proven"), answer


def test_an_exfat_card_with_two_proven_copies_may_be_wiped_and_a_clip_recorded_since_keeps_it(
    devices: Devices, installed_rollproof: Path
) -> None:
    card = card_with_demo_media(devices)
    one, two = devices.image("ext4"), devices.image("ext4")
    status, answer = run(
        installed_rollproof, "offload", card.mount, "--roll", "A003", "--to", one.mount, "--to", two.mount
    )
    assert answer["rolls"][0]["card"] == {"answer": "MAY WIPE", "reasons": []}
    status, answer = run(installed_rollproof, "may-wipe", card.mount)
    assert (status, answer["answer"], answer["basis"]) == (0, "MAY WIPE", "listing"), answer
    card.replug(read_only=False)
    (card.mount / "A003C005.mov").write_bytes(b"recorded since" * 1000)
    card.replug(read_only=True)
    status, answer = run(installed_rollproof, "may-wipe", card.mount)
    assert (status, answer["answer"], answer["basis"]) == (1, "KEEP", "reread")
    assert "not-offloaded" in {finding["kind"] for finding in answer["findings"]}
