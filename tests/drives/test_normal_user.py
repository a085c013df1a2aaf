"""A person who is not root, with cards and drives in exFAT and NTFS by way of FUSE: every advice here was followed."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.devices import Drive
from support.normal_user import UID, NormalUser, normal_user
from support.trees import Blob, Tree, build

pytestmark = pytest.mark.device

CARD: Tree = {"CLIPS/A003C001.bin": Blob(70_000, seed=1), "CLIPS/A003C002.bin": Blob(9_001, seed=2)}
_RULE = "rollproof drives --rule | sudo tee /etc/udev/rules.d/70-rollproof.rules"


@pytest.fixture
def user() -> Iterator[NormalUser]:
    with normal_user() as made:
        yield made


def _kit(user: NormalUser, file_system: str) -> tuple[Drive, Drive, Drive]:
    card, one, two = (user.drive(file_system, name) for name in ("A003", "primary", "backup"))
    build(card.mount, CARD)
    return card, one, two


def _offload(card: Drive, *drives: Drive) -> list[str | Path]:
    return ["offload", card.mount, *(word for drive in drives for word in ("--to", drive.mount)), "--roll", "A003"]


def _answers(ran: str) -> list[str]:
    return [line for line in ran.splitlines() if line.startswith(("PROVEN", "NOT PROVEN", "Card:"))]


@pytest.mark.parametrize("file_system", ["exfat", "ntfs"])
def test_without_the_right_nothing_is_proven_and_the_advice_leads_to_proven(user: NormalUser, file_system: str) -> None:
    card, one, two = _kit(user, file_system)
    first = user.run(*_offload(card, one, two))
    assert first.returncode == 1, first.stdout + first.stderr
    assert f"user {UID} may not ask which parts of" in first.stdout
    assert _RULE in first.stdout
    assert "Unplug primary" not in first.stdout  # a verify alone could not supply the two reads of the card
    assert _answers(first.stdout)[0].startswith("NOT PROVEN")

    for drive in (card, one, two):  # the advice: the rule, plug in again, the same command again
        user.replug(drive)
        user.apply_rule(drive)
    again = user.run(*_offload(card, one, two))
    assert again.returncode == 0, again.stdout + again.stderr
    assert _answers(again.stdout) == ["PROVEN: roll A003 is proven on 2 of 2 drives.", "Card: MAY WIPE"]
    assert user.run("may-wipe", card.mount).returncode == 0


def test_copies_that_were_verified_first_are_proven_by_the_offload_run_again_under_the_rule(user: NormalUser) -> None:
    card, one = user.drive("exfat", "A003"), user.drive("exfat", "primary")
    build(card.mount, CARD)
    user.run(*_offload(card, one))
    user.replug(one)
    told = user.run("verify", one.mount / "A003").stdout
    assert "read from the drive itself" in told  # it was away since: no cache holds what was written
    assert "Run the offload of the card to this drive again" in told  # and yet the card's reads are lacking
    kept = user.run("may-wipe", card.mount)
    assert kept.returncode == 1
    assert _RULE in kept.stdout

    user.replug(card)
    user.apply_rule(card, one)
    again = user.run(*_offload(card, one))
    assert _answers(again.stdout)[0].startswith("PROVEN, TOO FEW COPIES: roll A003 is proven on 1 of 1"), again.stdout


def test_a_card_that_is_read_directly_needs_no_rule_for_a_drive_that_is_unplugged_and_verified(
    user: NormalUser,
) -> None:
    card, one = user.drive("ext4", "A003"), user.drive("exfat", "primary")
    (card.mount / "lost+found").rmdir()
    build(card.mount, CARD)
    told = user.run(*_offload(card, one)).stdout
    path = one.mount / "A003"
    assert f"Unplug primary, plug it in again, then: rollproof verify {path}" in told
    user.replug(one)
    assert user.run("verify", path).returncode == 0


def test_the_right_to_read_is_not_enough_and_the_rule_gives_no_right_to_write(user: NormalUser) -> None:
    """The kernel tells cached pages to owners only: a rule that merely opens the node to a group would help nobody."""
    card, one, two = _kit(user, "exfat")
    for drive in (card, one, two):
        os.chmod(drive.node, 0o664)
    assert user.json(*_offload(card, one, two))["rolls"][0]["source_evidence"] == ["cache", "cache"]
    assert all(each["lacks_right"] for each in _exfat(user))

    user.apply_rule(card, one, two)
    assert not any(each["lacks_right"] for each in _exfat(user))
    opened = user.python_run("-c", f"import os; os.open({card.node!r}, os.O_WRONLY)")
    assert "PermissionError" in opened.stderr


def _exfat(user: NormalUser) -> list[dict[str, object]]:
    below = os.fspath(user.devices.folder)
    found = [each for each in user.json("drives")["drives"] if each["mount_point"].startswith(below)]
    assert len(found) == 3
    return found


def test_drives_tells_the_person_which_mounts_and_what_to_do_once(user: NormalUser) -> None:
    card = user.drive("exfat", "A003")
    told = user.run("drives").stdout
    tail = told[told.index("Not provable for you yet: ") :]
    assert os.fspath(card.mount) in tail.splitlines()[0]
    assert [line.strip() for line in tail.splitlines()[3:5]] == [_RULE, "sudo udevadm control --reload"]
    user.apply_rule(card)
    assert os.fspath(card.mount) not in user.run("drives").stdout.partition("Not provable for you yet")[2]


def test_a_folder_that_is_somebody_elses_is_no_drive_that_does_not_answer(user: NormalUser) -> None:
    locked = user.devices.place("locked")
    locked.mkdir(mode=0o700)
    user.devices.image("ext4", plugged=False, name=f"{locked.name}/inside").plug_in()
    lines = user.run("drives").stdout.splitlines()
    at = next(number for number, line in enumerate(lines) if f"{locked.name}/inside " in line)
    assert lines[at + 1] == "    not for you to look into: no permission for its folder"


def test_the_rule_does_what_the_tests_do_in_its_place(user: NormalUser) -> None:
    rule = user.run("drives", "--rule").stdout
    owner, mode = re.search(r'RUN\+="/bin/chown (\d+) \$devnode", RUN\+="/bin/chmod (\d+) \$devnode"', rule).groups()  # type: ignore[union-attr]
    assert int(owner) == UID
    drive = user.drive("exfat", "A003")
    user.apply_rule(drive)
    now = os.stat(drive.node)
    assert (now.st_uid, stat.S_IMODE(now.st_mode)) == (int(owner), int(mode, 8))
    assert not int(mode, 8) & 0o202  # neither the person nor everybody else may write
