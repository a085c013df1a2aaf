"""The card's side of `may-wipe`: is the whole medium before us, and is everything on it seen?

Every check errs to the side of KEEP. What is looked at here needs no ledger and no copy.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from rollproof.card.clips import group_clips
from rollproof.card.named_parts import PartsFound, entries_of, find_named_parts
from rollproof.drives.interface import Drives
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import Clip, Snapshot
from rollproof.models.volumes import Volume
from rollproof.proof.acceptance import Subject, accepts
from rollproof.proof.streams import can_have
from rollproof.storage.errors import said
from rollproof.storage.io import EntryKind, Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.litter import MOST_LITTER, walk_litter
from rollproof.tree.snapshot import take_snapshot
from rollproof.tree.suffixes import MEDIA, split_name
from rollproof.workflows.may_wipe.asked_for import AskedFor
from rollproof.workflows.may_wipe.named_parts import about_named_parts

_HIDDEN_BYTES = 1 << 20
_TIGHT = frozenset(("fuse.exfat", "exfat", "vfat", "msdos", "ext2", "ext3", "ext4", "iso9660"))
"""File systems whose own overhead inside the used space is small and known."""
_EXFAT = frozenset(("fuse.exfat", "exfat"))
_TIGHT_SLACK = 1 << 20
_LOOSE_SLACK = 32 << 20
_SEEN = (Kind.LINK, Kind.SPECIAL_FILE)
_ENTRY_BYTES = 640
"""The most a folder entry takes (exFAT: 19 sets of 32 bytes)."""


@dataclass(slots=True)
class CardInHand:
    """What can be said of the card without looking at any copy. `findings` that are errors are reasons to KEEP."""

    path: bytes
    root: int
    volume: Volume
    snapshot: Snapshot
    clips: list[Clip]
    findings: list[Finding] = field(default_factory=list)
    asked: AskedFor = field(default_factory=lambda: AskedFor(b""))
    parts: PartsFound = field(default_factory=PartsFound)
    """What it holds that no listing shows."""
    hidden: frozenset[bytes] = frozenset()
    """Files that today's production leaves out of every offload by its own patterns."""
    taken_unseen: list[str] = field(default_factory=list)
    """What a person took upon themselves though nobody can tell what it holds: a folder that cannot be read."""
    subjects: list[Subject] = field(default_factory=list)
    """Everything that was found so far and may be accepted by name."""
    granted: list[Subject] = field(default_factory=list)
    """Those among them that a given name answers to; whether it means nothing else is judged when all are known."""

    def takes(self, subject: Subject) -> bool:
        """Note something that may be accepted; returns whether a given name answers to it."""
        self.subjects.append(subject)
        granted = bool(accepts(self.asked.names, subject))
        if granted:
            self.granted.append(subject)
        return granted


def keep(kind: Kind, detail: str, remedy: str, *, path: str = "", drive: str = "", count: int = 1) -> Finding:
    """A reason to KEEP."""
    return error(kind, detail, path=path, drive=drive, remedy=remedy, count=count)


def take_in_hand(
    io: Io, drives: Drives, asked: AskedFor, ignore: Sequence[str], cancel: Cancel
) -> tuple[CardInHand | None, list[Finding]]:
    """Open and list the card, and judge the whole medium. Without a card: None and the reason. The caller closes
    `root`."""
    path = asked.card
    try:
        root = io.open_root(path)
    except OSError as error:
        return None, [_no_card(path, said(error))]
    try:
        volume = drives.volume_of(path)
        if not volume.is_mount_root or volume.mount_root not in (b"/", b""):
            io.close(root)
            return None, [_no_root(path)]
        snapshot = take_snapshot(io, root, IgnoreRules(), cancel=cancel)
    except OSError as error:
        io.close(root)
        return None, [_no_card(path, said(error))]
    except BaseException:
        io.close(root)
        raise
    card = CardInHand(path, root, volume, snapshot, group_clips(snapshot), asked=asked)
    card.parts = look_for_parts(io, card, cancel)
    card.findings += about_named_parts(card.parts, volume.file_system, card.takes, card.asked.command)
    card.findings += _whole_medium(drives, card)
    for finding in snapshot.findings:
        if not _is_accepted(card, finding):
            card.findings.append(_by_name(finding))
        elif finding.kind not in _SEEN:
            card.taken_unseen.append(finding.path)
    card.findings += _litter(io, card, cancel)
    card.findings += _hidden(card, IgnoreRules(ignore))
    card.findings += about_space(io, card)
    return card, card.findings


