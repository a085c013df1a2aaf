"""Names and files a drive cannot hold, found before the first byte is copied."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable

from rollproof.models.file_table import paths_of
from rollproof.models.findings import Finding, Kind, error, warning
from rollproof.models.names import (
    ASCMHL_FOLDER,
    ORDINARY,
    PARTIAL_SUFFIX,
    RECORDS_FOLDER,
    collision_key,
    is_text,
    shown,
    to_text,
)
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Limits

_EXAMPLES = 4
_OTHER_DRIVE = "take a drive with another file system (the originals are never renamed)"


def name_findings(snapshot: Snapshot, limits: Limits, drive: str) -> list[Finding]:
    """What of the snapshot this drive cannot hold: names, names that become one, files that are too large.

    Equal problems are one finding with a count and a handful of examples. Errors forbid the copy; names that this
    drive keeps apart but other systems may not are a warning.
    """
    paths = _all_paths(snapshot)
    return [
        *_names_not_held(paths, limits, drive),
        *_own_names_taken(paths, limits, drive),
        *_names_that_collide(paths, limits, drive),
        *_files_too_large(snapshot, limits, drive),
    ]


def name_problem(name: bytes, limits: Limits) -> str | None:
    """Why a drive cannot hold a single name (one component), as a clause that goes on after "because"; else None."""
    text = to_text(name)
    ordinary = ORDINARY.fullmatch(name) is not None  # nearly all are: text without controls, a byte for each unit
    if limits.needs_utf8 and not ordinary and not is_text(name):
        return "the drive's file system holds only names that are text (UTF-8)"
    if limits.max_name_bytes is not None and len(name) > limits.max_name_bytes:
        return f"a name there has at most {limits.max_name_bytes} bytes"
    units = limits.max_name_utf16
    if units is not None and (len(name) if ordinary else _utf16_units(text, limits)) > units:
        return f"a name there has at most {units} UTF-16 units"
    if limits.forbids_control and not ordinary and any(character < " " for character in text):
        return "a name there has no control characters"
    if not limits.forbidden.isdisjoint(text):
        return f"a name there has none of {' '.join(sorted(limits.forbidden))}"
    if not limits.trailing_dot_or_space and text.endswith((".", " ")):
        return "a name there does not end with a dot or a space"
    if limits.reserved_names and text.partition(".")[0].rstrip(" ").upper() in limits.reserved_names:
        return "the system keeps such names (CON, NUL, COM1 …) for itself"
    return None


def drive_key(name: bytes, limits: Limits) -> str:
    """Two names with one key are one name to a drive with these limits.

    Letter by letter, as the drives' own upper-case tables do it; names that merely *may* be one to some system are
    told by `models.names.collision_key`.
    """
    if name.isascii():  # every letter has an upper case of its own, and one form
        text = name.decode("ascii")
        return text.upper() if limits.folds_case else text
    text = name.decode("utf-8", "surrogateescape")
    if limits.folds_unicode:
        text = unicodedata.normalize("NFC", text)
    if limits.folds_case:
        text = "".join(upper if len(upper := letter.upper()) == 1 else letter for letter in text)
    if limits.folds_unicode:
        text = unicodedata.normalize("NFC", text)
    return text


def _utf16_units(text: str, limits: Limits) -> int:
    # HFS+ counts the decomposed form (technical note 1150, "Unicode Subtleties"); it is the one that folds by units
    counted = unicodedata.normalize("NFD", text) if limits.folds_unicode else text
    return len(counted.encode("utf-16-le", "surrogatepass")) // 2


def _all_paths(snapshot: Snapshot) -> list[bytes]:
    """Every file and folder, folders named only by what lies in them too."""
    paths = set(paths_of(snapshot.files))
    paths.update(snapshot.folders)
    before = b""
    for path in [*paths_of(snapshot.files), *snapshot.folders]:
        parent = path.rpartition(b"/")[0]
        if parent == before:  # the files of a folder come together
            continue
        before = parent
        while parent and parent not in paths:
            paths.add(parent)
            parent = parent.rpartition(b"/")[0]
    return sorted(paths)


def _names_not_held(paths: Iterable[bytes], limits: Limits, drive: str) -> list[Finding]:
    reasons: dict[str, list[bytes]] = defaultdict(list)
    for path in paths:
        problem = name_problem(path.rpartition(b"/")[2], limits)
        if problem:
            reasons[problem].append(path)
    return [
        error(
            Kind.NAME_NOT_HELD,
            f"{_listed(found)} cannot be stored on the drive {drive}, because {reason}",
            path=shown(found[0]),
            drive=drive,
            remedy=_OTHER_DRIVE,
            count=len(found),
        )
        for reason, found in reasons.items()
    ]


def _own_names_taken(paths: Iterable[bytes], limits: Limits, drive: str) -> list[Finding]:
    ours = {drive_key(name, limits) for name in (RECORDS_FOLDER, ASCMHL_FOLDER)}
    suffix = drive_key(PARTIAL_SUFFIX, limits)
    taken: list[bytes] = []
    unfinished: list[bytes] = []
    for path in paths:
        parent, _, name = path.rpartition(b"/")
        key = drive_key(name, limits)
        if not parent and key in ours:
            taken.append(path)
        elif key.endswith(suffix):
            unfinished.append(path)
    findings = []
    if taken:
        findings.append(
            error(
                Kind.NAMES_COLLIDE,
                f"{_listed(taken)} would land in the folder that holds the records on the drive {drive}",
                path=shown(taken[0]),
                drive=drive,
                remedy="if this is a finished copy, name its roll folder as the source; else a folder below this one",
                count=len(taken),
            )
        )
    if unfinished:
        findings.append(
            error(
                Kind.NAMES_COLLIDE,
                f"{_listed(unfinished)} has the name of an unfinished copy: the source is itself not finished",
                path=shown(unfinished[0]),
                drive=drive,
                remedy="finish the offload that wrote it first, or take the card itself as the source",
                count=len(unfinished),
            )
        )
    return findings


def _names_that_collide(paths: Iterable[bytes], limits: Limits, drive: str) -> list[Finding]:
    if not (limits.folds_case or limits.folds_unicode):
        return []
    paths = list(paths)
    surely = _twins(paths, lambda name: drive_key(name, limits))
    known = set(surely)
    perhaps = [path for path in _twins(paths, collision_key) if path not in known]
    findings = []
    if surely:
        findings.append(
            error(
                Kind.NAMES_COLLIDE,
                f"{_listed(surely)}: the drive {drive} cannot tell these names apart, so one would replace the other",
                path=shown(surely[0]),
                drive=drive,
                remedy="take a drive whose file system keeps capitals and accents apart (ext4, XFS)",
                count=len(surely),
            )
        )
    if perhaps:
        findings.append(
            warning(
                Kind.NAMES_COLLIDE,
                f"{_listed(perhaps)}: the drive {drive} keeps these names apart, another computer may not",
                path=shown(perhaps[0]),
                drive=drive,
                remedy="read this drive on the kind of computer that wrote it",
                count=len(perhaps),
            )
        )
    return findings


def _twins(paths: Iterable[bytes], key: Callable[[bytes], str]) -> list[bytes]:
    """Paths that share a key with another in the same folder, neighbours together."""
    first: dict[tuple[bytes, str], bytes] = {}
    groups: dict[tuple[bytes, str], list[bytes]] = {}
    for path in paths:
        parent, _, name = path.rpartition(b"/")
        place = parent, key(name)
        one = first.setdefault(place, path)
        if one is not path:
            groups.setdefault(place, [one]).append(path)
    return [path for group in sorted(groups.values()) for path in group]


def _files_too_large(snapshot: Snapshot, limits: Limits, drive: str) -> list[Finding]:
    if limits.max_file_bytes is None:
        return []
    found = [entry.path for entry in snapshot.files if entry.size > limits.max_file_bytes]
    if not found:
        return []
    return [
        error(
            Kind.FILE_TOO_LARGE,
            f"{_listed(found)} is larger than a file on the drive {drive} can be ({limits.max_file_bytes:,} bytes)",
            path=shown(found[0]),
            drive=drive,
            remedy="take a drive with another file system (exFAT, ext4, XFS, APFS or NTFS hold large files)",
            count=len(found),
        )
    ]


def _listed(paths: list[bytes]) -> str:
    text = ", ".join(shown(path) for path in paths[:_EXAMPLES])
    more = len(paths) - _EXAMPLES
    return f"{text} and {more} more" if more > 0 else text
