"""Whatever is written comes back exactly, and validates against the standard's own schemas."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ascmhl.mhl_trees import BELL, FOLDERS, START, Roll, files_of, generation, opened_roll
from rollproof.ascmhl.chain import ChainEntry, chain_chunks, parse_chain
from rollproof.ascmhl.flatten import write_packing_list
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.manifest_xml import ManifestBody, ManifestWriter
from rollproof.ascmhl.model import Action, Author, Creator, FileHash, FolderHash, Generation, Process, Reference
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.standard import (
    DEFAULT_PATTERNS,
    date_text,
    is_ignored,
    parse_moment,
    parse_time,
    time_text,
    why_not_recorded,
)
from rollproof.hashing import ALGORITHMS, STANDARD_NAMES, text_of

# --- what may come

_COMPONENT = st.one_of(
    st.text(min_size=1, max_size=12).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.binary(min_size=1, max_size=8),
    st.sampled_from(
        [b" ", b"-rf", b"a\nb", b"a\tb", b"a\rb", b"\r\n", b"&amp;", b"<path>", b"]]>", b'"', b"C:", b"a\\b", b"...",
         "ü".encode(), "u\u0308".encode(), "🔔".encode(), "\u202egnp".encode(), b"CON", b"x" * 255, b"ascmhl"]
    ),
).map(lambda name: name.replace(b"/", b"_").replace(b"\0", b"_") if name not in (b".", b"..") else b"dot")  # fmt: skip
_PATHS = st.lists(_COMPONENT, min_size=1, max_size=5).map(b"/".join)
_ZONES = st.sampled_from([UTC, timezone(timedelta(hours=-9, minutes=-30))])
_MOMENTS = st.datetimes(datetime(1, 1, 3), datetime(9999, 12, 29), timezones=_ZONES)
_XML_TEXT = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="".join(map(chr, range(32))) + "\ufffe\uffff"),
    max_size=20,
)


@st.composite
def _files(draw: st.DrawFn) -> list[FileHash]:
    paths = sorted(draw(st.sets(_PATHS, max_size=8)))
    # a path cannot be a file and a folder at once
    kept = [path for path in paths if not any(other.startswith(path + b"/") for other in paths)]
    return [draw(_file(path)) for path in kept]


@st.composite
def _file(draw: st.DrawFn, path: bytes) -> FileHash:
    algorithms = draw(st.sets(st.sampled_from(STANDARD_NAMES), min_size=1))
    hashes = {
        name: text_of(name, draw(st.binary(min_size=width, max_size=width)))
        for name in sorted(algorithms)
        for width in (ALGORITHMS[name].raw_bytes,)
    }
    action = draw(st.sampled_from(Action))
    others = draw(st.dictionaries(st.sampled_from(sorted(algorithms)), st.sampled_from(Action)))
    first = others.get(next(iter(hashes)), action)
    return FileHash(
        path=path,
        size=draw(st.integers(0, 2**63 - 1)),
        modified_ns=draw(st.integers(-(2**62), 2**63 - 1)),
        hashes=hashes,
        action=first,  # the reader takes the first as the common one
        hash_date=draw(st.none() | _MOMENTS),
        previous_path=draw(st.none() | st.just(b"A/before.mov")),
        actions={name: others.get(name, action) for name in hashes if others.get(name, action) is not first},
    )


@st.composite
def _generations(draw: st.DrawFn) -> Generation:
    authors = draw(
        st.lists(st.builds(Author, _XML_TEXT, _XML_TEXT, st.just("a@foundry.example"), _XML_TEXT), max_size=2)
    )
    return Generation(
        process=draw(st.sampled_from([Process.IN_PLACE, Process.TRANSFER])),
        started_at=draw(_MOMENTS),
        creator=Creator(
            draw(_XML_TEXT), draw(_XML_TEXT), draw(_XML_TEXT), tuple(authors), draw(_XML_TEXT), draw(_XML_TEXT)
        ),
        algorithms=tuple(draw(st.sets(st.sampled_from(STANDARD_NAMES), min_size=1))),
        files=draw(_files()),
        folders=sorted(draw(st.sets(_PATHS.map(lambda path: b"folders/" + path), max_size=4))),
        ignore_patterns=tuple(dict.fromkeys(draw(st.lists(_XML_TEXT, max_size=3)))),
        references=tuple(
            Reference(b"A/ascmhl/%04d_A.mhl" % number, text_of("c4", bytes(64)))
            for number in range(draw(st.integers(0, 2)))
        ),
    )


@given(_generations())
@settings(max_examples=100, deadline=None)
@pytest.mark.slow
def test_a_manifest_with_awkward_names_comes_back_exactly(written: Generation) -> None:
    writer = ManifestWriter(written)
    data = b"".join(writer.chunks())
    noted = Noted()
    reader = ManifestReader([data], noted)
    items = list(reader)

    assert noted.all() == ()
    files = list(written.files)
    recorded = [file for file in files if not why_not_recorded(file.path) and not is_ignored(file.path)]
    found = [item for item in items if isinstance(item, FileHash)]
    assert [replace(file, hash_date=None) for file in found] == [replace(file, hash_date=None) for file in recorded]
    assert [file.hash_date for file in found] == [file.hash_date for file in recorded]
    assert sum(finding.count for finding in writer.left_out.findings()) == len(files) - len(recorded)
    assert reader.header is not None
    assert (reader.header.process, reader.header.creator) == (written.process, written.creator)
    assert reader.header.created_at == date_text(written.started_at)
    assert reader.header.ignore_patterns == tuple(dict.fromkeys((*DEFAULT_PATTERNS, *written.ignore_patterns)))
    assert tuple(reader.references) == written.references
    folders = {item.path for item in items if isinstance(item, FolderHash)} - {b""}
    assert not any(why_not_recorded(folder) or is_ignored(folder) for folder in folders)


@given(_generations(), st.sampled_from([Process.TRANSFER, Process.FLATTEN]))
@settings(max_examples=60, deadline=None)
@pytest.mark.slow
def test_files_too_many_to_wait_in_memory_are_gone_through_twice_and_give_the_same_manifest(
    given: Generation, process: Process
) -> None:
    written = replace(given, process=process)
    packed = b"".join(ManifestWriter(written).chunks())
    twice = ManifestWriter(written, ManifestBody(written, limit_bytes=0))
    assert b"".join(twice.chunks()) == packed
    assert twice.left_out == ManifestBody(written).left_out


@given(_generations())
@settings(max_examples=30, deadline=None)
@pytest.mark.slow
def test_the_elements_made_for_one_copy_serve_another_whose_head_says_more(given: Generation) -> None:
    other = replace(given, ignore_patterns=(*given.ignore_patterns, "*.shared"))
    body = ManifestBody(given)
    assert b"".join(ManifestWriter(given, body).chunks()) == b"".join(ManifestWriter(given).chunks())
    assert b"".join(ManifestWriter(other, body).chunks()) == b"".join(ManifestWriter(other).chunks())


@given(st.integers(-(2**64), 2**68))
@example(0)
@example(-1)
@example(1_000_000_000)
def test_a_time_comes_back_to_the_nanosecond_or_is_not_told(nanoseconds: int) -> None:
    text = time_text(nanoseconds)
    if text is not None:
        assert parse_time(text) == nanoseconds


@given(_MOMENTS)
def test_a_date_comes_back_whatever_its_offset(moment: datetime) -> None:
    assert parse_moment(date_text(moment)) == moment


@pytest.mark.parametrize(
    "text",
    ["", "2026-05-14", "2026-05-14T08:15", "2026-13-14T08:15:02Z", "2026-05-14T25:15:02Z", "2026-05-14T08:15:02+25:00",
     "２026-05-14T08:15:02Z", "2026-05-14T08:15:02." + "1" * 31 + "Z", "26-05-14T08:15:02Z", "2026-05-14 08:15:02Z"],
)  # fmt: skip
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_time(text)


def test_a_date_without_offset_is_not_written() -> None:
    with pytest.raises(ValueError, match="offset"):
        date_text(START.replace(tzinfo=None))


_ENTRIES = st.builds(
    ChainEntry,
    st.none() | st.integers(0, 999_999_999),
    _XML_TEXT.filter(bool).map(str.encode),
    _XML_TEXT.map(str.strip),
    st.sampled_from([(), (("action", "original"),)]),
)


@given(st.lists(_ENTRIES, min_size=1, max_size=5))
@settings(deadline=None)
def test_a_chain_comes_back_exactly(entries: list[ChainEntry]) -> None:
    assert parse_chain(chain_chunks(entries)) == tuple(entries)


# --- the schemas

_REPO = Path(__file__).resolve().parents[2]


def _standards() -> Path | None:
    named = os.environ.get("ROLLPROOF_STANDARDS")
    folders = [Path(named), Path(named) / "ascmhl"] if named else [_REPO.parent / "shared" / "standards" / "ascmhl"]
    return next((folder for folder in folders if (folder / "ASCMHL.xsd").is_file()), None)


@pytest.fixture(scope="module")
def schemas() -> Path:
    """The folder of the schemas; the strict reader checks the same facts where they are absent."""
    found = _standards()
    if found is None or shutil.which("xmllint") is None:
        pytest.skip("the schemas or xmllint are not here")
    return found


def _valid(schema: Path, path: Path) -> str:
    """Empty when valid, else what is wrong."""
    command = ["xmllint", "--noout", "--nonet", "--schema", str(schema), str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stderr


@pytest.fixture
def histories(tmp_path: Path) -> Iterator[Roll]:
    """Every kind of manifest the tool writes, in one folder."""
    awkward = {b"a\nb\t&<>\"'.mov": b"1", b"bad\xff": b"2", "🔔.mov".encode(): b"", b"sp ace /\x85.mov": b"3"}
    with opened_roll(tmp_path / "A003") as roll:
        roll.append(generation(files_of(BELL | awkward, *STANDARD_NAMES), FOLDERS, algorithms=STANDARD_NAMES))
        dated = [
            replace(file, hash_date=START, previous_path=b"old.mov", actions={"md5": Action.FAILED}, modified_ns=-1)
            for file in files_of(BELL, "md5", "c4", action=Action.VERIFIED)
        ]
        references = (Reference(b"B/ascmhl/0001_B.mhl", text_of("c4", bytes(64))),)
        roll.append(generation(dated, process=Process.IN_PLACE, references=references, later_seconds=1))
        roll.append(generation([], later_seconds=2))
        roll.append(generation(files_of({b"bad\xff": b""}), later_seconds=3))
        roll.append(generation([], [b"EMPTY"], later_seconds=4))
        creator = Creator("cart-1", "rollproof", "0.1.0")
        write_packing_list(roll.io, roll.handle, b"A003", [(b"", roll.read())], started_at=START, creator=creator)
        yield roll


def test_everything_written_validates_against_the_schemas(histories: Roll, schemas: Path) -> None:
    manifests = sorted(histories.path.rglob("*.mhl"))
    assert len(manifests) == 6
    for path in manifests:
        assert _valid(schemas / "ASCMHL.xsd", path) == ""
    for path in (histories.chain_path, histories.path / "ascmhl_collection.xml"):
        assert _valid(schemas / "ASCMHLDirectory.xsd", path) == ""


def test_everything_written_passes_our_own_strict_reader(histories: Roll) -> None:
    assert histories.read().findings == ()
    for path in histories.path.rglob("*.mhl"):
        noted = Noted()
        assert list(ManifestReader([path.read_bytes()], noted)) != []
        assert noted.all() == ()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<hostname>", "<hostnames>"),
        ("<creatorinfo>", "<creatorinfo/><creatorinfo>"),
        ('version="2.0"', 'version="3.0"'),
        ("<process>transfer</process>", "<process>move</process>"),
        ("<hashes>", "<hashes><other/>"),
        ('action="original"', 'act="original"'),
        ("<content>", "<content><sha256>1</sha256>"),
        ("</processinfo>", "<roothash/></processinfo>"),
    ],
)
def test_our_strict_reader_refuses_what_the_schema_refuses(
    roll: Roll, schemas: Path, tmp_path: Path, old: str, new: str
) -> None:
    text = roll.manifest(roll.append(generation(files_of(BELL), FOLDERS))).read_text()
    closed = text.replace(old, new, 1).replace("</hostname>", "</hostnames>" if "hostnames" in new else "</hostname>")
    path = tmp_path / "damaged.mhl"
    path.write_text(closed)
    assert _valid(schemas / "ASCMHL.xsd", path) != ""
    from rollproof.models.errors import UntrustedInput  # noqa: PLC0415

    with pytest.raises(UntrustedInput):
        list(ManifestReader([path.read_bytes()], Noted()))
