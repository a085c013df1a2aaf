"""The fixed facts of ASC MHL v1.0 (XML namespace version 2.0): names, limits, and the text forms of values."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from rollproof.models.names import ACTING, ASCMHL_FOLDER, ORDINARY

NAMESPACE = "urn:ASC:MHL:v2.0"
CLIP_NAMESPACE = "urn:rollproof:clip:1"
"""Our own element inside the standard's `metadata`, which may hold anything."""
CHAIN_NAMESPACE = "urn:ASC:MHL:DIRECTORY:v2.0"
VERSION = "2.0"
CHAIN_NAME = b"ascmhl_chain.xml"
COLLECTION_NAME = b"ascmhl_collection.xml"
MANIFEST_SUFFIX = b".mhl"

DEFAULT_PATTERNS = (".DS_Store", "ascmhl", "/ascmhl/", "/rollproof/")
"""Ignored always: the standard's two, and the two folders at the top that are ours to write."""

MANIFEST_LIMIT_BYTES = 512 << 20
"""A manifest larger than this is not read. One of 200,000 files with all six algorithms stays below half of it."""
MANIFEST_LIMIT_ENTRIES = 1_000_000
"""Files and folders in one manifest, and files in one history: what fits into memory as `expected` hashes."""
CHAIN_LIMIT_BYTES = 16 << 20
PATH_LIMIT_BYTES = 8 << 10
"""A longer path is not written: operating systems end at half of this, and folders thousands deep, each with its own
element and whole path, would blow up the manifest."""

_NUMBERED = re.compile(rb"([0-9]{4,6})_.+\.mhl", re.DOTALL)
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f]")
_ESCAPED = re.compile(f"[&<>\"'{ACTING}]")
_PLAIN = re.compile(f"[^&<>\"'\ufffe\uffff{ACTING}]*")
"""Text that goes into XML as it is."""
_ESCAPES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"}
_EPOCH = datetime(1970, 1, 1)
_TIME = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})T([0-9]{2}):([0-9]{2}):([0-9]{2})(?:\.([0-9]{1,30}))?(Z|[+-][0-9]{2}:[0-9]{2})?"
)


def manifest_name(sequence: int, folder_name: bytes, started_at: datetime) -> bytes:
    """The file name of a manifest: number, name of the data set's folder, start in UTC.

    The folder's name is cut where the whole would be longer than 255 bytes; what the chain's XML or a terminal
    cannot take becomes `_`.
    """
    head = b"%04d_" % sequence
    tail = started_at.astimezone(UTC).strftime("_%Y-%m-%d_%H%M%SZ.mhl").encode()
    return head + plain_name(folder_name, 255 - len(head) - len(tail)) + tail


def plain_name(name: bytes, limit_bytes: int) -> bytes:
    """A name as UTF-8 without control characters, at most so many bytes long, cut between characters."""
    text = _NOT_XML.sub("_", _CONTROL.sub("_", name.decode("utf-8", "replace"))).replace("\ufffd", "_")
    return text.encode()[:limit_bytes].decode("utf-8", "ignore").encode() or b"_"


def number_in_name(name: bytes) -> int | None:
    """The sequence number a manifest's name begins with, or None for a name of another form."""
    match = _NUMBERED.fullmatch(name)
    return int(match.group(1)) if match else None


def is_manifest_name(name: bytes) -> bool:
    """Whether a file in `ascmhl/` counts as a manifest. `._` twins of foreign file systems do not."""
    return name.lower().endswith(MANIFEST_SUFFIX) and not name.startswith(b"._")


@lru_cache(maxsize=16)  # the same path is asked about on every step of its way into a manifest
def why_not_recorded(path: bytes) -> str:
    """Why a manifest cannot name this path, as half a sentence; empty when it can."""
    if len(path) > PATH_LIMIT_BYTES:
        return "is too long for a manifest"
    if ORDINARY.fullmatch(path):
        return ""
    try:
        text = path.decode("utf-8")
    except UnicodeDecodeError:
        return "is not valid UTF-8"
    if _NOT_XML.search(text):
        return "holds a control character that XML cannot hold"
    return ""


def is_ignored(path: bytes) -> bool:
    """Whether the standard ignores this path whatever the patterns say: inside any folder called `ascmhl`, or called
    `.DS_Store`."""
    if ASCMHL_FOLDER not in path and b".DS_Store" not in path:
        return False
    parts = path.split(b"/")
    return ASCMHL_FOLDER in parts or b".DS_Store" in parts


def xml_text(text: str) -> str:
    """Text for an element or an attribute. Tabs and line ends become references, so that they come back exactly, and
    so do controls that would act on the screen of whoever looks at the file; what XML cannot hold becomes U+FFFD (paths
    with such characters never get here)."""
    if _PLAIN.fullmatch(text):
        return text
    safe = _NOT_XML.sub("\ufffd", text)
    return _ESCAPED.sub(lambda match: _ESCAPES.get(match.group()) or f"&#{ord(match.group())};", safe)


def time_text(nanoseconds: int) -> str | None:
    """An XML dateTime in UTC with as many digits as needed, or None for a year XML's four digits cannot hold."""
    seconds, fraction = divmod(nanoseconds, 1_000_000_000)
    try:
        whole = _second_text(seconds)
    except OverflowError:
        return None
    return f"{whole}.{fraction:09d}".rstrip("0") + "Z" if fraction else f"{whole}Z"


@lru_cache(maxsize=256)
def _second_text(seconds: int) -> str:
    """The frames of a sequence share their seconds."""
    return (_EPOCH + timedelta(seconds=seconds)).isoformat()


def date_text(moment: datetime) -> str:
    """An XML dateTime with its offset. Raises ValueError for a moment without one."""
    if moment.utcoffset() is None:
        raise ValueError("a date in a manifest needs its offset")
    return moment.isoformat()


def parse_time(text: str) -> int:
    """Nanoseconds since the epoch of an XML dateTime (UTC where it has no offset). Raises ValueError."""
    match = _TIME.fullmatch(text.strip())
    if match is None:
        raise ValueError("not a date and time")
    year, month, day, hour, minute, second = map(int, match.group(1, 2, 3, 4, 5, 6))
    moment = datetime(year, month, day, hour, minute, second) - _EPOCH
    nanoseconds = (moment.days * 86_400 + moment.seconds) * 1_000_000_000
    nanoseconds += int((match.group(7) or "0").ljust(9, "0")[:9])
    offset = match.group(8)
    if offset and offset != "Z":
        hours, minutes = int(offset[1:3]), int(offset[4:6])
        if hours > 14 or minutes > 59:
            raise ValueError("not an offset")
        shift = (hours * 60 + minutes) * 60_000_000_000
        nanoseconds += shift if offset[0] == "-" else -shift
    return nanoseconds


def parse_moment(text: str) -> datetime:
    """The same as an aware datetime in UTC, to microseconds. Raises ValueError."""
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=parse_time(text) // 1000)
    except OverflowError:
        raise ValueError("a date out of range") from None
