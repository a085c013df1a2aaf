"""Real loop devices for the question *may this card be wiped?*: a card and three drives, swept clean between rows."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from drives.fake_machine import Machine
from rollproof.drives.interface import Drives, Partition
from rollproof.drives.linux import Calls, LinuxDrives
from rollproof.ledger.ledger import Ledger
from rollproof.models.audit_results import AuditResult
from rollproof.models.requests import AuditRequest, Cancel, MayWipeRequest, OffloadRequest, Person, VerifyRequest
from rollproof.models.results import MayWipeResult, OffloadResult, VerifyResult
from rollproof.models.volumes import Volume
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.workflows.audit import audit
from rollproof.workflows.may_wipe import may_wipe
from rollproof.workflows.offload import offload
from rollproof.workflows.verify import verify
from support.devices import Devices, Drive
from workflows.station import CLIPS, SMALL, fill

ASSISTANT = Person("the camera assistant", "camera assistant")
FIRST = "CLIP/A003C001_260514.mov"


def quiet(_event: object) -> None:
    """Nobody watches."""


@dataclass
class Bench:
    """A card and three drives on loop devices of their own. `folder` is the working folder of every command."""

    devices: Devices
    folder: Path
    drives: Drives | None = None
    made: int = 0

    def __post_init__(self) -> None:
        self.card = self.devices.image("ext4", name="A003")
        self.one = self.devices.image("ext4", name="primary")
        self.two = self.devices.image("ext4", name="backup")
        self.three = self.devices.image("ext4", name="shuttle")
        for drive in self.all:
            (drive.mount / "lost+found").rmdir()

    @property
    def all(self) -> tuple[Drive, ...]:
        """The card and the drives."""
        return (self.card, self.one, self.two, self.three)

    def sweep(self) -> None:
        """Everything plugged in, writable, empty; the card as it came out of the camera."""
        self.drives = None
        for drive in self.all:
            if not os.path.ismount(drive.mount):
                drive.plug_in()
            if drive.read_only:
                drive.replug(read_only=False)
            for path in drive.mount.iterdir():
                shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
        for path in self.folder.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        fill(self.card.mount, CLIPS)

    def roll(self, drive: Drive, name: str = "A003") -> Path:
        """The roll folder on a drive."""
        return drive.mount / name

    def offload(self, *drives: Drive, to: tuple[Path, ...] = (), io: Io | None = None, **changes: Any) -> OffloadResult:
        """Offload the card to two drives, or to these."""
        chosen = to or tuple(drive.mount for drive in drives or (self.one, self.two))
        given: dict[str, Any] = {
            "cards": (os.fsencode(self.card.mount),),
            "destinations": tuple(os.fsencode(path) for path in chosen),
            "working_folder": os.fsencode(self.folder),
            "person": ASSISTANT,
            "roll": "A003",
            **changes,
        }
        return offload(
            OffloadRequest(**given), Context.of(emit=quiet, cancel=Cancel(), io=io, drives=self.drives, settings=SMALL)
        )

    def verify(self, *drives: Drive) -> VerifyResult:
        """Verify drives."""
        request = VerifyRequest(tuple(os.fsencode(drive.mount) for drive in drives), person=ASSISTANT)
        return verify(request, Context.of(emit=quiet, cancel=Cancel(), drives=self.drives, settings=SMALL))

    def audit(self, *drives: Drive, **changes: Any) -> AuditResult:
        """Audit drives."""
        paths = tuple(os.fsencode(drive.mount) for drive in drives)
        request = AuditRequest(paths, **{"person": ASSISTANT, "working_folder": os.fsencode(self.folder), **changes})
        return audit(request, Context.of(emit=quiet, cancel=Cancel(), drives=self.drives, settings=SMALL))

    def ask(
        self,
        card: Path | None = None,
        *,
        io: Io | None = None,
        drives: Drives | None = None,
        ledger: Ledger | None = None,
        now: datetime | None = None,
        **changes: Any,
    ) -> MayWipeResult:
        """May the card be wiped?"""
        request = MayWipeRequest(
            **{
                "card": os.fsencode(card or self.card.mount),
                "working_folder": os.fsencode(self.folder),
                "person": ASSISTANT,
                **changes,
            }
        )
        return may_wipe(
            request,
            Context.of(
                emit=quiet, cancel=Cancel(), io=io, drives=drives or self.drives, ledger=ledger, settings=SMALL, now=now
            ),
        )

    def production(self, text: str) -> None:
        """The production file of the working folder."""
        (self.folder / "production.toml").write_text(text)

    def records(self, drive: Drive, name: str = "A003") -> list[dict[str, Any]]:
        """All records of a roll on a drive, in order."""
        folder = self.roll(drive, name) / "rollproof"
        return [json.loads(path.read_text()) for path in sorted(folder.glob("*.json"))]

    def kinds(self, drive: Drive, name: str = "A003") -> list[str]:
        """The kinds of these records."""
        return [record["kind"] for record in self.records(drive, name)]

    def machine(self, disks: dict[str, tuple[tuple[Path | None, str], ...]]) -> LinuxDrives:
        """The same mounts on another machine: `disks` are its disks with their partitions, each with what is mounted
        from it (None: nothing) and its type."""
        self.made += 1
        tree = Machine(self.devices.folder / f"machine-{self.made}")
        for number, (disk, parts) in enumerate(disks.items()):
            names = {f"{disk}{place}": f"8:{16 * number + place}" for place in range(1, len(parts) + 1)}
            tree.disk(
                disk, f"8:{16 * number}", bus=f"pci0000:00/ata{number}", sequence=number + 1, partitions=names,
                attributes={"device/model": f"Bell Disk {disk}\n", "device/wwid": f"naa.50014ee2b3{number:06}\n"},
            )  # fmt: skip
            for (mount, kind), (name, name_number) in zip(parts, names.items(), strict=True):
                tree.written[f"/dev/{name}"] = {
                    "TYPE": "ext4", "UUID": f"00000000-0000-4000-8000-{name:>012}".replace(" ", "0"),
                    "PART_ENTRY_TYPE": kind,
                }  # fmt: skip
                if mount is not None:
                    tree.mount(os.path.realpath(mount), name_number, "ext4", f"/dev/{name}")
        seen = tree.drives()
        seen._calls = replace(  # the tree says which device it is; the mounts themselves are real
            Calls(),
            mount_id=lambda path: None,
            file_system_uuid=lambda path: None,
            blkid=lambda node: tree.written.get(node, {}),
        )
        return seen


@dataclass
class Changing:
    """`Drives` of the real machine; `before` is called at each question, with its name."""

    inner: Drives
    before: Callable[[str], None] = field(default=quiet)
    name: str = "changing"

    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        self.before("volume_of")
        return self.inner.volume_of(path)

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See `Drives`."""
        self.before("volumes")
        return self.inner.volumes(everything=everything)

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See `Drives`."""
        self.before("medium_now")
        return self.inner.medium_now(volume)

    def slept_seconds(self) -> float | None:
        """See `Drives`."""
        return self.inner.slept_seconds()

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See `Drives`."""
        self.before("other_partitions")
        return self.inner.other_partitions(volume)

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See `Drives`."""
        self.before("mounts_below")
        return self.inner.mounts_below(path)
