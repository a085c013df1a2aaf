"""Every parser on damaged documents: our own error or values, never anything else, soon, in flat memory."""

from __future__ import annotations

import ast
import re
import sys
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import rollproof
from fuzz.mutations import by_lines, damaged, other_values
from fuzz.targets import NOT_PARSERS, ROOMS_OF_THEIR_OWN, TARGETS, Target
from support.counting import FAULTS

SOURCE = Path(rollproof.__file__).parent

_SOON_SECONDS = 5.0
"""For one document of up to 1 MB, on a machine that does other things too."""
_MORE_BYTES = 40 << 20
_EXAMPLES, _EXAMPLES_SLOW = 60, 20

NAMED = re.compile(r"_?(parse|parsed|read|load|from|unarmored|unescape|decode)(_|$)")
PRIMITIVES = frozenset(
    {
        "loads",
        "raw_decode",
        "validate_json",
        "XMLParser",
        "unpack",
        "unpack_from",
        "fromisoformat",
        "strptime",
        "b64decode",
        "load_ssh_private_key",
        "fromhex",
        "unhexlify",
    }
)
"""What takes text or bytes apart: whoever calls one is a parser."""


def parser_like(module: str, source: str) -> Iterator[str]:
    """The functions of a module that are named like parsers or call one of the primitives, as `module:name`."""

    def below(node: ast.AST, outer: tuple[str, ...]) -> Iterator[str]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                inner = (*outer, child.name)
                if isinstance(child, ast.FunctionDef) and (NAMED.match(child.name) or _calls_primitive(child)):
                    yield f"{module}:{'.'.join(inner)}"
                yield from below(child, inner)
            else:
                yield from below(child, outer)

    return below(ast.parse(source), ())


def _calls_primitive(function: ast.FunctionDef) -> bool:
    called = (node.func for node in ast.walk(function) if isinstance(node, ast.Call))
    return any(isinstance(each, ast.Attribute) and each.attr in PRIMITIVES for each in called)


def _in_the_source() -> set[str]:
    found: set[str] = set()
    for path in SOURCE.rglob("*.py"):
        module = path.relative_to(SOURCE).as_posix()
        if not module.startswith(ROOMS_OF_THEIR_OWN):
            found |= set(parser_like(module, path.read_text(encoding="utf-8")))
    return found


def test_the_table_is_complete() -> None:
    covered = {name for target in TARGETS for name in target.covers}
    there = _in_the_source()
    missing = there - covered - NOT_PARSERS.keys()
    assert not missing, f"no target answers for these parsers; add them to fuzz/targets.py: {sorted(missing)}"
    stale = NOT_PARSERS.keys() - there
    assert not stale, f"these are not in the source any more: {sorted(stale)}"


def test_a_new_parser_that_nobody_put_into_the_table_is_found() -> None:
    source = (
        "class New:\n    def taken_apart(self, data):\n        return json.loads(data)\n\ndef parse_new(data): ...\n"
    )
    assert set(parser_like("card/new.py", source)) == {"card/new.py:New.taken_apart", "card/new.py:parse_new"}


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_a_target_takes_its_valid_documents_and_really_reaches_what_it_answers_for(target: Target) -> None:
    """`covers` is no claim: the functions are seen running."""
    reached: set[str] = set()

    def note(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(str(SOURCE)):
            module = Path(frame.f_code.co_filename).relative_to(SOURCE).as_posix()
            reached.add(f"{module}:{frame.f_code.co_qualname}")

    taken = 0
    sys.setprofile(note)
    try:
        for document in target.valid():
            try:
                target.feed(document)
                taken += 1
            except target.allowed:
                pass
    finally:
        sys.setprofile(None)
    assert taken, "none of its documents is valid"
    assert set(target.covers) <= reached


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_whatever_is_damaged_the_parser_ends_with_values_or_with_our_own_error(target: Target) -> None:
    valid = list(target.valid())

    @settings(
        max_examples=_EXAMPLES_SLOW if target.slow else _EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.one_of(damaged(valid), other_values(valid), by_lines(valid)))
    def attack(data: bytes) -> None:
        began = time.monotonic()
        try:
            target.feed(data)
        except target.allowed:
            pass
        FAULTS.add("damaged document fed to a parser")
        assert time.monotonic() - began < _SOON_SECONDS

    attack()


LONG: dict[str, bytes] = {
    "a great many opening brackets": b"[" * 120_000,
    "a great many objects deep": b'{"a":' * 25_000,
    "a great many line ends": b"\n" * 60_000,
    "a great many numbers": b"1\n" * 30_000,
    "a great many elements deep": b"<a>" * 40_000,
    "a great many digits": b"9" * 60_000,
    "a great many quotes": b'"' * 60_000,
    "a great many backslashes": b"\\" * 60_000,
    "a great many equals signs": b"a=" * 30_000,
    "a great many stars": b"*" * 60_000,
    "many times NUL": bytes(60_000),
    "a great many times the highest byte": b"\xff" * 60_000,
}


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_a_great_deal_of_one_thing_costs_neither_time_nor_memory(target: Target) -> None:
    head = target.valid()[0][:64]
    for what, data in LONG.items():
        for document in (data,) if target.slow else (data, head + data):
            tracemalloc.start()
            began = time.process_time()  # (what other tests take of the processors is no fault of the parser)
            try:
                target.feed(document)
            except target.allowed:
                pass
            seconds = time.process_time() - began
            _, peak = tracemalloc.get_traced_memory()
            tracemalloc.stop()
            FAULTS.add("oversized document fed to a parser")
            assert seconds < _SOON_SECONDS * 2, f"{what}: {seconds:.1f} s"
            assert peak < _MORE_BYTES, f"{what}: {peak >> 20} MB"
