"""The scanner that tells where a key stands agrees with the parser, and never fails."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from rollproof.production.lines import key_lines

TEXT = '''\
# a comment with = and [brackets]
name = "one # not a comment"
"odd key" . 'two' = 1   # comment

text = """
[not.a.table]
x = 1 \\"""
"""
raw = \'\'\'
y = 2
\'\'\'
list = [
  1, # one
  [ "]", '}' ],
  { a = 1, b = [ 2,
     3 ] },
]
[table]
key = 2026-05-14 06:00:00
[[rows]]
a = 1
[[rows]]
a = 2
  [rows.inner]
  b = 3
  [[rows.inner.deep]]
  c = 4
[table.below]
d = +1e5
'''

WHERE = {
    ("name",): 2,
    ("odd key", "two"): 3,
    ("text",): 5,
    ("raw",): 9,
    ("list",): 12,
    ("list", 0): 13,
    ("list", 1): 14,
    ("list", 1, 1): 14,
    ("list", 2, "a"): 15,
    ("list", 2, "b", 1): 16,
    ("table",): 18,
    ("table", "key"): 19,
    ("rows", 0): 20,
    ("rows", 0, "a"): 21,
    ("rows", 1): 22,
    ("rows", 1, "a"): 23,
    ("rows", 1, "inner", "b"): 25,
    ("rows", 1, "inner", "deep", 0, "c"): 27,
    ("table", "below", "d"): 29,
}


def test_every_way_to_write_a_key_is_found_in_its_line() -> None:
    tomllib.loads(TEXT)
    found = key_lines(TEXT)
    assert {path: found.of.get(path) for path in WHERE} == WHERE
    assert found.twice is None


def test_a_key_that_is_not_there_gets_the_line_of_the_table_around_it() -> None:
    found = key_lines(TEXT)
    assert found.nearest(("rows", 1, "missing")) == 22
    assert found.nearest(("missing",)) is None


def test_a_key_that_stands_twice_is_found_with_both_lines() -> None:
    assert key_lines("a = 1\n[t]\nb = 1\nb = 2\n").twice == (("t", "b"), 3, 4)


def test_nesting_without_end_is_given_up_and_what_came_before_is_kept() -> None:
    assert key_lines("a = 1\nb = " + "[" * 5000).of[("a",)] == 1


@given(st.text(alphabet="ab=[]{}.\"'\\#,\n 1", max_size=80))
def test_any_text_is_scanned_to_an_end_without_an_error(text: str) -> None:
    lines = key_lines(text).of.values()
    assert all(1 <= line <= text.count("\n") + 1 for line in lines)


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = {path} if path and not isinstance(value, dict | list) else set()
    for key, below in inner:
        found |= _paths(below, (*path, key))
    return found


@given(st.text(alphabet="ab=[]{}.\"'#,\n 1", max_size=60))
def test_every_value_the_parser_finds_has_a_line(text: str) -> None:
    try:
        values = tomllib.loads(text)
    except ValueError:
        return
    assert _paths(values) <= set(key_lines(text).of)


_KEY = st.sampled_from(["a", "b", '"c d"', "'e'", "a.b", "f"])
_SIMPLE = st.sampled_from(["1", '"x"', "'y'", '"""z\n"""', "'''\n'''", "true", "1.5", "2026-05-14", "'#'", '"]"'])
_VALUE = st.recursive(
    _SIMPLE,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda parts: "[\n" + ", # c\n".join(parts) + "]"),
        st.lists(st.tuples(st.sampled_from("xyz"), inner), max_size=2, unique_by=lambda pair: pair[0]).map(
            lambda pairs: "{" + ", ".join(f"{key} = {value}" for key, value in pairs) + "}"
        ),
    ),
    max_leaves=6,
)
_STATEMENT = st.one_of(
    st.tuples(_KEY, _VALUE).map(" = ".join),
    _KEY.map(lambda key: f"[t{key.strip(chr(34) + chr(39))[0]}]"),
    st.just("[[rows]]"),
    st.just("# note"),
)


@given(st.lists(_STATEMENT, max_size=8).map("\n".join))
def test_every_value_of_a_written_file_has_a_line(text: str) -> None:
    try:
        values = tomllib.loads(text)
    except ValueError:
        return
    assert _paths(values) <= set(key_lines(text).of)
