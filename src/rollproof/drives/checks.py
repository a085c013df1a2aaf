"""What speaks against a set of destinations before anything is written: pure functions that return findings.

Names are in `name_checks.py`, room in `space.py`, folders in `placement.py`; this module has the devices, and is the
one door for callers.
"""

from __future__ import annotations

from collections.abc import Sequence

from rollproof.drives.cached_pages import right_findings
from rollproof.drives.name_checks import name_findings
from rollproof.drives.placement import placement_findings
from rollproof.drives.space import bytes_needed, space_finding
from rollproof.models.findings import Finding, Kind, Severity, warning
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.proof.devices import are_one, parts

__all__ = ["bytes_needed", "device_findings", "name_findings", "placement_findings", "space_finding"]

Destination = tuple[str, Volume]


def device_findings(
    destinations: Sequence[Destination], source: Volume, distinct_required: bool = False
) -> list[Finding]:
    """What the devices below the destinations mean for the number of copies. `destinations` are (drive, volume).

    Two destinations on one device count as one copy: a warning, an error when the policy requires distinct devices.
    So do two devices that show one volume identity, and all devices that could not be told apart. A destination on
    the card's own device never counts, and a disk image names the disk beneath it. Where a right to a device node is
    lacking, one warning says what gives it.
    """
    strict = Severity.ERROR if distinct_required else Severity.WARNING
    findings = [_one_device(group, strict) for group in _groups(destinations)]
    findings += _one_identity(destinations, strict)
    beside = [at for at in destinations if are_one(at[1].device, source.device)]
    if beside:
        findings.append(_on_the_card(beside, source))
    findings += _unknown(destinations, strict)
    findings += _images(destinations)
    findings += right_findings([("the card", source), *destinations])
    return findings


def _groups(destinations: Sequence[Destination]) -> list[list[Destination]]:
    """Destinations that share a disk, directly or through a set of disks, each in one group."""
    groups: list[list[Destination]] = []
    for at in destinations:
        sharing = [group for group in groups if any(are_one(at[1].device, other.device) for _, other in group)]
        groups = [group for group in groups if group not in sharing]
        groups.append([*(member for group in sharing for member in group), at])
    return [group for group in groups if len(group) > 1]


def _one_device(group: Sequence[Destination], severity: Severity) -> Finding:
    drives = _listed([drive for drive, _ in group])
    return Finding(
        Kind.SAME_DEVICE,
        severity,
        shown(group[-1][1].mount_point),
        f"the destinations {drives} lie on one physical device ({_device(group[0])}): if it fails, all of them"
        " are lost, so they count as one copy",
        drive=drives,
        remedy="use a second drive for the second copy",
    )


def _one_identity(destinations: Sequence[Destination], severity: Severity) -> list[Finding]:
    findings = []
    for index, (drive, volume) in enumerate(destinations):
        for other_drive, other in destinations[:index]:
            if not volume.serial or volume.serial != other.serial:
                continue
            if are_one(volume.device, other.device) is not False:
                continue  # said already, as one device or as unknown ones
            both = _listed([other_drive, drive])
            findings.append(
                Finding(
                    Kind.SAME_DEVICE,
                    severity,
                    shown(volume.mount_point),
                    f"the drives {both} show the same volume identity ({inert(volume.serial)}), as a cloned drive does:"
                    " they count as one copy until each has been verified",
                    drive=both,
                    remedy="format one of them anew before it is used",
                )
            )
    return findings


def _on_the_card(group: Sequence[Destination], source: Volume) -> Finding:
    drives = _listed([drive for drive, _ in group])
    several = len(group) > 1
    return warning(
        Kind.SAME_DEVICE,
        f"the destination{'s' if several else ''} {drives} {'lie' if several else 'lies'} on the same physical device"
        f" as the card ({_device(group[0])}): {'they share' if several else 'it shares'} the fate of the source at"
        f" {shown(source.mount_point)} and never {'count' if several else 'counts'} as a copy",
        path=shown(group[0][1].mount_point),
        drive=drives,
        remedy="use a drive of its own",
        count=len(group),
    )


def _unknown(destinations: Sequence[Destination], strict: Severity) -> list[Finding]:
    unknown = [at for at in destinations if at[1].device.key is None]
    several = sum(at[1].device.kind != "memory" for at in unknown) > 1
    findings = []
    for drive, volume in unknown:
        in_memory = volume.device.kind == "memory"
        severity = strict if several or in_memory else Severity.WARNING
        together = "; all such destinations count as one copy" if several and not in_memory else ""
        if in_memory:
            what = (
                f"the destination {drive} lies in this computer's memory: it is gone when the power is, and counts as"
                " no copy"
            )
        elif volume.device.kind == "network":
            what = (
                f"the destination {drive} is a network volume ({inert(volume.source)}): the disks below are not known"
            )
        else:
            what = f"the device below the destination {drive} could not be told ({inert(volume.file_system)})"
        findings.append(
            Finding(
                Kind.UNKNOWN_DEVICE,
                severity,
                shown(volume.mount_point),
                what + together,
                drive=drive,
                remedy="have at least one more copy on a drive that can be identified",
            )
        )
    return findings


def _images(destinations: Sequence[Destination]) -> list[Finding]:
    findings = []
    for drive, volume in destinations:
        device = volume.device
        if device.kind != "loop":
            continue
        below = parts(device.beneath)
        sharing = [
            other
            for other, there in destinations
            if other != drive and not below.isdisjoint(parts(there.device.beneath) | parts(there.device.key))
        ]
        also = f", the disk that also holds {_listed(sharing)}" if sharing else ""
        counts = "it counts as the drive it lies on, and that drive's cache may answer for it"
        if not device.cached_beneath:
            counts = "it counts as a device of its own beside other images, but is lost with the disk beneath it"
        findings.append(
            warning(
                Kind.DISK_IMAGE,
                f"the destination {drive} is a {inert(device.label)}{also}: {counts}",
                path=shown(volume.mount_point),
                drive=drive,
                remedy="keep footage on drives, not in disk images",
            )
        )
    return findings


def _device(at: Destination) -> str:
    device = at[1].device
    return inert(device.label or device.node or device.key or "unknown")


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
