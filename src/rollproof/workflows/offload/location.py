"""Where the destinations of an offload lie: the drives that are meant, or this computer's own disk in their place."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from rollproof.drives.interface import Drives
from rollproof.drives.system_place import is_at_or_below, is_one_of, is_same_volume, mount_roots, own_volumes
from rollproof.drives.system_place import system_volumes as find_system_volumes
from rollproof.ledger.entries import DriveIdentity, KnownPlace, PlaceNote
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.production.model import Production, ProductionDrive
from rollproof.proof.location import REFUSED, LocationFacts, LocationReason, judge_location
from rollproof.station.context import Context
from rollproof.station.ledger import StationLedger
from rollproof.storage.station import station_home
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.preflight import looking_at_drives
from rollproof.workflows.offload.target import DriveAtWork

_MEANT = (
    "attach and mount the drive, and look where it is mounted with `rollproof drives`; if this computer's own disk is"
    " meant, say so with --system-disk, or with system_disk = true for this drive in the production file"
)


@dataclass(frozen=True, slots=True)
class Computer:
    """What belongs to this computer itself: its volumes, the folders where it mounts drives, where our files lie."""

    volumes: tuple[Volume, ...]
    mount_roots: tuple[bytes, ...]
    station: Volume | None


@dataclass(frozen=True, slots=True)
class Located:
    """What the production file and the station's memory say of a destination; None where they say nothing."""

    named: ProductionDrive | None
    at_path: KnownPlace | None
    in_role: KnownPlace | None


def this_computer(drives: Drives) -> Computer:
    """Look at this computer. May wait for a home on a network."""
    volumes = own_volumes(drives)
    home = os.fsencode(station_home())
    while not os.path.lexists(home) and os.path.dirname(home) != home:
        home = os.path.dirname(home)
    station = find_system_volumes(drives, [home])
    return Computer(tuple(volumes), mount_roots(drives.name), station[0] if station else None)


def locate(targets: Sequence[DriveAtWork], order: Order, ctx: Context) -> tuple[Computer | None, list[Finding]]:
    """This computer, and what is to be said of where the destinations lie. Raises Interrupted."""
    if not targets:
        return None, []
    try:
        computer = looking_at_drives(ctx.cancel).run_whole(lambda: this_computer(ctx.drives))
    except NoAnswer:
        return None, [unknown_computer()]
    asked = order.request.system_disk
    return computer, location_findings(computer, targets, order.production, ctx.station, system_disk=asked)


def unknown_computer() -> Finding:
    """Nobody can tell this computer's own disk from the drives: nothing is written then."""
    return Finding(
        Kind.SYSTEM_DISK,
        Severity.ERROR,
        "",
        "this computer's own volumes do not answer, so that a drive cannot be told from a folder of its disk;"
        " nothing was written",
        remedy="look whether a home folder on a network answers, then run the command again",
    )


def location_findings(
    computer: Computer,
    targets: Iterable[DriveAtWork],
    production: Production | None,
    station: StationLedger,
    *,
    system_disk: bool,
) -> list[Finding]:
    """Errors for destinations where a drive should be and this computer's own disk is; warnings for what is to be
    known of the others. `system_disk` says that this computer's own disk is meant for all of them."""
    found: list[Finding] = []
    for at in targets:
        located = _located(at, production, station)
        facts = LocationFacts(
            on_system=is_one_of(at.volume, computer.volumes),
            meant=system_disk or (located.named is not None and located.named.system_disk),
            under_mount_root=is_at_or_below(at.base, computer.mount_roots),
            named=located.named is not None,
            here=_identity(at.volume),
            last_at_path=located.at_path.volume if located.at_path is not None else None,
            last_in_role=located.in_role.volume if located.in_role is not None else None,
            holds_station_home=computer.station is not None and is_same_volume(computer.station, at.volume),
        )
        found += [_finding(reason, at, located) for reason in judge_location(facts)]
    return found


def remember_locations(
    computer: Computer,
    targets: Sequence[DriveAtWork],
    production: Production | None,
    station: StationLedger,
    now: datetime,
) -> None:
    """Let the station remember which drive is where, before anything is written there: what lies there when the drive
    is away is then told from it. The computer's own volumes are no drives, and never remembered as one."""
    name = production.name if production is not None else ""
    notes = [
        PlaceNote(at.volume.mount_point, _identity(at.volume), _words(at.volume), _role(at, production), name)
        for at in targets
        if not is_one_of(at.volume, computer.volumes)
    ]
    if notes:
        station.tell(lambda ledger: ledger.remember_places(notes, now))