def look_for_parts(io: Io, card: CardInHand, cancel: Cancel) -> PartsFound:
    """What files, folders and an operating system's own files hold that no listing shows."""
    entries = set(entries_of(card.snapshot))
    if can_have(card.volume.file_system):
        budget = [MOST_LITTER]
        for path in card.snapshot.ignored:
            entries |= {path, *(inner for inner, _, _ in walk_litter(io, card.root, path, budget, cancel))}
    return find_named_parts(io, card.root, sorted(entries), card.volume.file_system, cancel=cancel)


def _no_card(path: bytes, why: str) -> Finding:
    return keep(
        Kind.CARD_MISSING,
        f"no card here: {shown(path)} cannot be opened ({why})",
        "put the card into its reader, mount it, and ask again",
        path=shown(path),
    )


def _no_root(path: bytes) -> Finding:
    return keep(
        Kind.NOT_A_CARD_ROOT,
        f"no card here: {shown(path)} is a folder, not the top of a mounted card",
        "put the card into its reader; then name the folder that the card itself is mounted on",
        path=shown(path),
    )


def _is_accepted(card: CardInHand, finding: Finding) -> bool:
    acceptable = finding.severity is Severity.ERROR and finding.count == 1 and bool(finding.path)
    return acceptable and card.takes(Subject("path", finding.path))


def _by_name(finding: Finding) -> Finding:
    """A folder that cannot be read is named in the reason itself, with what an offload makes of it."""
    if finding.kind is not Kind.UNREADABLE_FOLDER or not finding.path:
        return finding
    detail = f"{finding.path}: {finding.detail}"
    remedy = f"{finding.remedy or 'look at the card'}, then run its offload again; while it stays so, keep the card"
    return replace(finding, detail=detail, remedy=remedy)


def about_unseen(card: CardInHand, *, unfinished: bool) -> Iterator[Finding]:
    """Accepting a folder that cannot be read serves where it could be read when the copies were made. Copies that were
    made without it are not finished, and nothing that is said today finishes them."""
    for path in card.taken_unseen if unfinished else ():
        yield keep(
            Kind.UNREADABLE_FOLDER,
            f"{path} is accepted, and the copies are not finished all the same: an offload that cannot read all of a"
            " card never finishes, for nobody knows what it left behind",
            "keep the card; try another reader and run its offload again, or have the card's data recovered",
            path=path,
        )


def _hidden(card: CardInHand, rules: IgnoreRules) -> Iterator[Finding]:
    if not rules.own:
        return
    hidden = [entry.path for entry in card.snapshot.files if rules.matches(entry.path, False)]
    card.hidden = frozenset(hidden)
    for path in hidden:
        text = shown(path)
        if not card.takes(Subject("path", text)):
            yield keep(
                Kind.HIDDEN_MEDIA,
                f"{text} is left out by the production's own ignore patterns and lies on no drive",
                f"look at it; if nobody needs it: {card.asked.command(text)}",
                path=text,
            )


# --- the whole medium


def _whole_medium(drives: Drives, card: CardInHand) -> Iterator[Finding]:
    try:
        inside = drives.mounts_below(card.path)
        others = drives.other_partitions(card.volume)
    except OSError as error:
        yield keep(
            Kind.OTHER_PARTITION,
            f"what else is on the medium cannot be told ({said(error)})",
            "reseat the card and ask again",
        )
        return
    for mount in inside:
        yield keep(
            Kind.MOUNTED_INSIDE,
            f"something else is mounted inside the card, at {shown(mount)}",
            "unmount it and ask again",
            path=shown(mount),
        )
    if others is None:
        yield keep(
            Kind.OTHER_PARTITION,
            "whether the medium has further partitions cannot be told on this computer",
            "use a reader that shows the card as a disk of its own",
        )
        return
    for other in others:
        if not other.is_system:
            yield keep(
                Kind.OTHER_PARTITION,
                f"the medium has another partition that was not judged: {inert(other.node)}"
                f" ({inert(other.file_system or 'unknown content')})",
                "mount it and look at it; offload what is on it as a card of its own",
            )


# --- what is hidden in litter


def _litter(io: Io, card: CardInHand, cancel: Cancel) -> Iterator[Finding]:
    budget = [MOST_LITTER]
    for path in card.snapshot.ignored:
        for inner, size, kind in walk_litter(io, card.root, path, budget, cancel):
            text = shown(inner)
            media = split_name(inner.rpartition(b"/")[2])[1].lower() in MEDIA
            if kind is EntryKind.FILE and size < _HIDDEN_BYTES and not media:
                continue
            if card.takes(Subject("path", text)):
                continue
            if kind is EntryKind.FILE:
                yield keep(
                    Kind.HIDDEN_MEDIA,
                    f"{text} lies among an operating system's own files and may be footage",
                    f"look at it; if it is none: {card.asked.command(text)}",
                    path=text,
                )
            else:
                yield keep(
                    Kind.UNREADABLE,
                    f"{text} among an operating system's own files cannot be judged",
                    "look at it with the camera or another computer",
                    path=text,
                )


