"""XML sidecars and card indexes: well-formed, and the clips they name. XML 1.0 (Fifth Edition).

Bounded, and closed to the outside: no entity is expanded, no external part is fetched.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.parsers import expat

from rollproof.media.problems import CannotSay, FileHealth, Problem, health
from rollproof.media.source import Source, TooMuch

NAME = "XML"
LARGEST = 8 * 1024 * 1024
"""A card index of thousands of clips has some MiB; anything larger is not read."""

_MOST_NAMES = 50_000
_LONGEST_VALUE = 512
_FILE = re.compile(r"[^<>|?*\"\n\r]+\.(?=[0-9]*[A-Za-z])[A-Za-z0-9]{2,4}")
_CLIP_NAMES = frozenset(("clipname", "clip_name", "clip-name"))
_LIST, _TRACKS = "essencelist", frozenset(("video", "audio"))
_STARTS = (b"<?xml", b"\xef\xbb\xbf<?xml", b"<\0?\0x\0m\0", b"\xff\xfe<\0", b"\xfe\xff\0<", b"\0<\0?\0x\0m")


@dataclass(frozen=True, slots=True)
class SidecarXml:
    """What an XML file on a card says.

    `references`: every value that looks like the name of a file (`./CLIP/A003C001.MP4`), as written, without doubles,
    in order. `clip_names`: contents of elements and attributes that name a clip. Both bounded, both untrusted text.
    `tracks` is how many files of picture and sound an `EssenceList` counts up.
    """

    health: FileHealth
    references: tuple[str, ...] = ()
    clip_names: tuple[str, ...] = ()
    tracks: int = 0


def read_sidecar(source: Source) -> SidecarXml:
    """Read an XML file: bounded, no entities, nothing fetched. Never raises anything but OSError of the medium."""
    reader = _Reader()
    try:
        problems = reader.read(source)
    except CannotSay as reason:
        return SidecarXml(health(NAME, [], unknown=str(reason)))
    except TooMuch:
        return SidecarXml(health(NAME, [], unknown="larger than what is looked at"))
    return SidecarXml(health(NAME, problems), tuple(reader.references), tuple(reader.clip_names), reader.tracks)


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes says that it is XML."""
    return head.startswith(_STARTS)


def examine(source: Source) -> list[Problem]:
    """What is wrong with one XML file."""
    return _Reader().read(source)


class _Entities(Exception):
    """The file declares entities: it is not read any further."""


class _Reader:
    """One pass of expat over a file; dictionaries keep the order and drop doubles."""

    def __init__(self) -> None:
        self.references: dict[str, None] = {}
        self.clip_names: dict[str, None] = {}
        self.tracks = 0
        self._list_depth = 0
        """How deep inside an `EssenceList`; 0 outside."""
        self._element = ""
        self._text: list[str] = []
        self._length = 0

    def read(self, source: Source) -> list[Problem]:
        if source.size > LARGEST:
            raise CannotSay(f"an XML file of {source.size:,} bytes: more than is read")
        # recorders pad their sidecars to whole blocks; in the 16-bit forms a zero can belong to the last character
        data = source.at(0, source.size)
        data = data.rstrip(b"\0") + (b"\0" if data[:2] == b"\xff\xfe" or data[:2] == b"<\0" else b"")
        parser = expat.ParserCreate()
        parser.EntityDeclHandler = self._entity
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        try:
            parser.Parse(data, True)
        except _Entities:
            return [Problem("odd", "it declares entities", "no camera writes such a file; it was not read any further")]
        except expat.ExpatError as error:
            return [_not_well_formed(error)]
        except (LookupError, ValueError) as error:  # ValueError: a multi-byte encoding
            raise CannotSay("written in an encoding that is not known here") from error
        return []

    def _entity(self, *_: object) -> None:
        raise _Entities

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._flush(leaf=False)
        self._element = name
        local = name.rpartition(":")[2].casefold()
        self.tracks += self._list_depth == 1 and local in _TRACKS
        self._list_depth += bool(self._list_depth) or local == _LIST
        for key, value in attributes.items():
            if not key.startswith(("xmlns", "xsi:")):
                self._keep(key, value)

    def _end(self, _name: str) -> None:
        self._list_depth -= bool(self._list_depth)
        self._flush(leaf=True)

    def _characters(self, text: str) -> None:
        if self._length <= _LONGEST_VALUE:
            self._text.append(text)
            self._length += len(text)

    def _flush(self, *, leaf: bool) -> None:
        if leaf and self._element:
            self._keep(self._element, "".join(self._text))
        self._element, self._length = "", 0
        self._text.clear()

    def _keep(self, key: str, value: str) -> None:
        value = value.strip()
        if not value or len(value) > _LONGEST_VALUE or len(self.references) + len(self.clip_names) >= _MOST_NAMES:
            return
        if key.rpartition(":")[2].casefold() in _CLIP_NAMES:
            self.clip_names[value] = None
        elif "://" not in value and _FILE.fullmatch(value):
            self.references[value] = None


def _not_well_formed(error: expat.ExpatError) -> Problem:
    reason = expat.ErrorString(error.code)
    detail = f"not well-formed in line {error.lineno:,}: {reason}"
    if reason == expat.errors.XML_ERROR_JUNK_AFTER_DOC_ELEMENT:
        return Problem("odd", detail, "something follows what the camera wrote here")
    if reason == expat.errors.XML_ERROR_UNKNOWN_ENCODING:
        raise CannotSay("written in an encoding that is not known here")
    return Problem(
        "damaged",
        detail,
        "programs may refuse this file; pictures and sound are in other files and are not touched by it",
    )