def named_drive(production: Production | None, role: str, base: bytes) -> ProductionDrive | None:
    """The drive of the production file that a destination is: by its role, else by the path at or above it."""
    if production is None:
        return None
    by_role = next((drive for drive in production.drives if role and drive.role == role), None)
    if by_role is not None:
        return by_role
    for drive in production.drives:
        path = os.fsencode(drive.path) if drive.path is not None else b""
        if path and os.path.isabs(path) and is_at_or_below(base, [path]):
            return drive
    return None


def _located(at: DriveAtWork, production: Production | None, station: StationLedger) -> Located:
    named = named_drive(production, at.role, at.base)
    role = _role(at, production)
    name = production.name if production is not None else ""
    paths = dict.fromkeys((os.path.abspath(at.base), os.path.realpath(at.base)))
    at_path = [station.ask(lambda ledger, path=path: ledger.last_at_path(path)) for path in paths]  # type: ignore[misc]
    return Located(
        named,
        next((place for place in at_path if place is not None), None),
        station.ask(lambda ledger: ledger.last_in_role(name, role)) if role else None,
    )


def _role(at: DriveAtWork, production: Production | None) -> str:
    named = named_drive(production, at.role, at.base)
    return named.role if named is not None else at.role


def _identity(volume: Volume) -> str:
    """The volume, whatever dock its device is in; where it has no identity, what else tells it."""
    return volume.serial or DriveIdentity.of(volume).text


def _words(volume: Volume) -> str:
    label = f'"{volume.label}", ' if volume.label else ""
    return f"{label}volume {volume.serial or 'without identity'}"


def _finding(reason: LocationReason, at: DriveAtWork, located: Located) -> Finding:
    detail, remedy = _TEXTS[reason](at, located)
    kind = {LocationReason.ANOTHER_DRIVE: Kind.OTHER_DRIVE, LocationReason.STATION_HOME: Kind.STATION_ON_DRIVE}
    severity = Severity.ERROR if reason in REFUSED else Severity.WARNING
    return Finding(kind.get(reason, Kind.SYSTEM_DISK), severity, shown(at.base), detail, drive=at.drive, remedy=remedy)


def _not_here(at: DriveAtWork) -> str:
    where = "in this computer's memory" if at.volume.device.kind == "memory" else "of this computer's own disk"
    return f"the drive is not there: {shown(at.base)} is a folder {where}"


def _seen(place: KnownPlace | None) -> str:
    if place is None:
        return "a drive"
    return f"{inert(place.drive)} ({place.seen_at.astimezone().isoformat(sep=' ', timespec='minutes')[:16]})"


_TEXTS: dict[LocationReason, Callable[[DriveAtWork, Located], tuple[str, str]]] = {
    LocationReason.OTHER_AT_PATH: lambda at, known: (
        f"{_not_here(at)}, and this station last saw {_seen(known.at_path)} mounted there", _MEANT
    ),
    LocationReason.OTHER_IN_ROLE: lambda at, known: (
        f"{_not_here(at)}, and this station last saw {_seen(known.in_role)} in this role", _MEANT
    ),
    LocationReason.NAMED_DRIVE: lambda at, known: (
        f"{_not_here(at)}, and the production file names a drive there", _MEANT
    ),
    LocationReason.MOUNT_ROOT: lambda at, known: (
        f"{_not_here(at)}, in a place where drives are mounted", _MEANT
    ),
    LocationReason.SYSTEM_MEANT: lambda at, known: (
        f"{shown(at.base)} lies on this computer's own disk, as it was meant: it counts as a device, and is lost with"
        " the computer",
        "have the other copies on drives that are kept elsewhere",
    ),
    LocationReason.ANOTHER_DRIVE: lambda at, known: (
        f"another drive is in the place of {inert(at.role or at.drive)}: it was {_seen(known.in_role)}, and is"
        f" {inert(_words(at.volume))} now",
        "nothing, where drives take turns; else stop with Ctrl-C and attach the right one",
    ),
    LocationReason.STATION_HOME: lambda at, known: (
        "this station's own files (ledger, keys) lie on this drive: they leave with it, and its loss takes along what"
        " the station knows of the others",
        "let ROLLPROOF_HOME name a folder on this computer",
    ),
}  # fmt: skip
