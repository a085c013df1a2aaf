"""What is written is what is read: rows, clips, headers, names, chains."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from records.samples import MOMENT_NS, ROLL, Roll, offload_header, roll_folder, row, rows, verify_header
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import is_safe_relative
from rollproof.models.volumes import Evidence
from rollproof.records.lines import BadRecord, parse
from rollproof.records.models import MAX_FINDINGS, OffloadHeader, finding_blocks
from rollproof.records.read import iter_clips, iter_files, read_header
from rollproof.records.rows import (
    MAX_SIZE,
    ClipRow,
    FileRow,
    FilesDigest,
    clip_from_json,
    clip_to_line,
    from_json,
    to_line,
)
from rollproof.records.schema import record_schema

DOCS = Path(__file__).parents[2] / "docs"
SCHEMA = Draft202012Validator(record_schema())

components = st.binary(min_size=1, max_size=20) | st.text(min_size=1, max_size=12).map(
    lambda text: text.encode("utf-8", "surrogatepass")
)
paths = st.lists(components, min_size=1, max_size=4).map(b"/".join).filter(is_safe_relative)
file_rows = st.builds(
    FileRow,
    path=paths,
    size=st.integers(0, MAX_SIZE),
    modified_ns=st.integers(-(10**27), 10**27),
    hashes=st.fixed_dictionaries(
        {"xxh128": st.binary(min_size=16, max_size=16).map(bytes.hex)},
        optional={
            "md5": st.binary(min_size=16, max_size=16).map(bytes.hex),
            "c4": st.text("123456789ABCzyx", min_size=88, max_size=88).map("c4".__add__),
        },
    ),
    proven=st.booleans(),
    state=st.none() | st.sampled_from(["copied", "failed", "differs", "missing", "unknown"]),
    evidence=st.none() | st.sampled_from(Evidence),
)


@given(file_rows)
def test_a_row_survives_the_way_there_and_back_whatever_the_name_and_the_moment(written: FileRow) -> None:
    line = to_line(written).encode("utf-8")
    assert b"\n" not in line
    assert b"\x1b" not in line
    assert from_json(parse(line)) == written


@given(
    st.builds(
        ClipRow,
        name=st.text(st.characters(codec="utf-8"), max_size=30),
        files=st.integers(0, MAX_SIZE),
        bytes=st.integers(0, MAX_SIZE),
        duration=st.none() | st.just("00:01:20.04"),
        timecode=st.none() | st.just("10:00:00:00"),
        frame_rate=st.none() | st.just("25"),
        health=st.sampled_from(["sound", "damaged", "unknown"]),
    )
)
def test_a_clip_survives_the_way_there_and_back(written: ClipRow) -> None:
    assert clip_from_json(parse(clip_to_line(written).encode("utf-8"))) == written


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None)
@given(found=st.lists(file_rows, max_size=12, unique_by=lambda file: file.path))
def test_a_whole_record_survives_the_way_there_and_back_and_obeys_the_published_schema(
    found: list[FileRow], tmp_path_factory: pytest.TempPathFactory
) -> None:
    ordered = sorted(found, key=lambda file: file.path)
    header = offload_header(None, ordered)
    with roll_folder(tmp_path_factory.mktemp("roll")) as roll:
        written = roll.append(header, ordered, [ClipRow("A003C001", 1, 5)])
        assert list(iter_files(roll.io, roll.handle, written.name)) == ordered
        assert list(iter_clips(roll.io, roll.handle, written.name)) == [ClipRow("A003C001", 1, 5)]
        assert read_header(roll.io, roll.handle, written.name) == header
        SCHEMA.validate(json.loads(roll.record(written.name).read_bytes()))


def test_the_published_schema_is_the_one_the_models_give() -> None:
    published = json.loads((DOCS / "record.schema.json").read_text())
    assert published == record_schema(), "run: python -m rollproof.records.schema > docs/record.schema.json"


def test_the_schema_refuses_a_record_without_its_copy(roll: Roll) -> None:
    written = roll.offload(*rows(*ROLL))
    record = json.loads(roll.record(written.name).read_bytes())
    del record["copy"]
    assert not SCHEMA.is_valid(record)


def test_keys_stand_in_the_order_of_the_contract_and_files_comes_last(roll: Roll) -> None:
    written = roll.offload(*rows(*ROLL))
    text = roll.record(written.name).read_text()
    keys = list(json.loads(text))
    common = ["format", "kind", "sequence", "previous_sha256", "written_at", "by", "station", "production", "roll"]
    assert keys[:9] == common
    assert keys[9:12] == ["source", "policy", "copy"]
    assert {"other_copies", "findings", "totals"} <= set(keys)
    assert keys[-2:] == ["clips", "files"]
    assert text.endswith("\n  ]\n}\n")
    assert len([line for line in text.splitlines() if line.startswith('    {"path"')]) == len(ROLL)


def test_a_name_that_is_no_text_has_both_forms_and_one_that_is_has_one(roll: Roll) -> None:
    odd = row(b"CLIPS/\xff\xfe.mov")
    written = roll.offload(odd, row("CLIPS/Glocke größer.mov"))
    record = json.loads(roll.record(written.name).read_bytes())
    by_path = {file["path"]: file for file in record["files"]}
    assert by_path["CLIPS/\\xff\\xfe.mov"]["path_b64"] == "Q0xJUFMv//4ubW92"
    assert "path_b64" not in by_path["CLIPS/Glocke größer.mov"]
    assert odd in list(iter_files(roll.io, roll.handle, written.name))


def test_a_moment_beyond_the_year_9999_is_kept_exactly(roll: Roll) -> None:
    late = replace(row("late.mov"), modified_ns=(1 << 62) * 10**9 + 7)
    written = roll.offload(late)
    assert list(iter_files(roll.io, roll.handle, written.name)) == [late]


def test_controls_and_turned_around_text_lie_in_the_file_as_escapes_only(roll: Roll) -> None:
    written = roll.append(
        offload_header(None, [row("a\x1b[31m\u202evom.mov")], findings=finding_blocks([_finding("\x9b0m\u2066")])),
        [row("a\x1b[31m\u202evom.mov")],
        [ClipRow("\x1b]0;", 1, 1)],
    )
    text = roll.record(written.name).read_bytes().decode("utf-8")
    assert not any(letter in text for letter in "\x1b\x9b\u202e\u2066")


def _finding(detail: str, severity: Severity = Severity.ERROR) -> Finding:
    return Finding(Kind.DIFFERS, severity, "A003C001.mov", detail)


def test_names_of_records_carry_number_kind_and_utc(roll: Roll) -> None:
    first = roll.offload(*rows(*ROLL))
    second = roll.append(verify_header())
    assert first.name == "0001_offload_2026-05-14T081502Z.json"
    assert second.name == "0002_verify_2026-05-14T081502Z.json"


def test_each_record_holds_the_digest_of_the_whole_file_before_it(roll: Roll) -> None:
    first = roll.offload(*rows(*ROLL))
    second = roll.append(verify_header())
    assert first.previous_sha256 is None
    assert first.sha256 == hashlib.sha256(roll.record(first.name).read_bytes()).hexdigest()
    assert second.previous_sha256 == first.sha256
    header = read_header(roll.io, roll.handle, second.name)
    assert (header.sequence, header.previous_sha256) == (2, first.sha256)


def test_the_next_number_follows_the_highest_even_after_a_gap(roll: Roll) -> None:
    first = roll.offload(*rows(*ROLL))
    second = roll.append(verify_header())
    roll.record(first.name).unlink()
    third = roll.append(verify_header())
    assert third.sequence == 3
    assert third.previous_sha256 == second.sha256


def test_rows_out_of_order_or_twice_are_refused_and_nothing_stays(roll: Roll) -> None:
    two = rows("a.mov", "b.mov")
    for wrong in ([two[1], two[0]], [two[0], two[0]]):
        with pytest.raises(ValueError, match="order"):
            roll.append(offload_header(None, wrong), wrong)
    assert os.listdir(roll.path / "rollproof") == []


@pytest.mark.parametrize("path", [b"../up.mov", b"/abs.mov", b"a//b", b"a/../b", b""])
def test_a_path_that_leaves_the_folder_is_never_written(roll: Roll, path: bytes) -> None:
    with pytest.raises(ValueError, match="path"):
        roll.offload(FileRow(path, 1, MOMENT_NS, {}, False))


def test_more_findings_than_anyone_reads_are_counted_by_kind_and_the_worst_are_kept() -> None:
    many = [_finding("odd", Severity.NOTE)] * (MAX_FINDINGS + 500) + [_finding("differs")]
    blocks = finding_blocks(many)
    assert blocks[0].severity == "error"
    assert len(blocks) == MAX_FINDINGS + 1
    assert sum(block.count for block in blocks) == len(many)


def test_a_label_with_half_a_letter_can_still_be_recorded(roll: Roll) -> None:
    header = offload_header(None, rows(*ROLL))
    odd = header.model_copy(update={"roll": "A003"})
    header = OffloadHeader.model_validate({**dict(odd), "unit": "main\udcff"})
    written = roll.append(header, rows(*ROLL))
    read = read_header(roll.io, roll.handle, written.name)
    assert isinstance(read, OffloadHeader)
    assert read.unit == "main\\udcff"


def test_the_digest_over_all_files_sees_path_size_hash_and_order() -> None:
    def digest(*lines: tuple[bytes, int, str]) -> str:
        found = FilesDigest("xxh128")
        for line in lines:
            found.add(*line)
        return found.text()

    one = digest((b"a", 1, "00"), (b"b", 2, "01"))
    assert one == hashlib.sha256(b"a\x001\x0000\nb\x002\x0001\n").hexdigest()
    assert one != digest((b"a", 1, "00"), (b"b", 2, "02"))
    with pytest.raises(ValueError, match="order"):
        digest((b"b", 1, "00"), (b"a", 2, "01"))


def test_reading_a_record_that_is_not_there_is_a_missing_file(roll: Roll) -> None:
    roll.offload(*rows(*ROLL))
    with pytest.raises(FileNotFoundError):
        read_header(roll.io, roll.handle, "0007_verify_2026-05-14T081502Z.json")
    with pytest.raises(BadRecord):
        read_header(roll.io, roll.handle, "../0007_verify_2026-05-14T081502Z.json")
