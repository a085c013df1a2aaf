"""Names on a card that try to act on a terminal, a file system or a format: all the way to screen, answer and papers.

Everything is copied byte for byte; everything that is shown or written down about it is inert; nothing beside the
card and the drives is touched.
"""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

from cli.hostile import NAMES, alive
from hostile.place import CARD, Place, answer, findings, kinds, no_traceback
from support.counting import FAULTS
from support.trees import Blob, Fifo, HardLink, Link, Tree, compare

_OURS = frozenset({b"rollproof", b"ascmhl"})


def _possible(text: str) -> bytes | None:
    """The name as a file can have it: no NUL, no slash, no longer than a file system allows."""
    name = text.replace("\x00", "").replace("/", "\u2215").encode("utf-8", "surrogatepass")
    return name[:250] or None


ACTING: tuple[bytes, ...] = (
    *(name for text in NAMES if (name := _possible(text)) is not None),
    b"...",
    b"..mov",
    b".. ",
    b" ..",
    b"..\n",
    b"..\\..\\escaped.mov",
    b"\\\\server\\share\\escaped.mov",
    b"C:\\escaped.mov",
    b"C:",
    b"C:escaped.mov",
    b"CON",
    b"NUL.mov",
    b"COM1",
    b"aux.txt",
    b"\xc0\xae\xc0\xae\xc0\xafescaped.mov",  # dots and a slash in the longer way that UTF-8 forbids
    "\u2025\u2215escaped.mov".encode(),
    "\uff0e\uff0e\uff0fescaped.mov".encode(),
    b"~root",
    b"$(touch escaped).mov",
    b"`touch escaped`.mov",
    b"; touch escaped ;.mov",
    b"| touch escaped",
    b"-rf",
    b"--help",
    b"%s%s%n%n.mov",
    b"{0.__class__}.mov",
    b"{{ 7*7 }}.mov",
    b"=HYPERLINK(1).mov",
    b"@SUM(1).mov",
    b"<script>alert(1)</script>.mov".replace(b"/", b"|"),
    b"<!DOCTYPE a [<!ENTITY b 'c'>]>.mov",
    b"]]><hash>.mov",
    b"&amp;&#27;.mov",
    b'",\n"proven": true, "x": "',
    b"\\u001b[2J.json",
    b"\xff\xfe\x00"[:2] + b".mov",
    b"\x7fELF.mov",
    b"\x1b[31",
    b"0001_offload_2026-05-14T081502Z.json",
    b"ascmhl_chain.xml",
    b"rollproof.mov",
    b"*?[a-z]!.mov",
    b"!important.mov",
    b"#comment.mov",
)
"""Names that a POSIX file system holds and that mean something to somebody further down the road."""


