"""The attached drives as a person reads them: one table, cards apart, and below a row only what must be known."""

from __future__ import annotations

from collections.abc import Iterator

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left
from rollproof.cli.views import words
from rollproof.workflows.drives import DriveOut, DrivesResult, MissingDrive

_PLACE_MOST, _ROLE_MOST = 26, 10


def drives_lines(result: DrivesResult, *, everything: bool = False, width: int = 80) -> Iterator[Text]:
    """The drives, the cards, then the production's drives that are not there. `everything` adds identities."""
    if not result.drives:
        yield Text("No drive is attached.")
    place = min(max((cell_len(safe(each.mount_point).plain) for each in result.drives), default=0), _PLACE_MOST)
    first = True
    for heading, chosen in (
        ("Drives", [each for each in result.drives if not each.card]),
        ("Cards, by what lies on them", [each for each in result.drives if each.card]),
    ):
        if not chosen:
            continue
        if not first:
            yield Text()
        first = False
        yield Text(heading, STRONG)
        role = min(max(cell_len(_name(each)) for each in chosen), _ROLE_MOST)
        for drive in chosen:
            row = _row(drive, place, role)
            if not everything:
                row.truncate(width, overflow="ellipsis")
            yield row
            yield from _notes(drive, everything=everything)
            if everything:
                yield from _identity(drive)
    if result.install:
        yield Text()
        yield from _right_lines(result)
    if result.missing:
        yield Text()
        yield Text("Not attached", BAD)
        yield from (_missing_line(missing) for missing in result.missing)


def _name(drive: DriveOut) -> str:
    """Its role in the production, else what its volume is called."""
    return safe(drive.role or drive.label).plain


def _row(drive: DriveOut, place: int, role: int) -> Text:
    if drive.capacity_bytes:
        room = f"{words.size(drive.free_bytes):>8} free of {words.size(drive.capacity_bytes):>8}"
    else:
        room = f"{'':27}"
    device = safe(drive.device or "a device that could not be told")
    where = left(drive.mount_point, place, STRONG, keep_end=True)
    return join("  ", where, "  ", left(_name(drive), role), "  ", room, "  ", device)


def _notes(drive: DriveOut, *, everything: bool) -> Iterator[Text]:
    """What keeps a drive from being used as it is, and why two of them may count once."""
    if drive.refused:
        yield Text("    not for you to look into: no permission for its folder", WARN)
        return
    if not drive.capacity_bytes:
        yield Text("    does not answer; unplug it and plug it in again", WARN)
        return
    if drive.read_only:
        yield Text("    read-only", QUIET if drive.card else WARN)
    if drive.lacks_right:
        yield Text("    what is read here cannot be shown to come from the medium; see below", WARN)
    elif drive.readback != "medium":
        yield join("    ", safe(drive.readback_words, WARN))
    # a station's own disk is nobody's news, and a drive that is what it is called only for whoever asks
    as_called = f"known here as {drive.role or drive.label},"
    if drive.known and not drive.known.startswith("not known here: ") and (everything or as_called not in drive.known):
        yield join("    ", safe(drive.known, QUIET))
    if drive.same_device_as:
        others = words.listed([safe(other).plain for other in drive.same_device_as])
        yield Text(f"    on the same device as {others}: together they count as one copy", WARN)
    elif drive.device_key is None:
        yield Text("    its device could not be told from others: all such drives count as one copy", QUIET)


def _identity(drive: DriveOut) -> Iterator[Text]:
    label = join(', named "', safe(drive.label), '"') if drive.label else ""
    identity = join(", volume ", safe(drive.volume)) if drive.volume else ", volume without identity"
    serial = join(", serial ", safe(drive.serial)) if drive.serial else ""
    yield join("    ", safe(drive.file_system), label, identity, serial)


def _right_lines(result: DrivesResult) -> Iterator[Text]:
    places = words.listed([safe(drive.mount_point).plain for drive in result.drives if drive.lacks_right])
    yield Text(f"Not provable for you yet: {places}", WARN)
    yield Text(
        "  They are mounted through FUSE. Only the owner of the device's node can rule out that a cache answers."
    )
    yield Text("  Once on this computer, with the administrator's password:")
    yield from (Text(f"    {command}", STRONG) for command in result.install)
    yield Text("  Then unplug them and plug them in again. The rule lets you read these devices, never write to them.")


def _missing_line(missing: MissingDrive) -> Text:
    parts = [safe(missing.path).plain] if missing.path else []
    if missing.volume:
        parts.append(f"volume {safe(missing.volume).plain}")
    return join("  ", safe(missing.role, STRONG), "   ", ", ".join(parts))
