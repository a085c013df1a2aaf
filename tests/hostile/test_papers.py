"""Hostile manifests, chains and records beside a copy: real commands read them, nothing outside is opened.

Each is played twice: under `verify`, and in a roll folder that an offload finds on the drive.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator

import pytest

from cli.hostile import NAMES, alive
from cli.running import run_line
from hostile.papers_at_hand import (
    ESCAPING,
    MHL,
    bomb,
    chain,
    deep_json,
    edit_record,
    entry,
    lay_history,
    manifest,
    row_path,
    with_doctype,
)
from hostile.place import Papers, Place, answer, findings, kinds, no_traceback
from support.counting import FAULTS
from support.invariants import Known

_SOON_SECONDS = 20.0

Lay = Callable[[Place], None]


def _patterns(count: int, text: str = "p{n}.tmp") -> str:
    return "<ignore>" + "".join(f"<pattern>{text.format(n=number)}</pattern>" for number in range(count)) + "</ignore>"


def _escaping(place: Place) -> bytes:
    return manifest(*(entry(path.format(outside=place.outside)) for path in ESCAPING), entry("CLIPS/A003C001.mov"))


MANIFESTS: dict[str, tuple[Callable[[Place], bytes], str]] = {
    "paths that leave the folder": (_escaping, "path-escapes"),
    "4 GB of text from 1 kB": (lambda place: with_doctype(bomb(), "&b9;"), "bad-manifest"),
    "an external entity": (
        lambda place: with_doctype(
            f'<!DOCTYPE hashlist [<!ENTITY x SYSTEM "file://{place.outside}/secret.txt">]>', "&x;"
        ),
        "bad-manifest",
    ),
    "an external subset": (
        lambda place: with_doctype(f'<!DOCTYPE hashlist SYSTEM "file://{place.outside}/secret.txt">', "a.mov"),
        "bad-manifest",
    ),
    "a parameter entity": (
        lambda place: with_doctype(
            f'<!DOCTYPE hashlist [<!ENTITY % p SYSTEM "file://{place.outside}/secret.txt"> %p;]>', "a.mov"
        ),
        "bad-manifest",
    ),
    "an inclusion": (
        lambda place: manifest(
            f'<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="file://{place.outside}/secret.txt"/>'
        ),
        "bad-manifest",
    ),
    "a style sheet": (
        lambda place: manifest(entry("CLIPS/A003C001.mov")).replace(
            b"?><hashlist", f'?><?xml-stylesheet href="file://{place.outside}/secret.txt"?><hashlist'.encode(), 1
        ),
        "differs",
    ),
    "elements 100,000 deep": (lambda place: manifest("<hash>" * 100_000), "bad-manifest"),
    "600 ignore patterns": (lambda place: manifest(entry("CLIPS/A003C001.mov"), ignore=_patterns(600)), "ignored"),
    "10,000 slow patterns": (
        lambda place: manifest(entry("CLIPS/A003C001.mov"), ignore=_patterns(10_000, "*a*a{n}")),
        "ignored",
    ),
    "patterns that are none": (
        lambda place: manifest(entry("CLIPS/A003C001.mov"), ignore=_patterns(20, "[{n}" + "*" * 50 + "(")),
        "differs",
    ),
    "a pattern that hides everything": (
        lambda place: manifest(entry("CLIPS/A003C001.mov"), ignore="<ignore><pattern>*</pattern></ignore>"),
        "differs",
    ),
    "a size of 400 digits": (
        lambda place: manifest(entry("CLIPS/A003C001.mov").replace('size="10"', f'size="{"9" * 400}"')),
        "bad-manifest",
    ),
}


@pytest.fixture(scope="module")
def proven(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Place, Papers]]:
    """A roll proven on one drive, with two records and two manifests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROLLPROOF_HOME", str(tmp_path_factory.mktemp("home")))
        made = Place(tmp_path_factory.mktemp("papers"))
        assert made.offload("--to", str(made.one)).status == 0
        assert made.verify().status == 0
        yield made, Papers(made.roll, tmp_path_factory.mktemp("kept"))


@pytest.fixture
def place(proven: tuple[Place, Papers]) -> Place:
    """The roll with its own papers, for a station that never saw it."""
    made, papers = proven
    papers.restore()
    return made


