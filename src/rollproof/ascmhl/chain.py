"""The chain file: which manifests there are, in order, and the C4 of each. The collection of packing lists has the
same form. Schema: `ASCMHLDirectory.xsd`."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rollproof.ascmhl.standard import CHAIN_LIMIT_BYTES, CHAIN_NAMESPACE, xml_text
from rollproof.ascmhl.strict_xml import Child, Rule, Rules, StrictReader, read_all
from rollproof.models.errors import UntrustedInput
from rollproof.storage.files import read_chunks
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import check_alike

_ENTRIES_LIMIT = 100_000
_SEQUENCE = re.compile("[0-9]{1,9}")

_HASH_ATTRIBUTES = frozenset({"action", "hashdate"})
_RULES: Rules = {
    "ascmhldirectory": Rule(children=(Child("hashlist", 1, _ENTRIES_LIMIT),)),
    "hashlist": Rule(children=(Child("path"), Child("c4")), attributes=frozenset({"sequencenr"})),
    "path": Rule(text=True),
    "c4": Rule(text=True, attributes=_HASH_ATTRIBUTES),
}


@dataclass(frozen=True, slots=True)
class ChainEntry:
    """One manifest in the chain. `path` is relative to the chain file; `c4` is as written, checked by comparing.

    `sequence` is None where the entry has no usable number. `attributes` are those of the `c4` element.
    """

    sequence: int | None
    path: bytes
    c4: str
    attributes: tuple[tuple[str, str], ...] = ()


class _Entries:
    """Builds the entries from what the grammar passes on."""

    def __init__(self) -> None:
        self.found: list[ChainEntry] = []
        self._sequence = ""
        self._path = b""

    def opened(self, _parent: str, name: str, attributes: Mapping[str, str]) -> None:
        if name == "hashlist":
            self._sequence = attributes.get("sequencenr", "").strip()

    def closed(self, _parent: str, name: str, attributes: Mapping[str, str], text: str) -> None:
        if name == "path":
            self._path = text.encode()
        elif name == "c4":
            number = int(self._sequence) if _SEQUENCE.fullmatch(self._sequence) else None
            self.found.append(ChainEntry(number, self._path, text.strip(), tuple(attributes.items())))


def parse_chain(chunks: Iterable[bytes]) -> tuple[ChainEntry, ...]:
    """The entries of a chain file, in the order of the file. Raises UntrustedInput when it breaks the format."""
    entries = _Entries()
    read_all(StrictReader(CHAIN_NAMESPACE, "ascmhldirectory", _RULES, entries.opened, entries.closed), chunks)
    return tuple(entries.found)


def read_chain(
    io: Io, folder: int, name: bytes, *, twice: bool = False, medium: MediumAccess | None = None
) -> tuple[ChainEntry, ...] | None:
    """The entries of the chain file `name` in `folder`, or None when there is no such file. `twice` is for whoever
    writes them down again: what one bad read made of them must not go into the next chain.

    Raises UntrustedInput when it breaks the format or is no regular file of a sensible size, OSError when the drive
    does not answer, `readback.ReadsDiffer` among them.
    """
    try:
        chunks: Iterable[bytes] = read_chunks(io, folder, name, limit=CHAIN_LIMIT_BYTES)
        if twice:
            content = b"".join(chunks)
            sha256 = hashlib.sha256(content).hexdigest()
            check_alike(io, folder, name, sha256, limit=CHAIN_LIMIT_BYTES, medium=medium)
            chunks = (content,)
        return parse_chain(chunks)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise not_a_plain_file(error) or error from None


def not_a_plain_file(error: OSError) -> UntrustedInput | None:
    """The refusal behind an OSError that says something about the file rather than the drive: a link, a pipe, a
    folder, or too large; None for any other error."""
    import errno  # noqa: PLC0415 - only where something went wrong

    if error.errno in (errno.ELOOP, errno.EINVAL, errno.ENOTDIR, errno.EISDIR, errno.ENXIO):
        return UntrustedInput("It is not a regular file.")
    if error.errno == errno.EFBIG:
        return UntrustedInput("It is larger than such a file may be.")
    return None


def chain_chunks(entries: Sequence[ChainEntry]) -> Iterator[bytes]:
    """The chain file with these entries."""
    yield b'<?xml version="1.0" encoding="UTF-8"?>\n'
    yield f'<ascmhldirectory xmlns="{CHAIN_NAMESPACE}">\n'.encode()
    for entry in entries:
        number = "" if entry.sequence is None else f' sequencenr="{entry.sequence}"'
        attributes = "".join(f' {name}="{xml_text(value)}"' for name, value in entry.attributes)
        yield (
            f"  <hashlist{number}>\n"
            f"    <path>{xml_text(entry.path.decode())}</path>\n"
            f"    <c4{attributes}>{xml_text(entry.c4)}</c4>\n"
            "  </hashlist>\n"
        ).encode()
    yield b"</ascmhldirectory>\n"
