"""A record from a drive is untrusted: it ends in values or in our own error, quickly, in flat memory."""

from __future__ import annotations

import os
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from records.samples import ROLL, Roll, offload_header, roll_folder, row, rows
from rollproof.models.errors import UntrustedInput
from rollproof.records import lines
from rollproof.records.chain import read_chain
from rollproof.records.lines import MAX_HEADER_BYTES, MAX_LINE_BYTES, BadRecord
from rollproof.records.read import iter_clips, iter_files, read_header
from rollproof.records.rows import ClipRow
from rollproof.records.write import append_record

NAME = "0001_offload_2026-05-14T081502Z.json"
ROW = b'"path": "CLIPS/A003C001.mov"'


def _change(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    def change(text: bytes) -> bytes:
        assert old in text
        return text.replace(old, new, 1)

    return change


def _swap_two_rows(text: bytes) -> bytes:
    lines_of = text.split(b"\n")
    at = next(index for index, line in enumerate(lines_of) if line.startswith(b'    {"path"'))
    lines_of[at], lines_of[at + 1] = lines_of[at + 1], lines_of[at]
    return b"\n".join(lines_of)


def _repeat_first_row(text: bytes) -> bytes:
    start = text.index(b'    {"path"')
    end = text.index(b"\n", start) + 1
    return text[:end] + text[start:]


IN_ROWS: dict[str, Callable[[bytes], bytes]] = {
    "parent": _change(ROW, b'"path": "../../etc/passwd"'),
    "absolute": _change(ROW, b'"path": "/etc/passwd"'),
    "nul": _change(ROW, b'"path": "a\\u0000b"'),
    "empty": _change(ROW, b'"path": ""'),
    "half a letter": _change(ROW, b'"path": "\\ud800"'),
    "two names": _change(ROW, b'"path": "nice.mov", "path_b64": "Li4vdXA="'),
    "base 64 of a way out": _change(ROW, b'"path": "../\\\\xff", "path_b64": "Li4v/w=="'),
    "two names, one of them hidden": _change(ROW, b'"path": "nice.mov", "path_b64": "ZXZpbP8="'),
    "a second form for a name that is text": _change(ROW, b'"path": "a.mov", "path_b64": "YS5tb3Y="'),
    "two values in a line": _change(b'"proven": true}', b'"proven": true} {}'),
    "rows in another order": _swap_two_rows,
    "a second form for a moment": _change(b'"hashes"', b'"modified_ns": 1778746502540000000, "hashes"'),
    "no base 64": _change(ROW, b'"path": "x", "path_b64": "!!"'),
    "path is a number": _change(ROW, b'"path": 3'),
    "size is text": _change(b'"size": 5', b'"size": "5"'),
    "size is negative": _change(b'"size": 5', b'"size": -5'),
    "size is huge": _change(b'"size": 5', b'"size": 99999999999999999999'),
    "size has a million digits": _change(b'"size": 5', b'"size": ' + b"9" * 900_000),
    "size is a fraction": _change(b'"size": 5', b'"size": 5.0'),
    "size is true": _change(b'"size": 5', b'"size": true'),
    "size is no number": _change(b'"size": 5', b'"size": NaN'),
    "size is infinite": _change(b'"size": 5', b'"size": 1e999'),
    "proven is a number": _change(b'"proven": true', b'"proven": 1'),
    "proven is missing": _change(b', "proven": true', b""),
    "a key twice": _change(b'"proven": true', b'"proven": false, "proven": true'),
    "no moment": _change(b'"modified": "2026', b'"modified": "yest'),
    "two moments": _change(b'"hashes"', b'"modified_ns": 5, "hashes"'),
    "no hash": _change(b'"xxh128": "', b'"xxh128": "zz'),
    "hashes is a list": _change(b'"hashes": {', b'"hashes": [], "more": {'),
    "unknown state": _change(b'"proven": true', b'"proven": true, "state": "fine"'),
    "unknown evidence": _change(b'"proven": true', b'"proven": true, "evidence": "hearsay"'),
    "nested 100,000 deep": _change(b'"size": 5', b'"size": ' + b"[" * 100_000 + b"]" * 100_000),
    "nested 100,000 deep in objects": _change(b'"size": 5', b'"size": ' + b'{"a":' * 100_000 + b"1" + b"}" * 100_000),
    "an entry is a list": _change(b'    {"path": "CLIPS/A003C001.mov"', b'    [], {"path": "CLIPS/A003C001.mov"'),
    "no UTF-8": _change(ROW, b'"path": "\xff"'),
    "a line without end": lambda text: text.replace(ROW, ROW + b" " * (MAX_LINE_BYTES + 1), 1),
    "a row twice": _repeat_first_row,
    "a comma is missing": _change(b'true},\n    {"path"', b'true}\n    {"path"'),
    "a comma too many": _change(b"true}\n  ]", b"true},\n  ]"),
    "something follows": lambda text: text + b"x",
    "another record follows": lambda text: text + text,
    "fewer rows than said": lambda text: text[: text.rindex(b",\n    {")] + b"\n  ]\n}\n",
    "cut off in a row": lambda text: text[:-40],
    "cut off after a row": lambda text: text[: text.rindex(b"\n  ]") + 1],
    "indented otherwise": _change(b'    {"path"', b'  {"path"'),
    "tabs": _change(b'    {"path"', b'\t\t\t\t{"path"'),
}

IN_HEADER: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda text: b"",
    "zeros": lambda text: bytes(len(text)),
    "no JSON": lambda text: b"hello\n" * 100,
    "a list": lambda text: b"[]\n",
    "one long line": lambda text: text.replace(b"\n", b" "),
    "nested 100,000 deep": lambda text: b"{\n  " + b"[" * 100_000 + b"\n",
    "nested deep in a value": _change(b'"day": null', b'"day": ' + b"[" * 100_000 + b"]" * 100_000),
    "nested deep beside brackets in text": _change(
        b'"day": null', b'"day": ["' + b"]" * 50 + b'\\"' + b'", ' + b"[" * 50 + b"]" * 50 + b"]"
    ),
    "a header without end": lambda text: b"{\n" + b'  "a": 1,\n' * 1_000_000,
    "a header of lists": lambda text: b'{\n  "x": [\n' + (b"    [" + b"1," * 50 + b"1],\n") * 100_000,
    "a key twice": _change(b'  "day": null,', b'  "day": null,\n  "day": null,'),
    "a key twice inside": _change(b'"copies_required": 2', b'"copies_required": 2, "copies_required": 0'),
    "files twice": _change(b'  "day": null,', b'  "day": null, "files": [],'),
    "number is text": _change(b'"sequence": 1', b'"sequence": "1"'),
    "number is nothing": _change(b'"sequence": 1', b'"sequence": 0'),
    "number is huge": _change(b'"sequence": 1', b'"sequence": ' + b"9" * 5000),
    "not a number": _change(b'"copies_required": 2', b'"copies_required": NaN'),
    "infinite": _change(b'"copies_required": 2', b'"copies_required": Infinity'),
    "no digest": _change(b'"previous_sha256": null', b'"previous_sha256": "abc"'),
    "no moment": _change(b'"written_at": "2026', b'"written_at": "soon'),
    "no offset": _change(b'08:15:02Z"', b'08:15:02"'),
    "unknown kind": _change(b'"kind": "offload"', b'"kind": "upload"'),
    "kind is a list": _change(b'"kind": "offload"', b'"kind": ["offload"]'),
    "no copy": _change(b'  "copy": ', b'  "copied": '),
    "evidence is hearsay": _change(b'"readback": "medium"', b'"readback": "hearsay"'),
    "another format": _change(b"rollproof-record/1", b"rollproof-record/2"),
    "another tool": _change(b"rollproof-record/1", b"something-else"),
    "format is a list": _change(b'"rollproof-record/1"', b"[]"),
    "written on one line": lambda text: text.replace(b"\n", b"").replace(b"  ", b"") + b"\n",
    "indented otherwise": lambda text: text.replace(b"\n  ", b"\n      "),
    "line ends of another system": lambda text: text.replace(b"\n", b"\r\n"),
    "half a letter": _change(b'"day": null', b'"day": "\\ud800"'),
    "a list without end": _change(b'  "day": null,', b'  "day": [\n    1,'),
}


