"""Plain checksum lines: what stock tools write is read, what is written here they would write too, nothing else is."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.cli.options import STOCK_HASHES
from rollproof.hashing import ALGORITHMS, c4, new_hasher, raw_of
from rollproof.hashing.checksum_lines import (
    CHECKERS,
    LINE_LIMIT_BYTES,
    BadLine,
    ChecksumLine,
    algorithm_in_name,
    checksum_line,
    parse_checksums,
)
from rollproof.models.errors import UntrustedInput
from rollproof.models.names import is_safe_relative

MD5 = hashlib.md5(b"bell").hexdigest()
SHA256 = hashlib.sha256(b"bell").hexdigest()


def lines_of(*pieces: bytes, algorithm: str | None = None) -> list[ChecksumLine | BadLine]:
    return list(parse_checksums(pieces, algorithm=algorithm))


def one(line: str | bytes, algorithm: str | None = None) -> ChecksumLine:
    (found,) = lines_of(line if isinstance(line, bytes) else line.encode(), algorithm=algorithm)
    assert isinstance(found, ChecksumLine), found
    return found


def bad(line: str | bytes) -> BadLine:
    (found,) = lines_of(line if isinstance(line, bytes) else line.encode())
    assert isinstance(found, BadLine), found
    return found


@pytest.mark.parametrize("algorithm", CHECKERS)
@given(path=st.binary(min_size=1, max_size=60).filter(is_safe_relative), content=st.binary(max_size=20))
def test_every_line_written_here_is_read_back_as_it_was(algorithm: str, path: bytes, content: bytes) -> None:
    hasher = new_hasher(algorithm)
    hasher.update(content)
    line = checksum_line(algorithm, hasher.text(), path)
    found = [each for each in lines_of(line, algorithm=algorithm) if isinstance(each, ChecksumLine)]
    trimmed = path
    while trimmed.startswith(b"./"):  # never written: a recorded path has no dot in it
        trimmed = trimmed[2:]
    assert [(each.path, each.raw, each.algorithms) for each in found] == [(trimmed, hasher.raw(), (algorithm,))]


@given(st.lists(st.binary(max_size=200), max_size=6))
def test_whatever_bytes_come_they_are_lines_or_refused(pieces: list[bytes]) -> None:
    try:
        found = lines_of(*pieces)
    except UntrustedInput:
        return
    for line in found:
        if isinstance(line, ChecksumLine):
            assert is_safe_relative(line.path)
            assert all(len(line.raw) == ALGORITHMS[name].raw_bytes for name in line.algorithms)


@given(st.binary(max_size=300), st.integers(1, 7))
def test_it_makes_no_difference_where_the_pieces_are_cut(data: bytes, size: int) -> None:
    data = f"{MD5}  a\n".encode() + data.replace(b"\0", b"0")
    assert lines_of(data) == lines_of(*(data[at : at + size] for at in range(0, len(data), size)))


def test_both_forms_and_both_modes_are_read() -> None:
    for line in (f"{MD5}  CLIP/a b.mov\n", f"{MD5} *CLIP/a b.mov", f"MD5 (CLIP/a b.mov) = {MD5}\r\n"):
        assert one(line).path == b"CLIP/a b.mov"
        assert one(line).raw.hex() == MD5
    assert one(f"{SHA256.upper()}  ./CLIP/x").path == b"CLIP/x"
    assert one(f"SHA256 (odd) = x) = {SHA256}").path == b"odd) = x"


def test_a_bare_hash_is_of_every_algorithm_of_its_length_unless_the_files_name_tells() -> None:
    assert one(f"{MD5}  x").algorithms == ("md5", "xxh128")
    assert one(f"{MD5}  x", "md5").algorithms == ("md5",)
    assert one(f"{SHA256}  x").algorithms == ("sha256", "blake3")
    assert one(f"{MD5[:16]}  x").algorithms == ("xxh64",)
    assert one(f"XXH3_{MD5[:16]}  x").algorithms == ("xxh3",)
    assert one(f"MD5 (x) = {MD5}", "xxh128").algorithms == ("md5",)


@pytest.mark.parametrize(
    ("name", "algorithm"),
    [
        (b"A003.md5", "md5"),
        (b"SHA256SUMS", "sha256"),
        (b"sha1sum.txt", "sha1"),
        (b"A003.xxh128", "xxh128"),
        (b"A003_xxh3.txt", "xxh3"),
        (b"drive.sha512", "c4"),
        (b"day1.xxhash", "xxh128"),
        (b"checksums.txt", None),
        (b"amd5", None),
    ],
)
def test_the_name_of_the_file_tells_its_algorithm(name: bytes, algorithm: str | None) -> None:
    assert algorithm_in_name(name) == algorithm


def test_sha512_is_the_c4_in_another_writing() -> None:
    digest = hashlib.sha512(b"bell")
    expected = raw_of("c4", c4.encode(digest.digest()))
    for line in (f"{digest.hexdigest()}  x", f"SHA512 (x) = {digest.hexdigest()}", f"{c4.encode(digest.digest())}  x"):
        assert (one(line).raw, one(line).algorithms) == (expected, ("c4",))


@pytest.mark.parametrize("path", ["../x", "/etc/passwd", "CLIP/../../x", "a//b", ".", "./../x", "a/./b"])
def test_a_path_that_leads_out_of_the_folder_is_told_and_not_taken(path: str) -> None:
    found = bad(f"{MD5}  {path}")
    assert found.escapes and found.path


@pytest.mark.parametrize(
    "line",
    [
        "not a checksum",
        f"{MD5}",
        f"{MD5} x",
        f"{MD5[:-1]}  x",
        f"{MD5[:-1]}g  x",
        f"CRC32 (x) = {MD5}",
        f"SHA256 (x) = {MD5}",
        f"\\{MD5}  odd\\escape",
        f"\\{MD5}  ends with\\",
    ],
)
def test_a_line_of_another_form_is_told_and_not_taken(line: str) -> None:
    assert bad(line).why and not bad(line).escapes


def test_marks_comments_and_empty_lines_say_nothing() -> None:
    found = lines_of(b"\xef\xbb\xbf" + MD5.encode() + b"  x\n\n# written by hand\n; and by another\n   \n")
    assert [line.path for line in found] == [b"x"]


def test_a_file_in_utf16_and_a_line_without_end_are_refused() -> None:
    with pytest.raises(UntrustedInput):
        lines_of(f"{MD5}  x\n".encode("utf-16"))
    with pytest.raises(UntrustedInput):
        lines_of(*[b"x" * 1000] * (LINE_LIMIT_BYTES // 1000 + 1))


def test_the_options_offer_exactly_what_a_stock_tool_checks() -> None:
    assert tuple(CHECKERS) == STOCK_HASHES
    assert set(STOCK_HASHES) < set(ALGORITHMS)
