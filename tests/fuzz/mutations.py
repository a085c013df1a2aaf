"""Damage to a valid document: bytes flipped, cut out, doubled, swapped, put in, and pieces of other documents."""

from __future__ import annotations

import re
from collections.abc import Sequence

from hypothesis import strategies as st

Change = tuple[str, int, int, bytes]
"""What is done, two places in thousandths of the document, and bytes for it."""

MEAN: tuple[bytes, ...] = (
    b"",
    b"\0",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    b"\x1b[2J",
    "\u202e".encode(),
    b"../" * 3,
    b"/etc/passwd",
    b"\n",
    b"\r\n",
    b'"',
    b"\\",
    b"\\u0000",
    b"\\ud800",
    b"{" * 40,
    b"[" * 5000,
    b'{"a":' * 1500,
    b"null",
    b"true",
    b"NaN",
    b"-1",
    b"1e999",
    b"9" * 25,
    b"9" * 5000,
    b"0" * 5000,
    b"&#0;",
    b"&b;",
    b"<!DOCTYPE a>",
    b"<![CDATA[",
    b"]]>",
    b"<!--",
    b"<hash>" * 100,
    b"%n%s",
    b"A" * 70_000,
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"bplist00",
    b"=",
    b"#",
    b"- -",
    "\u0661".encode(),
)
"""Pieces that break something somewhere."""

WAYS = ("flip", "cut", "double", "swap", "insert", "replace", "truncate", "repeat")


def changed(data: bytes, change: Change) -> bytes:
    """The document after one change."""
    way, first, second, piece = change
    one, other = sorted((len(data) * first // 1000, len(data) * second // 1000))
    match way:
        case "flip":
            if not data:
                return data
            at = min(one, len(data) - 1)
            return data[:at] + bytes([data[at] ^ (1 << second % 8)]) + data[at + 1 :]
        case "cut":
            return data[:one] + data[other:]
        case "double":
            return data[:other] + data[one:other] + data[other:]
        case "swap":
            middle = (one + other) // 2
            return data[:one] + data[middle:other] + data[one:middle] + data[other:]
        case "insert":
            return data[:one] + piece + data[one:]
        case "replace":
            return data[:one] + piece + data[one + max(len(piece), 1) :]
        case "truncate":
            return data[:other]
        case _:
            return data[:one] + data[one:other][:2000] * 20 + data[other:]


def damaged(valid: Sequence[bytes]) -> st.SearchStrategy[bytes]:
    """One of these documents after up to six changes; now and then noise, or two documents in one."""
    document: st.SearchStrategy[bytes] = st.sampled_from(list(valid))
    place = st.integers(0, 1000)
    change = st.tuples(st.sampled_from(WAYS), place, place, st.sampled_from(MEAN) | st.binary(max_size=40))

    def apply(data: bytes, changes: Sequence[Change]) -> bytes:
        for each in changes:
            data = changed(data, each)[: 1 << 20]
        return data

    mended = st.builds(apply, document, st.lists(change, min_size=1, max_size=6))
    spliced = st.builds(lambda a, b, cut: changed(a, ("truncate", 0, cut, b"")) + b, document, document, place)
    return mended | mended | mended | spliced | st.binary(max_size=2000)


def by_lines(valid: Sequence[bytes]) -> st.SearchStrategy[bytes]:
    """One of these documents with some of its lines taken out, doubled or put elsewhere: damage that a hash would not
    forgive and a grammar might."""

    def apply(data: bytes, moves: Sequence[tuple[int, int, int]]) -> bytes:
        lines = data.split(b"\n")
        for way, one, other in moves:
            first, second = one * len(lines) // 1001, other * len(lines) // 1001
            if way == 0:
                lines[first], lines[second] = lines[second], lines[first]
            elif way == 1:
                lines.insert(first, lines[second])
            elif len(lines) > 1:
                del lines[first]
        return b"\n".join(lines)

    moves = st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1000), st.integers(0, 1000)), min_size=1, max_size=5)
    return st.builds(apply, st.sampled_from(list(valid)), moves)


_VALUE = re.compile(
    rb'(?<=: )(?:"(?:[^"\\]|\\.)*"|-?\d+|true|false|null)'  # of JSON
    rb'|(?<==")[^"<>]*(?=")|(?<=>)[^<>\s][^<>]*(?=<)'  # of XML: attributes, text
    rb"|(?<=[^ ]=)[^\n=]+|(?<= = )[^\n]+"  # of lines
)
OTHER_VALUES: tuple[bytes, ...] = (
    b"null",
    b"true",
    b"-1",
    b"0",
    b"1.5",
    b"99999999999999999999",
    b"[]",
    b"{}",
    b'""',
    b'"x"',
    b'"../../x"',
    b'"/etc/passwd"',
    b'"a\\u0000b"',
    b'"\\ud800"',
    b'"0001-01-01T00:00:00+14:00"',
    b'"9999-12-31T23:59:59Z"',
    b'"proven"',
    b"",
    b"x",
    b"../../x",
    b"9" * 400,
    b"2026-02-30T25:61:61Z",
)


def other_values(valid: Sequence[bytes]) -> st.SearchStrategy[bytes]:
    """One of these documents, still of its form, with some of its values exchanged for others: what a parser meets that
    has got past the grammar."""

    def apply(data: bytes, changes: Sequence[tuple[int, bytes]]) -> bytes:
        for place, value in changes:
            found = list(_VALUE.finditer(data[:_FORM_BYTES]))
            if found:
                chosen = found[place * len(found) // 1001]
                data = data[: chosen.start()] + value + data[chosen.end() :]
        return data

    change = st.tuples(st.integers(0, 1000), st.sampled_from(OTHER_VALUES))
    return st.builds(apply, st.sampled_from(list(valid)), st.lists(change, min_size=1, max_size=3))


_FORM_BYTES = 20_000
"""So much of a document is looked through for values."""
