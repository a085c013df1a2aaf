"""Manifests and chains from an enemy: our own refusal, soon, and nothing else."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ascmhl.mhl_trees import BELL, FOLDERS, files_of, generation
from rollproof.ascmhl.chain import ChainEntry, chain_chunks, parse_chain
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.manifest_xml import ManifestWriter
from rollproof.ascmhl.model import FileHash, FolderHash
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.strict_xml import DEPTH_LIMIT, TEXT_LIMIT_CHARACTERS
from rollproof.models.errors import UntrustedInput

GOOD = b"".join(ManifestWriter(generation(files_of(BELL, "md5", "xxh128"), FOLDERS)).chunks())
GOOD_CHAIN = b"".join(chain_chunks([ChainEntry(1, b"0001_A003_x.mhl", "c4" + "1" * 88)]))
HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><creatorinfo>'
    "<creationdate>2026-05-14T08:15:02Z</creationdate><hostname>cart-1</hostname><tool>x</tool></creatorinfo>"
    "<processinfo><process>transfer</process></processinfo><hashes>"
)
ONE = '<hash><path size="1">a.mov</path><md5 action="original">d41d8cd98f00b204e9800998ecf8427e</md5></hash>'
TAIL = "</hashes></hashlist>"


def manifest_with(entries: str) -> bytes:
    """A small manifest with these elements in `hashes`."""
    return (HEAD + entries + TAIL).encode()


def _read(data: bytes | Iterator[bytes]) -> list[FileHash | FolderHash]:
    return list(ManifestReader([data] if isinstance(data, bytes) else data, Noted()))


def test_the_manifests_used_here_are_good_ones() -> None:
    assert len(_read(GOOD)) == len(BELL) + len(FOLDERS)
    assert len(_read(manifest_with(ONE))) == 1
    assert len(parse_chain([GOOD_CHAIN])) == 1


_BOMB = "".join(f'<!ENTITY b{n} "{f"&b{n - 1};" * 10 if n else "bronze"}">' for n in range(12))

DOCTYPES = {
    "entity bomb": f"<!DOCTYPE hashlist [{_BOMB}]>",
    "external entity": '<!DOCTYPE hashlist [<!ENTITY b11 SYSTEM "file:///etc/passwd">]>',
    "external subset": '<!DOCTYPE hashlist SYSTEM "http://127.0.0.1:9/x.dtd">',
    "parameter entity": '<!DOCTYPE hashlist [<!ENTITY % p SYSTEM "file:///etc/passwd"> %p;]>',
    "empty one": "<!DOCTYPE hashlist>",
}


@pytest.mark.parametrize("doctype", DOCTYPES.values(), ids=DOCTYPES)
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "cp037"]
)
def test_a_doctype_is_refused_in_every_encoding_and_nothing_is_expanded(doctype: str, encoding: str) -> None:
    declaration = f'<?xml version="1.0" encoding="{encoding.removesuffix("-sig")}"?>'
    body = (HEAD + ONE + TAIL).split("?>", 1)[1].replace("cart-1", "&b11;" if "b11" in doctype else "cart-1")
    data = (declaration + doctype + body).encode(encoding)
    tracemalloc.start()
    try:
        with pytest.raises(UntrustedInput):
            _read(data)
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()


def test_a_doctype_cut_by_the_edge_of_a_piece_is_still_seen() -> None:
    data = manifest_with(ONE).replace(b"<hashlist", b"<!DOCTYPE hashlist><hashlist", 1)
    for at in range(1, 80):
        with pytest.raises(UntrustedInput, match="DOCTYPE"):
            _read(iter([data[:at], data[at:]]))


def _put(old: str, new: str) -> bytes:
    text = HEAD + ONE + TAIL
    assert old in text
    return text.replace(old, new, 1).encode()


_DEEP = 100_000
BREAKING = {
    "nothing": b"",
    "white space": b"   \n",
    "no XML": b"PK\x03\x04" + bytes(100),
    "two documents": manifest_with(ONE) * 2,
    "another root": b'<?xml version="1.0"?><roll/>',
    "no namespace": _put(' xmlns="urn:ASC:MHL:v2.0"', ""),
    "another namespace": _put("urn:ASC:MHL:v2.0", "urn:ASC:MHL:v1.0"),
    "another version": _put('version="2.0"', 'version="2.1"'),
    "no version": _put('version="2.0" ', ""),
    "unknown attribute": _put("<hash>", '<hash onload="x">'),
    "unknown element": _put("<hash>", "<hash/><clip/><hash>"),
    "unknown element below": _put("</md5>", "</md5><crc32>1</crc32>"),
    "foreign element": _put("</md5>", '</md5><x:y xmlns:x="urn:x"/>'),
    "hashes out of order": _put("<md5 ", f'<sha1 action="original">{"0" * 40}</sha1><md5 '),
    "a hash twice": _put("</md5>", f'</md5><md5 action="original">{"0" * 32}</md5>'),
    "process before creator": (HEAD + ONE + TAIL).replace("creatorinfo", "\0").replace("processinfo", "creatorinfo")
    .replace("\0", "processinfo").encode(),
    "no hashes": (HEAD.removesuffix("<hashes>") + "</hashlist>").encode(),
    "empty hashes": manifest_with(""),
    "no path": manifest_with(ONE.replace('<path size="1">a.mov</path>', "")),
    "two paths": manifest_with(ONE.replace("<path ", "<path>b</path><path ")),
    "an element inside a path": _put(">a.mov<", ">a<b/>.mov<"),
    "text among the hashes": _put("<hash>", "<hash>surprise"),
    "unknown process": _put(">transfer<", ">move<"),
    "no date": _put(">2026-05-14T08:15:02Z<", ">yesterday<"),
    "unknown entity": _put("a.mov", "&bell;.mov"),
    "control character": _put("a.mov", "a\x07.mov"),
    "control character by number": _put("a.mov", "a&#7;.mov"),
    "lone surrogate by number": _put("a.mov", "a&#xD800;.mov"),
    "not UTF-8": _put("a.mov", "A.mov").replace(b"A.mov", b"\xff.mov"),
    "latin-1 declared and used": _put("UTF-8", "ISO-8859-1").replace(b"a.mov", b"\xe4.mov"),
    "deep nesting": manifest_with("<hash>" * _DEEP),
    "deep nesting in metadata": manifest_with(ONE.replace("</hash>", "<metadata>" + "<a>" * _DEEP)),
    "deeper than the limit in metadata": manifest_with(
        ONE.replace("</hash>", f"<metadata>{'<a>' * DEPTH_LIMIT}{'</a>' * DEPTH_LIMIT}</metadata></hash>")
    ),
    "a long path": _put("a.mov", "a" * (TEXT_LIMIT_CHARACTERS + 1)),
    "an endless path": _put("a.mov", "a" * 30_000_000),
    "a long attribute": _put('size="1"', f'size="{"1" * (TEXT_LIMIT_CHARACTERS + 1)}"'),
    "an endless attribute": _put('size="1"', f'size="{"1" * 30_000_000}"'),
    "an endless attribute in metadata": manifest_with(
        ONE.replace("</hash>", f'<metadata><a b="{"x" * 30_000_000}"/></metadata></hash>')
    ),
    "many attributes": _put("<hash>", "<hash " + " ".join(f'a{n}=""' for n in range(100_000)) + ">"),
    "many name spaces": _put("<hash>", "<hash " + " ".join(f'xmlns:a{n}="urn:{n}"' for n in range(20_000)) + "><b/>"),
    "an endless name": _put("<hash>", f"<{'h' * 3_000_000}>"),
    "an endless comment": _put("<hash>", f"<!--{'c' * 30_000_000}"),
    "a hash without end tag": (HEAD + ONE).encode(),
}  # fmt: skip


@pytest.mark.parametrize("data", BREAKING.values(), ids=BREAKING)
def test_what_breaks_the_format_is_refused_and_soon(data: bytes) -> None:
    started = time.process_time()
    with pytest.raises(UntrustedInput) as caught:
        _read(data)
    assert len(caught.value.message) < 400
    assert caught.value.message.isprintable()
    assert time.process_time() - started < 5  # far above what any takes; a quadratic reader would not make it


def test_external_files_are_not_read_by_inclusion_either(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("the alloy")
    include = f'<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="{secret}" parse="text"/>'
    with pytest.raises(UntrustedInput):
        _read(_put("a.mov", include))


@pytest.mark.parametrize("piece", [1, 7, 1 << 20])
def test_every_truncation_is_refused(piece: int) -> None:
    step = 1 if piece > 100 else 97
    for length in range(0, len(GOOD.rstrip()) - 1, step):
        with pytest.raises(UntrustedInput):
            _read(GOOD[at : min(at + piece, length)] for at in range(0, length, piece))
    for length in range(0, len(GOOD_CHAIN.rstrip()) - 1, step):
        with pytest.raises(UntrustedInput):
            parse_chain([GOOD_CHAIN[:length]])


def test_pieces_of_any_size_give_the_same() -> None:
    whole = _read(GOOD)
    assert _read(GOOD[at : at + 1] for at in range(len(GOOD))) == whole


_SNIPPETS = st.sampled_from(
    [b"<", b">", b"&", b'"', b"'", b"/>", b"<hash>", b"</hash>", b"<path>", b"</path>", b"../", b"\x00", b"\xff",
     b"<!--", b"<![CDATA[", b"]]>", b"<?x?>", b"&#0;", b"&#x41;", b"&amp;", b' xmlns=""', b"<!DOCTYPE a>", b"9" * 400]
)  # fmt: skip


@given(
    st.lists(
        st.tuples(st.integers(0, len(GOOD)), st.integers(0, 40), st.one_of(_SNIPPETS, st.binary(max_size=6))),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_damage_ends_in_entries_findings_or_our_refusal(edits: list[tuple[int, int, bytes]]) -> None:
    data = GOOD
    for at, removed, added in edits:
        data = data[:at] + added + data[at + removed :]
    try:
        items = _read(data)
    except UntrustedInput:
        return
    for item in items:
        assert not item.path.startswith(b"/")
        assert b".." not in item.path.split(b"/")


@given(st.binary(max_size=300))
@example(b"<")
@example(b"\xfe\xff")
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_refused_as_chain_and_as_manifest(data: bytes) -> None:
    with pytest.raises(UntrustedInput):
        parse_chain([data])
    with pytest.raises(UntrustedInput):
        _read(data)


_HUNDRED_MEGABYTES = """
import resource
from ascmhl.test_hostile_xml import HEAD, ONE, TAIL
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.noted import Noted

def chunks():
    yield (HEAD + ONE.removesuffix("</hash>") + "<metadata>").encode()
    for _ in range(200):
        yield (b"<a b='c'>" + b"x" * 90 + b"</a>") * 5_000
    yield f"</metadata></hash>{TAIL}".encode()

def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

before = peak()
assert len(list(ManifestReader(chunks(), Noted()))) == 1
print(peak() - before)
"""


@pytest.mark.slow
def test_memory_stays_flat_over_a_hundred_megabytes_of_metadata() -> None:
    # in a process of its own: the peak of this one is older than the test
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", _HUNDRED_MEGABYTES]
    done = subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
    assert int(done.stdout) < 10_000  # KiB; as a tree it would be more than 300 MiB
