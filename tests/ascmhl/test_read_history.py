"""Reading a history that was damaged on the way: every error told apart, none stops the rest."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from ascmhl.mhl_trees import BELL, FOLDERS, Roll, files_of, generation, hashed, kinds
from rollproof.ascmhl import manifest_reader, standard
from rollproof.ascmhl.expected import ExpectedFiles
from rollproof.ascmhl.model import Action, FileHash, ManifestState, Process
from rollproof.ascmhl.noted import LISTED
from rollproof.ascmhl.read import read_history
from rollproof.models.findings import Kind, Severity
from rollproof.storage.posix import LinuxIo


@pytest.fixture
def manifests(roll: Roll) -> list[Path]:
    """Three generations: an offload and two verifies."""
    first = roll.append(generation(files_of(BELL), FOLDERS))
    again = files_of(BELL, action=Action.VERIFIED)
    later = [roll.append(generation(again, FOLDERS, process=Process.IN_PLACE, later_seconds=day)) for day in (1, 2)]
    return [roll.manifest(each) for each in (first, *later)]


def _flip(path: Path, text: str) -> None:
    """Flip one bit of the first byte of `text` inside the file."""
    data = bytearray(path.read_bytes())
    data[data.index(text.encode())] ^= 1
    path.write_bytes(data)


def _edit_chain(roll: Roll, edit: Callable[[str], str]) -> None:
    before = roll.chain_path.read_text()
    after = edit(before)
    assert after != before
    roll.chain_path.write_text(after)


def test_no_history_is_an_empty_one_and_no_finding(roll: Roll) -> None:
    history = roll.read()
    assert (history.present, history.findings, dict(history.expected), history.newest) == (False, (), {}, None)


def test_a_whole_history_has_no_finding(roll: Roll, manifests: list[Path]) -> None:
    history = roll.read()
    assert history.findings == ()
    assert [each.state for each in history.generations] == [ManifestState.WHOLE] * 3
    assert history.newest is not None
    assert history.newest.name == os.fsencode(manifests[-1].name)


def test_a_changed_manifest_is_told_and_its_hashes_are_not_compared_against(roll: Roll, manifests: list[Path]) -> None:
    _flip(manifests[0], hashed(BELL[b"README.txt"], "xxh128")["xxh128"])
    history = roll.read()
    assert kinds(history) == [Kind.MANIFEST_CHANGED]
    assert history.findings[0].path == manifests[0].name
    assert [each.state for each in history.generations] == [ManifestState.CHANGED] + [ManifestState.WHOLE] * 2
    # the second generation still knows the true hash
    assert history.expected[b"README.txt"].hashes == hashed(BELL[b"README.txt"], "xxh128")


def test_a_manifest_that_is_gone_is_told(roll: Roll, manifests: list[Path]) -> None:
    manifests[1].unlink()
    history = roll.read()
    assert kinds(history) == [Kind.MANIFEST_MISSING]
    assert [each.state for each in history.generations][1] is ManifestState.GONE
    assert set(history.expected) == set(BELL)


def test_a_manifest_that_is_not_in_the_chain_is_told_and_not_compared_against(
    roll: Roll, manifests: list[Path]
) -> None:
    planted = manifests[0].read_text().replace("README.txt", "PLANTED.txt")
    (roll.history_path / "0004_A003_2026-05-15_081502Z.mhl").write_text(planted)
    history = roll.read()
    assert kinds(history) == [Kind.MANIFEST_NOT_IN_CHAIN]
    assert history.generations[-1].state is ManifestState.NOT_IN_CHAIN
    assert b"PLANTED.txt" not in history.expected


def test_a_manifest_that_breaks_the_format_is_told_beside_its_change(roll: Roll, manifests: list[Path]) -> None:
    manifests[1].write_bytes(manifests[1].read_bytes()[:700])
    history = roll.read()
    assert kinds(history) == [Kind.MANIFEST_CHANGED, Kind.BAD_MANIFEST]
    assert history.generations[1].state is ManifestState.UNREADABLE
    assert history.generations[2].state is ManifestState.WHOLE


def _entry(text: str, number: int) -> str:
    start = text.index(f'  <hashlist sequencenr="{number}"')
    end = text.index("</hashlist>\n", start) + len("</hashlist>\n")
    return text[start:end]


def _swapped(text: str) -> str:
    first, second = _entry(text, 1), _entry(text, 2)
    return text.replace(first, "\0").replace(second, first).replace("\0", second)


_ALL_STRAY = [Kind.MANIFEST_NOT_IN_CHAIN] * 3


def _renumbered(text: str) -> str:
    return text.replace('"1"', '"x"').replace('"2"', '"1"').replace('"x"', '"2"')


CHAIN_DAMAGE: dict[str, tuple[Callable[[str], str], list[Kind]]] = {
    "one entry dropped": (
        lambda text: text.replace(_entry(text, 2), ""),
        [Kind.CHAIN_BROKEN, Kind.MANIFEST_NOT_IN_CHAIN],
    ),
    "the first entry dropped": (
        lambda text: text.replace(_entry(text, 1), ""),
        [Kind.CHAIN_BROKEN, Kind.MANIFEST_NOT_IN_CHAIN],
    ),
    "two entries swapped": (_swapped, [Kind.CHAIN_BROKEN] * 2),
    "numbers swapped": (_renumbered, [Kind.CHAIN_BROKEN] * 4),
    "one entry twice": (lambda text: text.replace(_entry(text, 1), _entry(text, 1) * 2), [Kind.CHAIN_BROKEN] * 2),
    "a number missing": (lambda text: text.replace(' sequencenr="3"', ""), [Kind.CHAIN_BROKEN]),
    "a number that is none": (lambda text: text.replace('"3"', '"three"'), [Kind.CHAIN_BROKEN]),
    "one C4 changed": (lambda text: text.replace("<c4>c4", "<c4>c5", 1), [Kind.MANIFEST_CHANGED]),
    "a path that escapes": (
        lambda text: text.replace("<path>0002_", "<path>../0002_"),
        [Kind.PATH_ESCAPES, Kind.MANIFEST_NOT_IN_CHAIN],
    ),
    "an absolute path": (
        lambda text: text.replace("<path>0002_", "<path>/etc/0002_"),
        [Kind.PATH_ESCAPES, Kind.MANIFEST_NOT_IN_CHAIN],
    ),
    "cut short": (lambda text: text[:-40], [Kind.CHAIN_BROKEN, *_ALL_STRAY]),
    "emptied": (lambda text: "", [Kind.CHAIN_BROKEN, *_ALL_STRAY]),
    "another namespace": (
        lambda text: text.replace("DIRECTORY:v2.0", "DIRECTORY:v3.0"),
        [Kind.CHAIN_BROKEN, *_ALL_STRAY],
    ),
}


@pytest.mark.parametrize(("edit", "expected"), CHAIN_DAMAGE.values(), ids=CHAIN_DAMAGE)
@pytest.mark.usefixtures("manifests")
def test_damage_to_the_chain_is_told_and_everything_else_is_still_read(
    roll: Roll, edit: Callable[[str], str], expected: list[Kind]
) -> None:
    _edit_chain(roll, edit)
    history = roll.read()
    assert sorted(kinds(history)) == sorted(expected)
    assert all(finding.severity is Severity.ERROR for finding in history.findings)
    assert len(history.generations) >= 3
    assert all(each.files == len(BELL) for each in history.generations if each.header is not None)


@pytest.mark.usefixtures("manifests")
def test_a_lost_chain_is_told(roll: Roll) -> None:
    roll.chain_path.unlink()
    assert kinds(roll.read()) == [Kind.CHAIN_BROKEN] + [Kind.MANIFEST_NOT_IN_CHAIN] * 3


@pytest.mark.parametrize("odd", ["link", "pipe", "folder"])
def test_a_manifest_that_is_no_regular_file_is_told_and_never_opened(
    roll: Roll, manifests: list[Path], tmp_path: Path, odd: str
) -> None:
    aside = tmp_path / "aside.mhl"
    manifests[0].rename(aside)
    if odd == "link":
        manifests[0].symlink_to(aside)
    elif odd == "pipe":
        os.mkfifo(manifests[0])
    else:
        manifests[0].mkdir()
    history = roll.read()
    assert kinds(history) == [Kind.BAD_MANIFEST]
    assert history.generations[0].state is ManifestState.UNREADABLE


def test_a_manifest_the_drive_cannot_read_is_told(roll: Roll, manifests: list[Path]) -> None:
    unreadable = os.fsencode(manifests[1].name)

    class Failing(LinuxIo):
        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            if name == unreadable:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().open_read(name, folder, direct=direct)

    history = read_history(Failing(), roll.handle)
    assert kinds(history) == [Kind.UNREADABLE]
    assert [each.files for each in history.generations] == [len(BELL), 0, len(BELL)]


def test_a_manifest_above_the_size_limit_is_refused_before_it_is_parsed(roll: Roll, manifests: list[Path]) -> None:
    os.truncate(manifests[1], standard.MANIFEST_LIMIT_BYTES + 1)  # sparse
    history = roll.read()
    assert kinds(history) == [Kind.BAD_MANIFEST]
    assert "larger" in history.findings[0].detail


def test_a_history_of_more_files_than_fit_says_what_was_left_out(roll: Roll, monkeypatch: pytest.MonkeyPatch) -> None:
    roll.append(generation(files_of(BELL)))
    monkeypatch.setattr("rollproof.ascmhl.expected.MANIFEST_LIMIT_ENTRIES", 3)
    history = roll.read()
    assert kinds(history) == [Kind.BAD_MANIFEST]
    assert len(history.expected) == 3
    assert "2 entries" in history.findings[0].detail


# --- what is wrong with single files

_FILE = "A003/A003C001.mov"
FILE_DAMAGE: list[tuple[str, str, str, Kind]] = [
    ("a path that climbs out", f">{_FILE}<", ">../../etc/passwd<", Kind.PATH_ESCAPES),
    ("an absolute path", f">{_FILE}<", ">/etc/passwd<", Kind.PATH_ESCAPES),
    ("an empty path", f">{_FILE}<", "><", Kind.PATH_ESCAPES),
    ("a dot in the path", f">{_FILE}<", ">A003/./A003C001.mov<", Kind.PATH_ESCAPES),
    ("a folder's path that climbs out", ">A003/LOOK<", ">A003/../..<", Kind.PATH_ESCAPES),
    ("a path that stands twice", f">{_FILE}<", ">README.txt<", Kind.BAD_MANIFEST),
    ("a folder that stands twice", ">EMPTY<", ">A003<", Kind.BAD_MANIFEST),
    ("a hash that is none", hashed(BELL[_FILE.encode()], "xxh128")["xxh128"], "no hash", Kind.BAD_MANIFEST),
    ("no action", ' action="original"', "", Kind.BAD_MANIFEST),
    ("an unknown action", ' action="original"', ' action="assumed"', Kind.BAD_MANIFEST),
    ("a size that is none", 'size="18"', 'size="-18"', Kind.BAD_MANIFEST),
    ("a size without end", 'size="18"', f'size="{"9" * 5000}"', Kind.BAD_MANIFEST),
    ("a date that is none", "2026-05-14T08:00:00.12Z", "2026-02-31T08:00:00Z", Kind.BAD_MANIFEST),
]


@pytest.mark.parametrize(
    ("old", "new", "kind"), [each[1:] for each in FILE_DAMAGE], ids=[each[0] for each in FILE_DAMAGE]
)
def test_what_is_wrong_with_one_file_costs_only_that_file(roll: Roll, old: str, new: str, kind: Kind) -> None:
    written = roll.append(generation(files_of(BELL), FOLDERS))
    path = roll.manifest(written)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    _rechain(roll, written.c4, path)

    history = roll.read()

    assert kinds(history) == [kind]
    assert len(history.expected) >= len(BELL) - 1
    assert b"README.txt" in history.expected
    assert not any(b".." in name or name.startswith(b"/") for name in history.expected)


def _rechain(roll: Roll, old: str, path: Path) -> None:
    """Make the chain agree with an edited manifest: what is to be seen is the manifest's own fault."""
    new = hashed(path.read_bytes(), "c4")["c4"]
    _edit_chain(roll, lambda text: text.replace(old, new))