def _tampered(roll: Roll, change: Callable[[bytes], bytes]) -> None:
    roll.offload(*rows(*ROLL))
    path = roll.record(NAME)
    before = path.read_bytes()
    after = change(before)
    assert after != before
    path.write_bytes(after)


@pytest.mark.parametrize("change", IN_ROWS.values(), ids=IN_ROWS.keys())
def test_a_row_that_is_not_as_it_should_be_is_refused(roll: Roll, change: Callable[[bytes], bytes]) -> None:
    _tampered(roll, change)
    with pytest.raises(UntrustedInput):
        list(iter_files(roll.io, roll.handle, NAME))


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(change, id=name, marks=[pytest.mark.slow] if name == "a header of lists" else [])
        for name, change in IN_HEADER.items()
    ],
)
def test_a_header_that_is_not_as_it_should_be_is_refused_in_flat_memory(
    roll: Roll, change: Callable[[bytes], bytes]
) -> None:
    _tampered(roll, change)
    tracemalloc.start()
    try:
        with pytest.raises(UntrustedInput):
            read_header(roll.io, roll.handle, NAME)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 6 * MAX_HEADER_BYTES
    chain = read_chain(roll.io, roll.handle)
    assert not chain.whole


@pytest.mark.parametrize(
    "body",
    [b"x" * 1_000_000, b'    "' + b"x" * 900_000 + b'",\n'],
    ids=["one line", "a list of long texts"],
)
def test_sixty_megabytes_in_the_place_of_a_header_are_not_taken_into_memory(roll: Roll, body: bytes) -> None:
    roll.offload(*rows(*ROLL))
    with roll.record(NAME).open("wb") as file:
        file.write(b'{\n  "x": [\n')
        for _ in range(60):
            file.write(body)
    tracemalloc.start()
    try:
        with pytest.raises(BadRecord, match="longer than"):
            read_header(roll.io, roll.handle, NAME)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 3 * MAX_HEADER_BYTES