def _judged(place: Place, kind: str, *, refused: bool = True, harmless: bool = False) -> None:
    """Both commands read what lies there: a finding of this kind, in good time, in vain for the enemy. `harmless`: what
    it says changes nothing about the copy, and a warning is enough."""
    FAULTS.add("hostile paper beside a copy")
    before = Known.of(place.card)
    with place.guarded():
        began = time.monotonic()
        verified = place.verify()
        shown = place.verify(terminal=True, json_too=False)
        offloaded = place.offload("--to", str(place.one))
        seconds = time.monotonic() - began
    for ran in (verified, shown, offloaded):
        no_traceback(ran)
        assert alive(ran.out + ran.err, terminal=ran is shown) == []
        assert "top secret" not in ran.out + ran.err
    assert verified.status == (0 if harmless else 1), verified.out
    told = answer(verified)
    assert kind in kinds(told) | (kinds(told, "warning") if kind == "ignored" else set()), verified.out
    assert answer(verified)["copies"], "the copy itself is reported, not only the paper"
    if refused:
        assert offloaded.status == 3, offloaded.out
    assert seconds < _SOON_SECONDS
    assert before.changes(place.card) == []


@pytest.mark.parametrize("way", MANIFESTS)
def test_a_hostile_manifest_in_a_copy_without_records_is_a_finding(place: Place, way: str) -> None:
    make, kind = MANIFESTS[way]
    shutil.rmtree(place.roll / "rollproof")
    shutil.rmtree(place.roll / "ascmhl")
    lay_history(place.roll, make(place))
    _judged(place, kind, refused=False)


@pytest.mark.parametrize("way", ["paths that leave the folder", "600 ignore patterns", "4 GB of text from 1 kB"])
def test_a_hostile_manifest_beside_whole_records_is_a_finding(place: Place, way: str) -> None:
    make, kind = MANIFESTS[way]
    data = make(place)
    names = sorted((place.roll / "ascmhl").glob("*.mhl"))
    added = names[0].with_name(names[0].name.replace("0001_", "0003_"))
    added.write_bytes(data)
    (place.roll / "ascmhl/ascmhl_chain.xml").write_bytes(
        chain(*((name.name, name.read_bytes()) for name in (*names, added)))
    )
    harmless = way == "600 ignore patterns"
    _judged(place, kind, refused=not harmless, harmless=harmless)


CHAINS: dict[str, tuple[Callable[[Place], bytes], str]] = {
    "a path that leaves the folder": (lambda place: chain(("../../outside/secret.txt", b"top secret")), "path-escapes"),
    "an absolute path": (lambda place: chain((f"{place.outside}/secret.txt", b"top secret")), "path-escapes"),
    "an external entity": (
        lambda place: chain(("&x;", b"")).replace(
            b"?>", f'?><!DOCTYPE a [<!ENTITY x SYSTEM "file://{place.outside}/secret.txt">]>'.encode(), 1
        ),
        "chain-broken",
    ),
    "4 GB of text from 1 kB": (
        lambda place: chain(("&b9;", b"")).replace(b"?>", f"?>{bomb()}".encode(), 1),
        "chain-broken",
    ),
    "a thousand million manifests": (
        lambda place: chain((MHL, b"x")).replace(b'sequencenr="1"', b'sequencenr="999999999"'),
        "chain-broken",
    ),
    "noise": (lambda place: b"\x00\xff<chain>" * 50, "chain-broken"),
    "nothing": (lambda place: b"", "chain-broken"),
}


@pytest.mark.parametrize("way", CHAINS)
def test_a_hostile_chain_is_a_finding(place: Place, way: str) -> None:
    make, kind = CHAINS[way]
    (place.roll / "ascmhl/ascmhl_chain.xml").write_bytes(make(place))
    _judged(place, kind)


_NAME = json.dumps("\x1b[2J\u202e[bold]PROVEN[/bold]")
RECORDS: dict[str, tuple[Callable[[str], str], str]] = {
    **{f"the path {path}": (row_path(path), "bad-record") for path in ESCAPING if "{" not in path},
    "a path with NUL": (row_path("CLIPS/a\x00b"), "bad-record"),
    "a second form of the path that leaves": (
        lambda text: text.replace('{"path": "A003.xml"', '{"path": "A003.xml", "path_b64": "Li4vLi4vb3V0c2lkZQ=="', 1),
        "bad-record",
    ),
    "JSON 100,000 deep in a row": (
        lambda text: text.replace('{"path": "A003.xml"', f'{{"x": {deep_json()}, "path": "A003.xml"', 1),
        "bad-record",
    ),
    "objects 100,000 deep in the header": (
        lambda text: text.replace('  "by":', '  "deep": ' + '{"a":' * 100_000 + "1" + "}" * 100_000 + ',\n  "by":', 1),
        "bad-record",
    ),
    "a number of 100,000 digits": (
        lambda text: text.replace('"sequence": 1', '"sequence": ' + "1" * 100_000, 1),
        "bad-record",
    ),
    "no number": (lambda text: text.replace('"sequence": 1', '"sequence": NaN', 1), "bad-record"),
    "a key twice": (lambda text: text.replace('  "kind":', '  "kind": "verify",\n  "kind":', 1), "bad-record"),
    "a line of 2 MB": (
        lambda text: text.replace('  "by":', f'  "long": "{"x" * (2 << 20)}",\n  "by":', 1),
        "bad-record",
    ),
    "an owner that acts": (lambda text: text.replace('"roll": "A003"', f'"roll": {_NAME}', 1), "foreign-record"),
    "a production that acts": (
        lambda text: text.replace('"production": null', f'"production": {_NAME}', 1),
        "",
    ),
    "a hash that is none": (lambda text: text.replace('{"xxh128": "', '{"xxh128": "\\u001b[2J', 1), "bad-record"),
    "600 ignore patterns": (
        lambda text: text.replace(
            '  "ignore": [', '  "ignore": [\n' + "".join(f'    "p{n}.tmp",\n' for n in range(600))[:-1], 1
        ),
        "bad-record",
    ),
}