# --- space that no file explains


def about_space(io: Io, card: CardInHand) -> Iterator[Finding]:
    """Used space beyond the files found hints at files whose folder entry was never written, or was deleted."""
    volume = card.volume
    unit = max(volume.limits.allocation_bytes, 512)
    files = sum(-(-entry.size // unit) * unit for entry in card.snapshot.files)
    entries = len(card.snapshot.files) + len(card.snapshot.folders) + 1
    own = (len(card.snapshot.folders) + 1) * unit + entries * _ENTRY_BYTES + volume.capacity_bytes // unit // 8
    if volume.file_system == "ext4" and not volume.reserved_bytes:
        # keeps 2 % and at most 4096 units from everybody; where it could not be told how much, that is allowed for
        own += min(volume.capacity_bytes // 50, 4096 * unit)
    if volume.file_system in _EXFAT:
        own += _exfat_outside_clusters(io, volume) + 2 * unit  # and the allocation bitmap and the up-case table
    tight = volume.file_system in _TIGHT
    slack = _TIGHT_SLACK if tight else _LOOSE_SLACK + volume.capacity_bytes // 50
    litter = sum(_size_of_litter(io, card, path, unit) for path in card.snapshot.ignored)
    used = volume.capacity_bytes - volume.free_bytes - volume.reserved_bytes
    left = used - files - own - litter
    if left > slack and not card.takes(Subject("word", "space")):
        yield keep(
            Kind.SPACE_UNEXPLAINED,
            f"{left:,} bytes are in use on the card that no file explains: a clip may have lost its folder entry",
            f"look at the card in its camera; if it is known why: {card.asked.command('space')}",
        )


def _exfat_outside_clusters(io: Io, volume: Volume) -> int:
    """Bytes that the file system counts as used and that no cluster holds: boot region, FAT and the alignment of the
    cluster heap (up to 32 MiB on cards as they are sold). From the boot sector, exFAT specification 3.1; 0, the safe
    side, where the device may not be read or makes no sense."""
    sector = bytearray(512)
    try:
        device = io.open_device(volume.source)
        try:
            count = io.read_into(device, memoryview(sector), 0)
        finally:
            io.close(device)
    except OSError:
        return 0
    if count < len(sector) or sector[3:11] != b"EXFAT   ":
        return 0
    clusters = int.from_bytes(sector[92:96], "little")
    sector_shift, cluster_shift = sector[108], sector[109]
    if not 9 <= sector_shift <= 12 or cluster_shift > 25 - sector_shift:
        return 0
    return max(0, volume.capacity_bytes - (clusters << (sector_shift + cluster_shift)))


def _size_of_litter(io: Io, card: CardInHand, path: bytes, unit: int) -> int:
    total = 0
    for _, size, kind in walk_litter(io, card.root, path, [MOST_LITTER], Cancel()):
        total += -(-size // unit) * unit if kind is EntryKind.FILE else 0
    return total + unit


def still_the_same(io: Io, drives: Drives, card: CardInHand, cancel: Cancel) -> Finding | None:
    """After all was judged: is it still this medium with this listing?"""
    trouble = ""
    fresh = -1
    try:
        fresh = io.open_root(card.path)
        volume = drives.volume_of(card.path)
        now, then = io.fstat(fresh), io.fstat(card.root)
        if (now.device, now.inode) != (then.device, then.inode):
            trouble = "another medium is mounted in its place"
        elif (volume.serial, volume.device.disk_sequence) != (card.volume.serial, card.volume.device.disk_sequence):
            trouble = "another card is in its place"
        elif take_snapshot(io, fresh, IgnoreRules(), cancel=cancel).listing_digest != card.snapshot.listing_digest:
            trouble = "files on it changed"
        elif look_for_parts(io, card, cancel) != card.parts:
            trouble = "alternate data streams or extended attributes on it changed"
    except OSError as error:
        trouble = "it is gone" if error.errno == errno.ENOENT else said(error)
    finally:
        if fresh >= 0:
            io.close(fresh)
    if not trouble:
        return None
    return keep(
        Kind.CARD_CHANGED, f"the card changed while it was judged: {trouble}", "leave the card alone and ask again"
    )