def test_ten_unknown_keys_of_a_later_version_are_passed_over(roll: Roll) -> None:
    _tampered(roll, _change(b'  "day": null,', b'  "day": null,\n  "weather": {"bells": ["ringing"]},'))
    text = roll.record(NAME).read_bytes().replace(b'"proven": true', b'"proven": true, "smell": 3')
    roll.record(NAME).write_bytes(text)
    assert len(list(iter_files(roll.io, roll.handle, NAME))) == len(ROLL)


@pytest.mark.parametrize(
    "entry", [b"{}", b"3", b'{"name": 3, "files": 1, "bytes": 1, "health": "sound"}', b'{"name": "x", "files": true}']
)
def test_a_clip_that_is_not_as_it_should_be_is_refused(roll: Roll, entry: bytes) -> None:
    there = rows(*ROLL)
    roll.append(offload_header(None, there), there, [ClipRow("A003C001", 1, 5)])
    path = roll.record(NAME)
    good = b'{"name": "A003C001", "files": 1, "bytes": 5, "health": "unknown"}'
    path.write_bytes(_change(good, entry)(path.read_bytes()))
    with pytest.raises(UntrustedInput):
        list(iter_clips(roll.io, roll.handle, NAME))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150, deadline=None)
@given(data=st.data())
def test_any_damage_to_a_record_ends_in_values_or_in_our_own_error(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with roll_folder(tmp_path_factory.mktemp("roll")) as roll:
        roll.offload(*rows(*ROLL))
        text = bytearray(roll.record(NAME).read_bytes())
        for _ in range(data.draw(st.integers(1, 4))):
            at = data.draw(st.integers(0, len(text) - 1))
            length = data.draw(st.integers(0, 8))
            text[at : at + length] = data.draw(st.binary(max_size=8))
        roll.record(NAME).write_bytes(text)
        for attempt in (
            lambda: read_header(roll.io, roll.handle, NAME),
            lambda: list(iter_files(roll.io, roll.handle, NAME)),
            lambda: list(iter_clips(roll.io, roll.handle, NAME)),
        ):
            try:
                attempt()
            except UntrustedInput as problem:
                assert len(problem.message) < 1000
        read_chain(roll.io, roll.handle)


@given(st.binary(max_size=60) | st.text('[]{},:"0123456789eE+-.nulltrfas\\ ', max_size=60).map(str.encode))
def test_any_piece_of_text_is_json_or_our_own_error(piece: bytes) -> None:
    try:
        lines.parse(piece)
    except BadRecord:
        return


@pytest.mark.parametrize("ends", [(b"[", b"]"), (b'{"a":', b"}")])
def test_json_may_be_nested_so_deep_and_no_deeper(ends: tuple[bytes, bytes]) -> None:
    begin, end = ends

    def nested(levels: int) -> bytes:
        return begin * levels + b"1" + end * levels

    assert lines.parse(nested(lines.MAX_DEPTH)) is not None
    for levels in (lines.MAX_DEPTH + 1, 500, 100_000):
        with pytest.raises(BadRecord, match="nested deeper"):
            lines.parse(nested(levels))


def test_a_link_in_the_place_of_the_records_folder_leads_nowhere(roll: Roll, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (roll.path / "rollproof").symlink_to(elsewhere)
    with pytest.raises(UntrustedInput):
        read_header(roll.io, roll.handle, NAME)
    with pytest.raises(UntrustedInput):
        append_record(roll.io, roll.handle, offload_header())
    assert not read_chain(roll.io, roll.handle).whole
    assert os.listdir(elsewhere) == []


def test_a_link_or_a_pipe_in_the_place_of_a_record_is_never_opened(roll: Roll, tmp_path: Path) -> None:
    roll.offload(*rows(*ROLL))
    path = roll.record(NAME)
    path.rename(tmp_path / "real.json")
    path.symlink_to(tmp_path / "real.json")
    with pytest.raises(BadRecord, match="no regular file"):
        read_header(roll.io, roll.handle, NAME)
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(BadRecord, match="no regular file"):
        read_header(roll.io, roll.handle, NAME)


def test_a_number_that_leaves_no_next_one_is_refused(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    roll.record(NAME).rename(roll.record("999999999_offload_2026-05-14T081502Z.json"))
    with pytest.raises(UntrustedInput, match="no number"):
        roll.offload(*rows(*ROLL))


def test_the_header_of_a_record_of_many_files_is_read_without_them(roll: Roll) -> None:
    many = [row(f"SEQ/bell_{number:06}.dpx") for number in range(30_000)]
    header = offload_header(None, many)
    written = roll.append(header, iter(many), (ClipRow(f"bell_{number:06}", 1, 5) for number in range(30_000)))
    tracemalloc.start()
    try:
        begun = time.perf_counter()
        assert read_header(roll.io, roll.handle, written.name).sequence == 1
        took = time.perf_counter() - begun
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 3 << 20, "the files of the record were held in memory"
    assert took < 2, "this takes milliseconds unless the files are read too"


@pytest.mark.slow
def test_going_through_many_files_holds_one_at_a_time(roll: Roll) -> None:
    many = [row(f"SEQ/bell_{number:06}.dpx") for number in range(20_000)]
    written = roll.append(offload_header(None, many), many)
    del many
    tracemalloc.start()
    try:
        assert sum(1 for _ in iter_files(roll.io, roll.handle, written.name)) == 20_000
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 4 << 20
