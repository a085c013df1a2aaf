"""The one question that `windows.py` asks of PowerShell, and its answer.

Not run on this system; behind the interface with unit tests on fakes.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
from dataclasses import dataclass

from rollproof.drives.answers import Answer, entries, number, text, texts
from rollproof.drives.programs import Run

VOLUME_PATH = re.compile(r"\\\\\?\\volume\{[0-9a-f-]{36}\}", re.IGNORECASE)
"""The identity of a volume at the head of a path."""

QUESTION = """
$ErrorActionPreference = 'SilentlyContinue'
[Console]::OutputEncoding = New-Object Text.UTF8Encoding $false
$memory = 'HKLM:\\SYSTEM\\CurrentControlSet\\Control\\Session Manager\\Memory Management\\PrefetchParameters'
@{
  boots = (Get-ItemProperty $memory).BootId
  machine = (Get-ItemProperty 'HKLM:\\SOFTWARE\\Microsoft\\Cryptography').MachineGuid
  volumes = @(Get-CimInstance Win32_Volume | Select-Object DeviceID, Name, Label, FileSystem, BlockSize, DriveType)
  partitions = @(Get-Partition | Select-Object DiskNumber, PartitionNumber, Size, GptType, AccessPaths)
  disks = @(Get-Disk | Select-Object Number, FriendlyName, Model, SerialNumber, UniqueId,
    @{n='UniqueIdFormat';e={[int]$_.CimInstanceProperties['UniqueIdFormat'].Value}}, Size,
    @{n='Bus';e={[int]$_.CimInstanceProperties['BusType'].Value}}, Guid, Signature, Location)
  media = @(Get-PhysicalDisk | Select-Object DeviceId,
    @{n='Media';e={[int]$_.CimInstanceProperties['MediaType'].Value}})
} | ConvertTo-Json -Depth 4 -Compress
"""
"""Numbers, not words, wherever Windows translates the words."""

_MEDIA_TURNING, _MEDIA_SOLID = 3, 4  # MSFT_PhysicalDisk.MediaType


def same_path(one: str, other: str) -> bool:
    """Whether two paths of volumes are one; an empty one is like no other."""
    return one.rstrip("\\").lower() == other.rstrip("\\").lower() != ""


@dataclass(frozen=True, slots=True)
class Machine:
    """One answer to the question."""

    answer: Answer

    def volume(self, volume: str) -> Answer:
        """The volume with this identity; empty when it was not told."""
        return next((one for one in entries(self.answer, "volumes") if same_path(text(one, "DeviceID"), volume)), {})

    def partitions_of(self, volume: str) -> list[Answer]:
        """The partitions a volume lies on: one, or several for a set of disks, or none when that was not told."""
        found = entries(self.answer, "partitions")
        return [part for part in found if any(same_path(path, volume) for path in texts(part, "AccessPaths"))]

    def disk(self, partition: Answer) -> Answer:
        """The disk a partition belongs to; empty when it was not told."""
        wanted = partition.get("DiskNumber")
        if not isinstance(wanted, int):
            return {}
        return next((disk for disk in entries(self.answer, "disks") if disk.get("Number") == wanted), {})

    def boot_id(self) -> str | None:
        """The count of boots, made this machine's own: elsewhere the same count means another boot."""
        boots, machine = number(self.answer, "boots"), text(self.answer, "machine")
        if boots is None or not machine:
            return None
        return f"{hashlib.sha256(machine.lower().encode()).hexdigest()[:16]}-{boots}"

    def rotational(self, disk: Answer) -> bool | None:
        """Whether a disk turns; None when that was not told."""
        for media in entries(self.answer, "media"):
            if text(media, "DeviceId") == str(disk.get("Number")):
                return {_MEDIA_TURNING: True, _MEDIA_SOLID: False}.get(number(media, "Media") or 0)
        return None


def ask(run_program: Run) -> Machine:
    """Put the question; an empty answer when PowerShell is missing, fails or does not answer in time."""
    coded = base64.b64encode(QUESTION.encode("utf-16-le")).decode("ascii")
    root = os.environ.get("SYSTEMROOT", "C:\\Windows")
    program = f"{root}\\System32\\WindowsPowerShell\\v1.0\\powershell.exe"
    out = run_program([program, "-NoLogo", "-NoProfile", "-NonInteractive", "-EncodedCommand", coded])
    try:
        found = json.loads(out.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        found = {}
    return Machine(found if isinstance(found, dict) else {})
