"""What an audit says of folders and drives, in words: findings that belong to no single copy."""

from __future__ import annotations

import os
from collections.abc import Sequence

from rollproof.copies.location import place_on
from rollproof.copies.nesting import history_above
from rollproof.models.findings import Finding, Kind, Severity, error, note
from rollproof.models.names import inert, shown, to_text
from rollproof.production.model import Production
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.audit.rolls import Roll
from rollproof.workflows.audit.walk import Loose


def loose_copy(place: Place, loose: Loose, name: str) -> CopyLook:
    """The copy that files without a record, or an empty roll folder, are."""
    path = os.path.join(place.path, loose.folder)
    copy = CopyLook(place, loose.folder, path, name, on_volume=to_text(place_on(place.volume, path)))
    if loose.what == "empty":
        copy.state, copy.why = "empty", "a roll folder with nothing in it"
    else:
        copy.state, copy.files, copy.why = "no record", loose.files, "files that no record names"
    return copy


def loose_finding(place: Place, loose: Loose, name: str, *, enough: bool) -> Told:
    """What is said of a folder outside of all rolls; `enough` is whether its roll has its copies elsewhere."""
    folder = shown(loose.folder) or "/"
    severity = Severity.WARNING if enough else Severity.ERROR
    count = f"{loose.files:,} {'file' if loose.files == 1 else 'files'}"
    if loose.what == "empty":
        detail = f"the roll folder {folder} on {place.name} is empty"
        remedy = "look whether its offload was ever run; keep the card"
        return Told("completeness", Finding(Kind.EMPTY_ROLL, severity, folder, detail, place.name, remedy), name)
    if loose.what == "no record":
        detail = f"{folder} on {place.name} holds {count} and no record and no manifest of them"
        remedy = "such a copy proves nothing: offload the card again, or compare it with a proven copy"
        finding = Finding(Kind.FILES_WITHOUT_RECORD, severity, folder, detail, place.name, remedy, loose.files)
        return Told("copies", finding, name)
    first = shown(loose.first)
    severity = Severity.WARNING if loose.essence else Severity.NOTE
    more = f" and {loose.files - 1:,} more" if loose.files > 1 else ""
    detail = f"no manifest on {place.name} knows {first}{more}"
    finding = Finding(Kind.UNKNOWN_FILE, severity, first, detail, place.name, "look who put it there", loose.files)
    return Told("strangers", finding)


def unread_folder(place: Place, folder: bytes, why: str) -> Told:
    """A folder that could not be searched."""
    detail = (
        f"the folder {shown(folder) or '/'} on {place.name} could not be searched ({why}); rolls in it are not known"
    )
    remedy = "check the drive and who may read that folder, then audit again"
    return Told("copies", error(Kind.UNREADABLE_FOLDER, detail, path=shown(folder), drive=place.name, remedy=remedy))


def not_compared(error: OSError) -> Told:
    """A drive failed while rolls were compared."""
    detail = f"not all rolls could be compared with each other: a drive failed ({said(error)})"
    return Told("agreement", Finding(Kind.DRIVE_FAILED, Severity.ERROR, "", detail, remedy="audit again"))


def other_productions(rolls: Sequence[Roll], production: Production) -> list[Told]:
    """One note for each other production on the drives."""
    others: dict[str, int] = {}
    for roll in rolls:
        if roll.production is not None and roll.production != production.name:
            others[roll.production] = others.get(roll.production, 0) + 1
    return [
        Told(
            "completeness",
            note(
                Kind.OTHER_PRODUCTION,
                f"{count:,} {'roll' if count == 1 else 'rolls'} on these drives belong to {inert(name)},"
                f" not to {inert(production.name)}",
            ),
        )
        for name, count in sorted(others.items())
    ]


def nothing_there(io: Io, paths: Sequence[bytes]) -> Told:
    """There is nothing to audit."""
    where = " or ".join(shown(path) for path in paths)
    detail = f"there is no roll with records or manifests at or below {where}"
    remedy = "name the folders where the drives are mounted"
    above = next((above for path in paths if (above := history_above(io, path)) is not None), None)
    if above is not None:
        detail += f"; there is a history in {shown(above)}, which may know what lies there"
    return Told("copies", error(Kind.NO_HISTORY, detail, remedy=remedy))