def test_thousands_of_bad_paths_do_not_make_thousands_of_findings() -> None:
    from ascmhl.test_hostile_xml import manifest_with  # noqa: PLC0415
    from rollproof.ascmhl.noted import Noted  # noqa: PLC0415

    entry = '<hash><path size="1">../{}</path><md5 action="original">d41d8cd98f00b204e9800998ecf8427e</md5></hash>'
    noted = Noted()
    reader = manifest_reader.ManifestReader([manifest_with("".join(map(entry.format, range(5000))))], noted)
    assert list(reader) == []
    found = noted.all()
    assert len(found) == LISTED + 1
    assert found[-1].count == 5000 - LISTED


# --- what every file must hash to


def _expected(*files: FileHash) -> dict[bytes, dict[str, str]]:
    gathered = ExpectedFiles()
    for file in files:
        gathered.take(file)
    return {path: expected.hashes for path, expected in gathered.found.items()}


def _file(data: bytes, *algorithms: str, action: Action = Action.ORIGINAL, path: bytes = b"a.mov") -> FileHash:
    return FileHash(path, len(data), 0, hashed(data, *algorithms), action)


def test_the_earliest_good_hash_of_each_algorithm_is_expected() -> None:
    first = _file(b"bronze", "md5")
    second = replace(_file(b"bronze", "md5", "c4", action=Action.VERIFIED), actions={"c4": Action.ORIGINAL})
    third = _file(b"tampered", "md5", "c4", "sha1")
    assert _expected(first, second, third) == {b"a.mov": hashed(b"bronze", "md5", "c4") | hashed(b"tampered", "sha1")}


def test_a_failed_hash_is_never_expected() -> None:
    assert _expected(_file(b"wrong", "md5", action=Action.FAILED)) == {}
    assert _expected(_file(b"wrong", "md5", action=Action.FAILED), _file(b"right", "md5")) == {
        b"a.mov": hashed(b"right", "md5")
    }


def test_a_renamed_file_keeps_its_hashes() -> None:
    renamed = replace(_file(b"bronze", "c4", path=b"b.mov", action=Action.VERIFIED), previous_path=b"a.mov")
    assert _expected(_file(b"bronze", "md5"), renamed) == {b"b.mov": hashed(b"bronze", "md5", "c4")}
