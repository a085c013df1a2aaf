"""How a read on a volume can earn the evidence `medium`: the list known to reach the device, and nothing else.

What is not on the list is `cache` until it was shown otherwise by changing a byte under a live mount.
"""

from __future__ import annotations

from collections.abc import Collection

from rollproof.models.volumes import Device, MediumWay

_ANSWERED_BY_A_SERVER = frozenset({"nfs", "nfs3", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "ceph", "lustre"})
"""Network file systems whose own client can be made to ask the server again."""

_OTHER_NETWORK = frozenset(
    {"9p", "afs", "beegfs", "davfs", "glusterfs", "gpfs", "virtiofs", "vboxsf", "vmhgfs", "webdav", "drvfs"}
    | {"fuse.sshfs", "fuse.davfs", "fuse.davfs2", "fuse.glusterfs", "fuse.rclone", "fuse.s3fs", "fuse.vmhgfs-fuse"}
    | {"fuse.cephfs", "fuse.curlftpfs", "fuse.gvfsd-fuse", "fuse.smbnetfs", "ncpfs", "coda", "orangefs", "pvfs2"}
)

_DIRECT_ON_LINUX = frozenset({"ext4", "xfs", "exfat", "vfat", "ntfs3"})
THROUGH_DEVICE_PAGES = frozenset({"fuse.exfat", "fuse.ntfs"})
_LOCAL_ON_MACOS = frozenset({"apfs", "hfs", "hfs+", "hfsplus", "exfat"})
_LOCAL_ON_WINDOWS = frozenset({"ntfs", "exfat", "refs"})


def is_network(file_system: str) -> bool:
    """Whether a file system lies on another machine."""
    return file_system.lower() in _ANSWERED_BY_A_SERVER | _OTHER_NETWORK


def way_for(file_system: str, options: Collection[str], device: Device, system: str = "linux") -> MediumWay:
    """The way for a file system on a device. `system` is `linux`, `macos` or `windows`; `options` are the mount's.

    `file_system` is `Volume.file_system`: `fuse.exfat` and `fuse.ntfs` are FUSE file systems *on a block device*.
    On Linux, ext4 counts only when `options` hold no `data=journal`; the caller adds the file system's own defaults,
    which the kernel leaves out of the mount table. A FUSE mount that only says what it is has another name
    (`drives.linux`), and an image on another mounted drive may be answered from that drive's cache: neither has a way.
    """
    name = file_system.lower()
    if name in _ANSWERED_BY_A_SERVER:
        return MediumWay.SERVER
    if is_network(name) or device.kind == "memory" or device.cached_beneath:
        return MediumWay.NONE
    if device.kind == "network":
        # a block device behind a network: the flush and the direct read both end at the server
        known = name in _DIRECT_ON_LINUX | _LOCAL_ON_WINDOWS and "data=journal" not in options
        return MediumWay.SERVER if known else MediumWay.NONE
    if system == "macos":
        return MediumWay.MACOS_INVALIDATED if name in _LOCAL_ON_MACOS else MediumWay.NONE
    if system == "windows":
        return MediumWay.WINDOWS_UNBUFFERED if name in _LOCAL_ON_WINDOWS else MediumWay.NONE
    if name in _DIRECT_ON_LINUX:
        return MediumWay.NONE if name == "ext4" and "data=journal" in options else MediumWay.DIRECT
    if name == "btrfs":
        return MediumWay.DIRECT_AFTER_EVICTION
    if name in THROUGH_DEVICE_PAGES:
        return MediumWay.DEVICE_PAGES_DROPPED
    return MediumWay.NONE


_WORDS = {
    MediumWay.DIRECT: "a read-back reaches the medium (direct reads)",
    MediumWay.DIRECT_AFTER_EVICTION: "a read-back reaches the medium once the system's cache of the file is dropped",
    MediumWay.DEVICE_PAGES_DROPPED: (
        "a read-back reaches the medium once the system's cache of the device is dropped"
        " (which needs the owner of the device's node, or root)"
    ),
    MediumWay.MACOS_INVALIDATED: "a read-back reaches the medium once the system's cache of the file is dropped",
    MediumWay.WINDOWS_UNBUFFERED: "a read-back reaches the medium (unbuffered reads)",
    MediumWay.SERVER: "a read-back reaches the server, not the medium behind it",
    MediumWay.NONE: (
        "a read-back may be answered by a cache; to prove a copy, unplug the drive, plug it in again and verify"
    ),
}


def way_in_words(way: MediumWay) -> str:
    """What a person can expect from a read-back there, in plain words."""
    return _WORDS[way]