def _tree() -> Tree:
    tree: dict[bytes | str, Blob | bytes] = {}
    for number, name in enumerate(ACTING):
        tree[b"CLIPS/" + name] = Blob(100 + number, seed=number)
        tree[b"F/" + name + b"/inside.mov"] = Blob(50 + number, seed=1_000 + number)
    return tree


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    """A card of nothing but such names, offloaded once to two drives."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROLLPROOF_HOME", str(tmp_path_factory.mktemp("home")))
        patch.chdir(tmp_path_factory.mktemp("cwd"))
        made = Place(tmp_path_factory.mktemp("names"), _tree())
        with made.guarded():
            ran = made.offload()
        no_traceback(ran)
        assert ran.status == 0, ran.out
        FAULTS.add("hostile name on the card", 2 * len(ACTING))
        assert os.listdir(".") == [], "nothing lands in the working folder"
        yield made


def test_every_name_arrives_byte_for_byte_and_nothing_else_does(place: Place) -> None:
    for drive in (place.one, place.two):
        assert compare(place.card, drive / "A003", ignore=_OURS) == []
        assert os.listdir(drive) == ["A003"]


def test_records_and_manifests_hold_them_inert(place: Place) -> None:
    (record,) = (place.roll / "rollproof").glob("*.json")
    text = record.read_text(encoding="utf-8")
    assert alive(text, terminal=False) == []
    rows = json.loads(text)["files"]
    assert len(rows) == 2 * len(ACTING)
    for path in (place.roll / "ascmhl").iterdir():
        content = path.read_text(encoding="utf-8")
        assert alive(content, terminal=False) == []
        assert "<!DOCTYPE" not in content
        ElementTree.fromstring(content)


def test_a_name_that_no_manifest_can_hold_is_told_and_stands_in_the_record(place: Place) -> None:
    told = answer(place.offload())
    (record,) = (place.roll / "rollproof").glob("*.json")
    assert "name-not-in-manifest" in {finding["kind"] for finding in json.loads(record.read_text())["findings"]}
    assert kinds(told) <= {"damaged-clip"}, "these bytes are no media"


@pytest.mark.parametrize("terminal", [False, True])
@pytest.mark.parametrize("json_too", [False, True])
def test_what_offload_and_verify_say_of_them_is_inert(place: Place, terminal: bool, json_too: bool) -> None:
    for ran in (
        place.offload(terminal=terminal, json_too=json_too),
        place.verify(terminal=terminal, json_too=json_too),
        place.offload("--dry-run", terminal=terminal, json_too=json_too),
    ):
        no_traceback(ran)
        assert alive(ran.out, terminal=terminal) == []
        assert alive(ran.err, terminal=terminal) == []
        assert "\x1b]" not in ran.out + ran.err


def test_what_verify_says_of_damaged_ones_is_inert_and_exact(place: Place, tmp_path: Path) -> None:
    for path in (place.two / "A003" / "CLIPS").iterdir():
        path.write_bytes(b"damaged")
    for terminal in (False, True):
        shown = place.verify(path=place.two, terminal=terminal, json_too=False)
        no_traceback(shown)
        assert shown.status == 1
        assert alive(shown.out + shown.err, terminal=terminal) == []
    told = answer(place.verify(path=place.two))
    assert len(told["copies"][0]["differ"]) == len(ACTING)
    assert alive(json.dumps(told, ensure_ascii=False).replace("\\n", ""), terminal=False) is not None
    for finding in findings(told):
        assert alive(finding["detail"] + finding["path"], terminal=False) == []


@pytest.mark.parametrize(
    "name", ["../escaped", "/escaped", "..", ".", "a/b", "a\x1b[2Jb", "", "NUL\x00", "a\\b", "C:x", "CON"]
)
def test_a_roll_name_that_would_leave_the_drive_or_act_is_refused(tmp_path: Path, name: str) -> None:
    place = Place(tmp_path)
    with place.guarded():
        ran = place.offload("--roll", name)
    no_traceback(ran)
    assert ran.status in (2, 3), ran.out
    assert alive(ran.out + ran.err, terminal=False) == []
    assert os.listdir(place.one) == []


def _dig(top: Path, levels: int = 10_000) -> None:
    name = "down" * 8  # the longest path is reached after some 120 levels: the rest is only there to be fallen into
    deep = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
    for _ in range(levels):
        os.mkdir(name, dir_fd=deep)
        following = os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=deep)
        os.close(deep)
        deep = following
    os.close(deep)
    FAULTS.add("folders 10,000 deep")


def test_folders_ten_thousand_deep_are_an_error_and_everything_else_is_proven(tmp_path: Path) -> None:
    place = Place(tmp_path)
    _dig(place.card)
    try:
        ran = place.offload()
        no_traceback(ran)
        told = answer(ran)
        assert ran.status == 1
        assert "unreadable-folder" in kinds(told)
        assert len(ran.out) < 100_000, "a path that long is not repeated"
        assert {at["files_proven"] for at in told["rolls"][0]["destinations"]} == {len(CARD)}
        assert place.verify().status in (0, 1)
    finally:
        # deeper than any recursion reaches: the shell's own way
        subprocess.run(["rm", "-rf", place.card, place.one, place.two], check=True)


def test_folders_ten_thousand_deep_in_a_copy_do_not_keep_its_files_from_being_verified(tmp_path: Path) -> None:
    place = Place(tmp_path)
    assert place.offload("--to", str(place.one)).status == 0
    _dig(place.roll)
    try:
        ran = place.verify(path=place.one)
        no_traceback(ran)
        assert ran.status == 1
        assert kinds(answer(ran)) == {"unreadable-folder"}
        again = place.offload("--to", str(place.one))
        no_traceback(again)
        assert again.status == 3, "the roll folder holds what no offload of ours leaves"
    finally:
        subprocess.run(["rm", "-rf", place.one], check=True)


def test_links_pipes_and_second_names_on_the_card_are_told_and_the_rest_is_proven(tmp_path: Path) -> None:
    tree: Tree = {
        **CARD,
        "CLIPS/link.mov": Link(b"../../outside/secret.txt"),
        "linked": Link(b"../outside"),
        "absolute": Link(b"/etc/passwd"),
        "round": Link(b"round"),
        "CLIPS/pipe.mov": Fifo(),
        "original.mov": Blob(3_000, seed=4),
        "second name.mov": HardLink(b"original.mov"),
    }
    place = Place(tmp_path, tree)
    os.mknod(place.card / "device.mov", 0o600 | 0o020000, os.makedev(1, 5)) if os.geteuid() == 0 else None
    FAULTS.add("link, pipe or device on the card", 6)
    with place.guarded():
        ran = place.offload()
    no_traceback(ran)
    told = answer(ran)
    assert ran.status == 1
    assert {"link", "special-file"} <= kinds(told)
    assert {at["files_proven"] for at in told["rolls"][0]["destinations"]} == {len(CARD) + 2}
    copied = {path.name: path.stat() for path in place.roll.iterdir() if path.suffix == ".mov"}
    assert copied.keys() == {"original.mov", "second name.mov"}
    assert {at.st_nlink for at in copied.values()} == {1}, "two names, two files: a hard link would be one copy"