@pytest.mark.parametrize("way", RECORDS)
def test_a_hostile_record_is_a_finding(place: Place, way: str) -> None:
    change, kind = RECORDS[way]
    edit_record(place.roll, change)
    if kind:
        _judged(place, kind)
        return
    FAULTS.add("hostile paper beside a copy")
    for ran in (place.verify(terminal=True, json_too=False), place.offload("--to", str(place.one), terminal=True)):
        no_traceback(ran)
        assert alive(ran.out + ran.err, terminal=True) == []


_TEXTS = (
    "name",
    "role",
    "host",
    "tool",
    "version",
    "os",
    "label",
    "serial",
    "model",
    "drive",
    "device",
    "folder",
    "day",
)


@pytest.mark.parametrize("name", [NAMES[0], NAMES[3], NAMES[6], NAMES[8]])
def test_every_text_of_a_record_is_inert_wherever_it_is_shown(place: Place, name: str) -> None:
    path = next((place.roll / "rollproof").glob("0001_*.json"))
    lines = path.read_text(encoding="utf-8").split("\n")
    for key in _TEXTS:
        lines = [_with_value(line, key, name) for line in lines]
    path.write_text("\n".join(lines), encoding="utf-8")
    FAULTS.add("hostile text in a record", len(_TEXTS))
    for terminal in (True, False):
        for ran in (
            place.verify(terminal=terminal, json_too=False),
            place.offload("--to", str(place.one), terminal=terminal, json_too=False),
        ):
            no_traceback(ran)
            assert alive(ran.out + ran.err, terminal=terminal) == []


def _with_value(line: str, key: str, value: str) -> str:
    """The line of a record with every text under a key replaced, wherever it stands in the line's object."""
    body, comma = (line[:-1], ",") if line.endswith(",") else (line, "")
    try:
        found = json.loads("{" + body + "}")
    except ValueError:
        return line

    def replaced(given: object) -> object:
        if isinstance(given, dict):
            return {
                name: value if name == key and isinstance(inner, str) else replaced(inner)
                for name, inner in given.items()
            }
        return [replaced(inner) for inner in given] if isinstance(given, list) else given

    text = json.dumps(replaced(found))[1:-1]
    return line if json.loads("{" + text + "}") == found else f"  {text}{comma}"


@pytest.mark.parametrize("name", ["rollproof", "ascmhl"])
@pytest.mark.parametrize("what", ["file", "link outside", "link to nowhere", "pipe"])
def test_something_else_in_the_place_of_our_folders_is_a_finding(place: Place, name: str, what: str) -> None:
    shutil.rmtree(place.roll / name)
    at = place.roll / name
    match what:
        case "file":
            at.write_bytes(b"not a folder")
        case "link outside":
            at.symlink_to(place.outside)
        case "link to nowhere":
            at.symlink_to("/nowhere")
        case _:
            os.mkfifo(at)
    FAULTS.add("something else in the place of our folder")
    with place.guarded():
        verified, offloaded = place.verify(), place.offload("--to", str(place.one))
    for ran in (verified, offloaded):
        no_traceback(ran)
        assert ran.status in (1, 3), ran.out
        assert findings(answer(ran))


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_a_record_from_the_end_of_the_calendar_is_no_traceback_anywhere(place: Place, moment: str) -> None:
    edit_record(place.roll, lambda text: re.sub(r'"written_at": "[^"]*"', f'"written_at": "{moment}"', text, count=1))
    FAULTS.add("hostile paper beside a copy")
    for words in (
        ("verify", str(place.roll)),
        ("audit", str(place.one)),
        ("ledger", "rebuild", str(place.one)),
        ("rolls",),
        ("rolls", "A003"),
        ("custody", str(place.roll)),
        ("may-wipe", str(place.card)),
        ("offload", str(place.card), "--to", str(place.one)),
    ):
        for more in ((), ("--json",)):
            no_traceback(run_line(*words, *more))
