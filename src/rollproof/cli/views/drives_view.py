"""The attached drives as a person reads them: one block each, the room that is left first."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from rollproof.cli.console import BAD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.views import words
from rollproof.workflows.drives import DriveOut, DrivesResult, MissingDrive


def drives_lines(result: DrivesResult) -> Iterator[Text]:
    """A block per attached volume, then the production's drives that are not there."""
    if not result.drives:
        yield Text("No drive is attached.")
    for number, drive in enumerate(result.drives):
        if number:
            yield Text()
        yield from _drive_lines(drive)
    if result.install:
        yield Text()
        yield from _right_lines(result)
    if result.missing:
        yield Text()
        yield Text("Not attached", BAD)
        yield from (_missing_line(missing) for missing in result.missing)


def _drive_lines(drive: DriveOut) -> Iterator[Text]:
    names = [safe(drive.role).plain] if drive.role else []
    if drive.label and drive.label != drive.role:
        names.append(f'named "{safe(drive.label).plain}"')
    yield join(safe(drive.mount_point, STRONG), "   " + ", ".join(names) if names else "")
    if drive.capacity_bytes:
        room = f"{words.size(drive.free_bytes)} free of {words.size(drive.capacity_bytes)}"
        yield join(f"  {room}", Text(", read-only", WARN) if drive.read_only else "")
    elif drive.refused:
        yield Text("  not for you to look into: no permission for its folder", WARN)
        return
    else:
        yield Text("  does not answer; unplug it and plug it in again", WARN)
    identity = join(", volume ", safe(drive.volume)) if drive.volume else ", volume without identity"
    yield join("  ", safe(drive.file_system), identity)
    serial = join(", serial ", safe(drive.serial)) if drive.serial else ""
    yield join("  on ", safe(drive.device or "a device that could not be told"), serial)
    if drive.known and not drive.known.startswith("not known here: "):  # a station's own disk is nobody's news
        yield join("  ", safe(drive.known))
    if drive.lacks_right:
        yield Text("  what is read here cannot be shown to come from the medium; see below", WARN)
    else:
        yield join("  ", safe(drive.readback_words, "" if drive.readback == "medium" else WARN))
    if drive.same_device_as:
        others = words.listed([safe(other).plain for other in drive.same_device_as])
        yield Text(f"  on the same device as {others}: together they count as one copy", WARN)
    elif drive.device_key is None:
        yield Text("  its device could not be told from others: all such drives count as one copy", QUIET)


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
