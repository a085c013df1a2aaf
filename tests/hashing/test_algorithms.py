"""Every algorithm gives what its authors published."""

from __future__ import annotations

import builtins
import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.hashing import ALGORITHMS, STANDARD_NAMES, chosen, new_hasher, proof_algorithm, raw_of, text_of
from rollproof.models.errors import UntrustedInput, UsageProblem

EMPTY_C4 = "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"


def _reference_bytes(length: int) -> bytes:
    """The input of the xxHash reference vectors: the top byte of a multiplicative generator."""
    state = 2654435761
    out = bytearray()
    for _ in range(length):
        out.append(state >> 56)
        state = state * 11400714785074694797 % 2**64
    return bytes(out)


# (algorithm, input, text): xxHash's own sanity vectors with seed 0, RFC 1321, FIPS 180, BLAKE3, SMPTE ST 2114
VECTORS = [
    ("xxh64", b"", "ef46db3751d8e999"),
    ("xxh64", _reference_bytes(1), "e934a84adb052768"),
    ("xxh64", _reference_bytes(4), "9136a0dca57457ee"),
    ("xxh64", _reference_bytes(14), "8282dcc4994e35c8"),
    ("xxh64", _reference_bytes(222), "b641ae8cb691c174"),
    ("xxh3", b"", "2d06800538d394c2"),
    ("xxh3", _reference_bytes(1), "c44bdff4074eecdb"),
    ("xxh3", _reference_bytes(6), "27b56a84cd2d7325"),
    ("xxh3", _reference_bytes(12), "a713daf0dfbb77e7"),
    ("xxh3", _reference_bytes(24), "a3fe70bf9d3510eb"),
    ("xxh3", _reference_bytes(48), "397da259ecba1f11"),
    ("xxh128", b"", "99aa06d3014798d86001c324468d497f"),
    ("xxh128", _reference_bytes(1), "a6cd5e9392000f6ac44bdff4074eecdb"),
    ("xxh128", _reference_bytes(6), "082afe0b8162d12a3e7039bdda43cfc6"),
    ("md5", b"", "d41d8cd98f00b204e9800998ecf8427e"),
    ("md5", b"abc", "900150983cd24fb0d6963f7d28e17f72"),
    ("sha1", b"abc", "a9993e364706816aba3e25717850c26c9cd0d89d"),
    ("sha256", b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    ("blake3", b"", "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
    ("c4", b"", EMPTY_C4),
]


def _hash(name: str, data: bytes) -> str:
    hasher = new_hasher(name)
    hasher.update(data)
    return hasher.text()


@pytest.mark.parametrize(("name", "data", "text"), VECTORS, ids=lambda value: str(value)[:12])
def test_a_published_vector_is_met(name: str, data: bytes, text: str) -> None:
    assert _hash(name, data) == text


@pytest.mark.parametrize("name", ALGORITHMS)
def test_pieces_give_the_same_as_the_whole(name: str) -> None:
    data = bytes(range(256)) * 5000
    hasher = new_hasher(name)
    view = memoryview(data)
    for start in range(0, len(data), 99_991):
        hasher.update(view[start : start + 99_991])
    assert hasher.text() == _hash(name, data)
    assert raw_of(name, hasher.text()) == hasher.raw()


@pytest.mark.parametrize("name", ALGORITHMS)
def test_one_changed_bit_changes_the_hash(name: str) -> None:
    assert _hash(name, b"\x00" * 70_000) != _hash(name, b"\x00" * 69_999 + b"\x01")


@pytest.mark.parametrize(("name", "option"), [("xxh64", "-H1"), ("xxh128", "-H2"), ("xxh3", "-H3")])
def test_the_xxhash_command_prints_the_same(name: str, option: str, tmp_path: Path) -> None:
    command = shutil.which("xxhsum")
    if command is None:
        pytest.skip("xxhsum is not installed")
    path = tmp_path / "A003C001.mov"
    path.write_bytes(bytes(range(251)) * 4001)
    printed = subprocess.run([command, option, path], check=True, capture_output=True, text=True).stdout
    # the hash stands first or, as in "XXH3 (name) = hash", last
    assert _hash(name, path.read_bytes()) in {printed.split()[0], printed.split()[-1]}


@given(st.binary(min_size=64, max_size=64))
def test_a_c4_turns_back_into_its_sha_512(raw: bytes) -> None:
    text = text_of("c4", raw)
    assert len(text) == 90
    assert text.startswith("c4")
    assert not set(text[2:]) & set("0OIl")
    assert raw_of("c4", text) == raw


def test_a_small_c4_is_padded_on_the_left() -> None:
    assert text_of("c4", bytes(63) + b"\x01") == "c4" + "1" * 87 + "2"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("md5", "d41d8cd98f00b204e9800998ecf8427"),
        ("md5", "d41d8cd98f00b204e9800998ecf8427g"),
        ("md5", "d41d8cd98f00b204 e9800998ecf8427"),
        ("xxh3", "２d06800538d394c2"),
        ("xxh64", ""),
        ("c4", EMPTY_C4[:-1]),
        ("c4", EMPTY_C4[:-1] + "0"),
        ("c4", "d4" + EMPTY_C4[2:]),
        ("c4", "c4" + "z" * 88),
    ],
)
def test_text_that_is_no_hash_is_bad_input(name: str, text: str) -> None:
    with pytest.raises(UntrustedInput):
        raw_of(name, text)


def test_hexadecimal_is_taken_in_either_case() -> None:
    assert raw_of("md5", "D41D8CD98F00B204E9800998ECF8427E") == hashlib.md5().digest()


@pytest.mark.parametrize(
    ("asked", "meant"),
    [
        ([], ("xxh128",)),
        (["md5"], ("md5",)),
        (["md5", "c4", "md5"], ("md5", "c4")),
        (["sha256"], ("sha256", "xxh128")),
        (["blake3", "sha256"], ("blake3", "sha256", "xxh128")),
        (["sha256", "sha1"], ("sha256", "sha1")),
    ],
)
def test_the_set_always_holds_an_algorithm_of_the_standard(asked: list[str], meant: tuple[str, ...]) -> None:
    assert chosen(asked) == meant


def test_an_unknown_algorithm_is_named_with_those_that_exist() -> None:
    with pytest.raises(UsageProblem) as caught:
        chosen(["crc32"])
    assert "crc32" in caught.value.message
    assert all(name in caught.value.hint for name in ALGORITHMS)


def test_blake3_without_its_package_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: object) -> object:
        if name == "blake3":
            raise ImportError(name)
        return real(name, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageProblem) as caught:
        chosen(["blake3"])
    assert "pip install" in caught.value.hint


@pytest.mark.parametrize(
    ("names", "fastest"),
    [(("md5", "xxh128", "c4"), "xxh128"), (("c4", "md5"), "c4"), (("sha1", "sha256"), "sha1"), (("md5",), "md5")],
)
def test_second_passes_use_the_fastest_of_the_set(names: tuple[str, ...], fastest: str) -> None:
    assert proof_algorithm(names) == fastest


def test_the_standard_knows_exactly_its_six_in_alphabetical_order() -> None:
    assert STANDARD_NAMES == ("c4", "md5", "sha1", "xxh128", "xxh3", "xxh64")
    assert {name for name, algorithm in ALGORITHMS.items() if algorithm.standard_name is None} == {"sha256", "blake3"}


def test_slow_ones_are_those_that_want_a_thread_of_their_own() -> None:
    assert {name for name, algorithm in ALGORITHMS.items() if algorithm.slow} == {"md5", "sha1", "sha256", "c4"}
