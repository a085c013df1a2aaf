"""Keys of physical devices: one text that is equal for two volumes exactly when they share one device.

`proof.devices` compares and counts them.

A device that names itself (NVMe, ATA and SCSI world-wide names, the register of an SD card) is known by that name,
also after it was formatted. A USB bridge names itself, not the disk behind it, and many share one serial number or
have none: there the serial is combined with the size and with what is written on the disk (partition table or volume
UUID). A set of disks (md, LVM, btrfs) has the keys of all its disks.
"""

from __future__ import annotations

from rollproof.models.names import inert
from rollproof.proof.devices import IMAGE, JOIN
from rollproof.proof.identity import is_placeholder


def own_name_key(kind: str, name: str) -> str:
    """Key of a device that names itself."""
    return _clean(f"{kind}:{name}")


def bridge_key(model: str, serial: str, size_bytes: int | None, written_id: str) -> str | None:
    """Key of a disk whose own name cannot be read; None when neither a serial nor anything written tells it apart."""
    if is_placeholder(serial):
        serial = ""
    if not serial and not written_id:
        return None
    return _clean(f"disk:{model}:{serial}:{size_bytes or 0}:{written_id}")


def image_key(beneath: str | None, backing_path: str) -> str:
    """Key of a disk image: the file and the disk it lies on."""
    return _clean(f"{IMAGE}{beneath or 'unknown'}:{backing_path}")


def joined(keys: list[str | None]) -> str | None:
    """Key of a set of disks; None when one of them could not be told."""
    known = [key for key in keys if key is not None]
    if not known or len(known) < len(keys):
        return None
    return JOIN.join(sorted({part for key in known for part in key.split(JOIN)}))


def _clean(key: str) -> str:
    # a name from a device must neither look like a set nor carry control characters into records
    return inert(" ".join(key.split())).replace(JOIN, " ")
