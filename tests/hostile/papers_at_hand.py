"""Manifests, chains and records that an enemy would leave beside a copy, as data."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from rollproof.hashing import new_hasher

MHL = "0001_A003_2026-05-14_081502Z.mhl"
RECORD = "0001_offload_2026-05-14T081502Z.json"

HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><creatorinfo>'
    "<creationdate>2026-05-14T08:15:02Z</creationdate><hostname>cart-1</hostname><tool>x</tool></creatorinfo>"
    "<processinfo><process>transfer</process>{ignore}</processinfo><hashes>"
)
TAIL = "</hashes></hashlist>"
_MD5 = "d41d8cd98f00b204e9800998ecf8427e"

ESCAPING = (
    "../outside/secret.txt",
    "CLIPS/../../outside/secret.txt",
    "/etc/passwd",
    "{outside}/secret.txt",
    "CLIPS/../..//outside/secret.txt",
    "./../outside/secret.txt",
    "CLIPS//A003C001.mov",
    "..",
    "CLIPS/..",
)
"""Paths that would leave their folder. `{outside}` stands for the absolute path of a folder beside it."""


def entry(path: str) -> str:
    """One file of a manifest. The path is put in as it is."""
    return f'<hash><path size="10">{path}</path><md5 action="original">{_MD5}</md5></hash>'


def manifest(*entries: str, ignore: str = "") -> bytes:
    """A manifest with these entries."""
    return (HEAD.format(ignore=ignore) + "".join(entries) + TAIL).encode()


def c4(data: bytes) -> str:
    """The C4 of some bytes."""
    hasher = new_hasher("c4")
    hasher.update(data)
    return hasher.text()


def chain(*named: tuple[str, bytes]) -> bytes:
    """A chain that names these manifests, with the C4 each really has."""
    lists = "".join(
        f'<hashlist sequencenr="{number}"><path>{name}</path><c4>{c4(data)}</c4></hashlist>'
        for number, (name, data) in enumerate(named, 1)
    )
    head = '<?xml version="1.0" encoding="UTF-8"?><ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">'
    return f"{head}{lists}</ascmhldirectory>".encode()


def lay_history(roll: Path, data: bytes, *, name: str = MHL, chained: bytes | None = None) -> None:
    """Put a history of one manifest below a roll folder, in a chain that fits it unless another is given."""
    folder = roll / "ascmhl"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MHL).write_bytes(data)
    (folder / "ascmhl_chain.xml").write_bytes(chained if chained is not None else chain((name, data)))


def bomb(layers: int = 10, fan: int = 10, last: str = "bronze" * 70) -> str:
    """A DOCTYPE of about 1 kB whose last entity stands for some 4 GB of text."""
    entities = "".join(f'<!ENTITY b{n} "{f"&b{n - 1};" * fan if n else last[:4]}">' for n in range(layers))
    return f"<!DOCTYPE hashlist [{entities}]>"


def with_doctype(doctype: str, use: str) -> bytes:
    """A manifest that brings a DOCTYPE and uses one of its entities in place of a path."""
    head, rest = manifest(entry(use)).decode().split("?>", 1)
    return f"{head}?>{doctype}{rest}".encode()


def edit_record(roll: Path, change: Callable[[str], str]) -> None:
    """Change the text of the first record below a roll folder."""
    path = next(iter(sorted((roll / "rollproof").glob("0001_*.json"))))
    text = path.read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text, "an attack that changes nothing"
    path.write_text(changed, encoding="utf-8")


def deep_json(levels: int = 100_000, opening: str = "[", closing: str = "]") -> str:
    """JSON nested that deep."""
    return opening * levels + closing * levels


def row_path(path: str) -> Callable[[str], str]:
    """A change to a record: its first file gets another path."""
    return lambda text: text.replace('{"path": "A003.xml"', f'{{"path": {json.dumps(path)}', 1)
