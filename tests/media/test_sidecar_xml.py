"""XML sidecars and card indexes: what they name, and what they may not do."""

from __future__ import annotations

import pytest

from media.by_hand import INDEX_XML
from rollproof.media.sidecar_xml import LARGEST, read_sidecar
from rollproof.media.source import BytesSource

PER_TRACK = b"""<?xml version="1.0" encoding="UTF-8" standalone="no" ?>
<Main xmlns="urn:schemas:A.b" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="a.xsd">
  <ClipContent><ClipName>0001AB</ClipName><Duration>123</Duration>
    <Video ValidAudioFlag="true"><VideoFormat>MXF</VideoFormat></Video>
    <File> 0001AB00.MXF </File><Link href="http://example.org/a.mxf"/>
  </ClipContent>
</Main>"""


def _read(data: bytes) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    read = read_sidecar(BytesSource(data))
    return read.health.state, read.references, read.clip_names


def test_a_card_index_names_its_clips_in_order() -> None:
    assert _read(INDEX_XML) == ("sound", ("./CLIP/A003C001.MP4", "./CLIP/A003C002.MP4"), ())


def test_a_clip_file_names_its_clip_and_its_files_and_nothing_from_the_net() -> None:
    assert _read(PER_TRACK) == ("sound", ("0001AB00.MXF",), ("0001AB",))


def test_numbers_are_no_file_names() -> None:
    assert _read(b'<a version="2.00" fps="23.98" date="2026.05" file="C1.MP4"/>')[1] == ("C1.MP4",)


@pytest.mark.parametrize("cut", [10, 60, 150, len(INDEX_XML) - 5])
def test_a_cut_file_is_damaged_and_what_was_read_before_is_kept(cut: int) -> None:
    state, references, _ = _read(INDEX_XML[:cut])

    assert state == "damaged"
    assert len(references) == INDEX_XML[:cut].count(b'MP4" type')


def test_something_after_the_end_is_odd() -> None:
    assert _read(INDEX_XML + b"<more/>")[0] == "odd"


def test_entities_are_not_expanded() -> None:
    laughs = b'<!DOCTYPE a [<!ENTITY b "bell"><!ENTITY c "&b;&b;&b;&b;">]><a file="&c;"/>'

    assert _read(laughs) == ("odd", (), ())


def test_nothing_outside_is_fetched() -> None:
    outside = b'<!DOCTYPE a SYSTEM "file:///etc/passwd"><a/>'
    entity = b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>'

    assert _read(outside)[0] == "sound"
    assert _read(entity) == ("odd", (), ())


def test_an_encoding_that_is_not_known_is_unknown() -> None:
    for encoding in (b"foo", b"shift_jis"):
        assert _read(b'<?xml version="1.0" encoding="' + encoding + b'"?><a/>')[0] == "unknown"


def test_a_file_beyond_reason_is_not_read() -> None:
    assert _read(b"<a>" + b" " * LARGEST + b"</a>")[0] == "unknown"


def test_depth_and_length_have_no_say_over_memory() -> None:
    deep = b"<a>" * 200_000 + b"</a>" * 200_000
    long = b'<a n="' + b"x" * 1_000_000 + b'.mp4"/>'

    assert _read(deep)[0] == "sound"
    assert _read(long) == ("sound", (), ())
