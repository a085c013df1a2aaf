"""Numbers as a person reads them."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import rollproof
from rollproof.cli.views import words
from rollproof.models.counting import count_are, count_of, count_were


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.0 kB"),
        (999_949, "999.9 kB"),
        (999_950, "1.0 MB"),
        (194_600_000_000, "194.6 GB"),
        (10**16, "10.0 PB"),
        (10**20, "100000.0 PB"),
    ],
)
def test_sizes_are_decimal_with_one_digit_and_never_show_1000_of_a_unit(count: int, text: str) -> None:
    assert words.size(count) == text


@pytest.mark.parametrize(
    ("rate", "text"),
    [(None, ""), (0.0, "0 kB/s"), (500_000.0, "500 kB/s"), (412e6, "412 MB/s"), (1.2e9, "1.2 GB/s"), (15e9, "15 GB/s")],
)
def test_speeds_fit_eight_columns(rate: float | None, text: str) -> None:
    assert words.speed(rate) == text
    assert len(text) <= 8


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (None, "estimating"),
        (0.0, "a few seconds"),
        (12.0, "about 15 s"),
        (54.9, "about 55 s"),
        (55.0, "about 1 min"),
        (61.0, "about 2 min"),
        (3540.0, "about 59 min"),
        (3541.0, "about 1 h 00 min"),
        (4201.0, "about 1 h 15 min"),
    ],
)
def test_an_estimate_is_rounded_up_and_only_as_fine_as_it_deserves(seconds: float | None, text: str) -> None:
    assert words.about(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.44, "0.4 s"), (59.4, "59 s"), (59.6, "1 min 00 s"), (725, "12 min 05 s"), (4200, "1 h 10 min")],
)
def test_a_time_that_was_taken_is_told_exactly(seconds: float, text: str) -> None:
    assert words.took(seconds) == text


@pytest.mark.parametrize(
    ("fraction", "text"), [(None, ""), (0.999, "99 %"), (1.0, "100 %"), (1.7, "100 %"), (-1, "0 %")]
)
def test_a_hundred_per_cent_means_all_of_it(fraction: float | None, text: str) -> None:
    assert words.percent(fraction) == text


def test_counts_and_lists_read_as_english() -> None:
    assert words.counted(1, "file") == "1 file"
    assert words.counted(12345, "copy", "copies") == "12 345 copies"
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"


def test_a_number_its_noun_and_its_verb_go_together() -> None:
    assert [count_of(0, "file"), count_of(1, "file"), count_of(1412, "file")] == ["0 files", "1 file", "1,412 files"]
    assert [count_of(1, "copy", "copies"), count_of(2, "copy", "copies")] == ["1 copy", "2 copies"]
    assert [count_are(1, "file"), count_are(2, "file")] == ["1 file is", "2 files are"]
    assert [count_were(1, "file"), count_were(2, "file")] == ["1 file was", "2 files were"]


_PLURALS = re.compile(r"^ (?:\w+ )?(files|rolls|copies|clips|drives|lines|folders|cards|manifests)\b")
_MANY_OR_A_VERB = {
    ("card/across.py", "len(same)"),  # two at least
    ("cli/runs/ledger_run.py", "words.counted(taken, 'copy', 'copies')"),
    ("hashing/checksum_lines.py", "LINES_LIMIT"),
    ("production/placeholders.py", "_MAX_PARTS"),
    ("records/read.py", "count"),  # beside the other number, in a record that is broken
    ("reports/pdf.py", "roll.copies_required"),  # of a roll that has too few
    ("tree/snapshot.py", "self.max_entries"),
    ("workflows/audit/agreement.py", "len(namesakes)"),  # two at least
    ("workflows/audit/job.py", "len(chosen) + reader.read.before"),
    ("workflows/looked_at.py", "len(found)"),  # two at least
    ("workflows/may_wipe/count.py", "counted"),  # 1 has a sentence of its own
    ("workflows/offload/job.py", "len(tree.rolls)"),  # two at least
}


def _numbers_before_plurals() -> set[tuple[str, str]]:
    """(file, what is filled in) wherever a plural follows something filled in, and no `== 1` decides about it."""
    found = set()
    source = Path(rollproof.__file__).parent
    for file in source.rglob("*.py"):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        decided = {
            id(part)
            for node in ast.walk(tree)
            if isinstance(node, ast.IfExp) and re.search("[!=]= 1", ast.unparse(node.test))
            for part in ast.walk(node)
        }
        for node in ast.walk(tree):
            if not isinstance(node, ast.JoinedStr) or id(node) in decided:
                continue
            for filled, then in zip(node.values, node.values[1:], strict=False):
                text = str(then.value) if isinstance(then, ast.Constant) else ""
                if isinstance(filled, ast.FormattedValue) and _PLURALS.match(text):
                    found.add((file.relative_to(source).as_posix(), ast.unparse(filled.value)))
    return found


def test_nobody_reads_1_files() -> None:
    """A number before a plural goes through `count_of`, or is listed above with the reason why it is never 1."""
    assert _numbers_before_plurals() - _MANY_OR_A_VERB == set()
