"""What a production file can have wrong, and that its message names the line, the key, the value and what is right."""

from __future__ import annotations

import time
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.errors import ExitStatus, ProductionFileProblem
from rollproof.models.names import inert
from rollproof.production.load import MAX_LINE, parse
from rollproof.production.model import Production

NAME = 'name = "The Bell Foundry"\n'
DRIVE = '[[drives]]\nrole = "primary"\npath = "/media/PRIMARY"\n'


@dataclass(frozen=True)
class Case:
    """A file, and what its message must hold."""

    text: str
    says: tuple[str, ...]


WRONG = {
    "no name": Case("copies_required = 2\n", ("name is missing", 'name = "The Bell Foundry"')),
    "number in quotes": Case(NAME + 'copies_required = "2"\n', ("line 2, copies_required = ", '"2"', "whole number")),
    "truth for a number": Case(NAME + "copies_required = true\n", ("line 2, copies_required = true", "whole number")),
    "no copies": Case(NAME + "copies_required = 0\n", ("line 2, copies_required = 0", "1 or more")),
    "truth in quotes": Case(NAME + 'distinct_devices = "yes"\n', ('line 2, distinct_devices = "yes"', "true or false")),
    "half hours": Case(NAME + "absent_copy_hours = 2.5\n", ("line 2, absent_copy_hours = 2.5", "whole number")),
    "negative hours": Case(NAME + "absent_copy_hours = -1\n", ("line 2, absent_copy_hours = -1", "0 or more")),
    "huge number": Case(NAME + f"copies_required = {'9' * 200}\n", ("line 2, copies_required", "99 or less")),
    "number beyond numbers": Case(NAME + f"copies_required = 1{'_0' * 450}\n", ("line 2", "99 or less")),
    "empty name": Case('name = ""\n', ('line 1, name = ""', "is empty")),
    "name with a space behind": Case('name = "Bells "\n', ('line 1, name = "Bells "', "begins or ends with a space")),
    "name that is no folder": Case(
        'name = "Who Rings?"\n', ('line 1, name = "Who Rings?"', "holds ?", 'folder = "Who Rings/{day}/{roll}"')
    ),
    "key misspelt": Case(
        NAME + "\ncopies_requird = 3\n", ("line 3, copies_requird = 3", "did you mean copies_required?")
    ),
    "key of another word": Case(NAME + 'algorithms = ["md5"]\n', ("line 2, algorithms", "did you mean hashes?")),
    "key with a dash": Case(NAME + 'first-day = "x"\n', ("line 2, first-day", "did you mean first_day?")),
    "key nobody knows": Case(NAME + "zzz = 1\n", ("line 2, zzz = 1", "there are", "absent_copy_hours")),
    "key below a table": Case(
        NAME + DRIVE + 'hashes = ["md5"]\n', ("line 5, hashes of drives no. 1", "belongs further up")
    ),
    "key twice": Case(NAME + "# \n" + NAME, ("line 3, name", "stands twice, first in line 1")),
    "table twice": Case("[a]\n[b]\n[a]\n", ("line 3, a", "stands twice, first in line 1")),
    "table over a value": Case('drives = []\n[[drives]]\nrole = "x"\n', ("line 2", "twice")),
    "text without quotes": Case("name = The Bell Foundry\n", ("line 1, name = The Bell Foundry", "text in quotes")),
    "quote left open": Case(NAME + 'folder = "{roll}\n', ('line 2, folder = "{roll}', "is not TOML")),
    "bracket left open": Case(NAME + 'hashes = ["md5",\n', ("line 2", "is not TOML")),
    "value missing": Case(NAME + "folder =\n", ("line 2, folder =", "is not TOML")),
    "two in a line": Case('name = "a" folder = "b"\n', ("line 1", "one key = value in each line")),
    "windows path in double quotes": Case(
        NAME + '[[drives]]\nrole = "a"\npath = "D:\\footage"\n', ("line 4, path of drives no. 1", "single quotes")
    ),
    "one drive as a table": Case(NAME + '[drives]\nrole = "a"\n', ("line 2, drives", "[[drives]]")),
    "drive nowhere": Case(NAME + '[[drives]]\nrole = "a"\n', ("line 2, drives no. 1", "neither path nor volume")),
    "drive without role": Case(NAME + '\n[[drives]]\npath = "/x"\n', ("line 3, role of drives no. 1 is missing",)),
    "drive by half a path": Case(
        NAME + '[[drives]]\nrole = "a"\npath = "media"\n', ('line 4, path of drives no. 1 = "media"', "whole path")
    ),
    "drive that leaves its volume": Case(
        NAME + '[[drives]]\nrole = "a"\nvolume = "1"\npath = "../b"\n',
        ('line 5, path of drives no. 1 = "../b"', "lead off"),
    ),
    "one role twice": Case(
        NAME + DRIVE + '[[drives]]\nrole = "Primary"\npath = "/y"\n',
        ('line 6, role of drives no. 2 = "Primary"', "no. 1"),
    ),
    "one drive twice": Case(
        NAME + DRIVE + '[[drives]]\nrole = "b"\npath = "/media/PRIMARY"\n', ("line 5, drives no. 2", "the same one")
    ),
    "drives in one line": Case(
        NAME + 'drives = [\n  {role = "a", path = "/x"},\n  {role = 5, path = "/y"},\n]\n',
        ("line 4, role of drives no. 2 = 5", "text in quotes"),
    ),
    "cache as evidence": Case(
        NAME + 'accepted_evidence = ["cache"]\n', ('line 2, accepted_evidence no. 1 = "cache"', "medium")
    ),
    "unknown evidence": Case(
        NAME + 'accepted_evidence = ["disk"]\n', ('line 2, accepted_evidence no. 1 = "disk"', "server")
    ),
    "no evidence": Case(NAME + "accepted_evidence = []\n", ("line 2, accepted_evidence", "is empty")),
    "unknown hash": Case(NAME + 'hashes = [\n"md5",\n"md4",\n]\n', ('line 4, hashes no. 2 = "md4"', "xxh128")),
    "hash twice": Case(NAME + 'hashes = ["md5", "md5"]\n', ('line 2, hashes no. 2 = "md5"', "twice")),
    "no hash": Case(NAME + "hashes = []\n", ("line 2, hashes", "is empty")),
    "hash as text": Case(NAME + 'hashes = "md5"\n', ('line 2, hashes = "md5"', "list in square brackets")),
    "no time of day": Case(NAME + 'day_turns_at = "25:00"\n', ('line 2, day_turns_at = "25:00"', '"06:00"')),
    "seconds": Case(NAME + "day_turns_at = 06:00:30\n", ("line 2, day_turns_at = 06:00:30", "hours and minutes")),
    "hour as number": Case(NAME + "day_turns_at = 6\n", ("line 2, day_turns_at = 6", "time of day in quotes")),
    "no date": Case(NAME + 'first_day = "14.5.2026"\n', ('line 2, first_day = "14.5.2026"', "2026-05-14")),
    "date with time": Case(NAME + "first_day = 2026-05-14T06:00:00\n", ("line 2, first_day", "date alone")),
    "empty pattern": Case(NAME + 'ignore = ["*.tmp", " "]\n', ('line 2, ignore no. 2 = " "', "is empty")),
    "pattern over two lines": Case(NAME + 'ignore = ["a\\nb"]\n', ('line 2, ignore no. 1 = "a\\nb"', "line break")),
    "pattern of stars": Case(NAME + 'ignore = ["*a*b*c"]\n', ("line 2, ignore no. 1", "more than 2 stars")),
    "pattern that is none": Case(NAME + 'ignore = ["!"]\n', ('line 2, ignore no. 1 = "!"', "gitignore")),
    "pattern that matches nothing": Case(NAME + 'ignore = ["/"]\n', ('line 2, ignore no. 1 = "/"', "matches nothing")),
    "person as text": Case(NAME + 'people = ["loader"]\n', ('line 2, people no. 1 = "loader"', "a table")),
    "person without role": Case(NAME + '[[people]]\nname = ""\n', ("line 2, role of people no. 1 is missing",)),
    "deep nesting": Case("a = " + "[" * 990 + "\n", ("nested too deeply",)),
    "endless line": Case("a" + ".a" * MAX_LINE + " = 1\n", ("line 1", f"longer than {MAX_LINE} characters")),
}


def said(text: str | bytes) -> str:
    with pytest.raises(ProductionFileProblem) as caught:
        parse(text.encode() if isinstance(text, str) else text, b"/work shop/production.toml")
    assert caught.value.status is ExitStatus.USAGE
    assert caught.value.hint
    return caught.value.message


@pytest.mark.parametrize("name", WRONG)
def test_a_message_names_the_file_the_line_the_key_the_value_and_what_is_right(name: str) -> None:
    case = WRONG[name]
    message = said(case.text)
    assert message.startswith("the production file /work shop/production.toml: ")
    for part in case.says:
        assert part in message


TEMPLATES = {
    "{production}/{day}": "must hold {roll}",
    "/{roll}": "must not begin with /",
    "{day}\\{roll}": "must have / between folders",
    "{rol}/{roll}": "did you mean {roll}?",
    "{}/{roll}": "means nothing here",
    "{{roll}}": "brace",
    "{roll": "brace",
    "../{roll}": "would lead to another folder",
    "a/./{roll}": "would lead to another folder",
    "a//{roll}": "is empty",
    "{roll}/": "is empty",
    "CON/{roll}": "Windows",
    "com1.x/{roll}": "Windows",
    "{roll}.": "ends with a dot",
    " {roll}": "begins or ends with a space",
    "a:b/{roll}": "holds :",
    "a\\u200bb/{roll}": "invisible",
    "{roll}/rollproof": "Rollproof keeps",
    "{roll}/ASCMHL": "Rollproof keeps",
    "{roll}.rollproof-partial": "Rollproof keeps",
    "{roll}" + "x" * 200: "longer than 200 bytes",
    "a/" * 20 + "{roll}": "more than 16",
}


@pytest.mark.parametrize("template", TEMPLATES)
def test_a_folder_template_that_some_drive_could_not_hold_is_refused_when_the_file_is_read(template: str) -> None:
    text = template if "\\u" in template else template.replace("\\", "\\\\")
    message = said(f'{NAME}folder = "{text}"\n')
    assert "line 2, folder = " in message
    assert TEMPLATES[template] in message


def test_all_problems_of_a_file_stand_in_one_message_in_the_order_of_the_file() -> None:
    message = said('copies_required = 0\nhashes = ["md4"]\nfolder = "x"\n[[drives]]\nrol = "a"\n')
    assert "has 6 problems: (1) name is missing" in message
    places = [message.index(f"line {number}, ") for number in (1, 2, 3, 4, 5)]
    assert places == sorted(places)


def test_a_list_whose_members_are_wrong_is_not_called_empty_as_well() -> None:
    assert "empty" not in said(NAME + 'hashes = ["md4"]\n')


def test_thousands_of_problems_are_counted_and_not_all_told() -> None:
    message = said(NAME + "".join(f"wrong{number} = 1\n" for number in range(2000)))
    assert "has 2,000 problems" in message
    assert "and 1,950 more" in message
    assert len(message) < 20_000


def test_bytes_that_are_not_utf8_are_told_with_their_line() -> None:
    message = said(b'# one\nname = "Glockengie\xdferei"\n')
    assert "line 2, holds the byte 0xdf; save it as UTF-8" in message


def test_utf16_is_told_by_name() -> None:
    assert "is UTF-16 text" in said(NAME.encode("utf-16"))


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm() -> None:
    assert parse(b"\xef\xbb\xbf" + NAME.replace("\n", "\r\n").encode()).name == "The Bell Foundry"
    assert "line 2, zzz" in said(b"\xef\xbb\xbf" + (NAME + "zzz = 1\n").replace("\n", "\r\n").encode())


def test_control_codes_in_a_file_do_not_reach_the_message() -> None:
    message = said(NAME + '"\\u001b[2J\\u202e" = "\\u001b]0;x\\u0007\\n"\nhashes = ["\\u001b"]\n')
    assert message == inert(message)


def test_many_lines_of_the_worst_kind_take_no_more_than_moments() -> None:
    worst = ".a" * (MAX_LINE // 2 - 5)
    text = "".join(f"b{number}{worst} = 1\n" for number in range(100))
    started = time.process_time()
    assert "there is no such key" in said(text)
    # as one single line the same text takes minutes: only the limit on lines holds it
    assert time.process_time() - started < 10


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_give_a_production_or_a_message_and_nothing_else(data: bytes) -> None:
    try:
        assert isinstance(parse(data), Production)
    except ProductionFileProblem as problem:
        assert problem.message == inert(problem.message)


_KEYS = st.sampled_from([*Production.model_fields, "role", "path", "volume", "zz", '"a b"', "drives.role"])
_VALUES = st.sampled_from(
    ["1", "-1", "true", '"a"', '""', "'/x'", "[]", "[1]", '["md5"]', "{}", '{role = "a"}', "06:00:00", "2026-05-14",
     "2026-05-14T06:00:00Z", "inf", "nan", '"""\n\n"""', "[[1], {a = [2]}]", '[{role = "a", path = "/x"}]', "", "]"]
)  # fmt: skip
_LINES = st.one_of(
    st.sampled_from(["[[drives]]", "[drives]", "[[people]]", "# note", "", "[a.b]", "[[a.b]]", "["]),
    st.tuples(_KEYS, _VALUES).map(" = ".join),
)


@given(st.lists(_LINES, max_size=12).map("\n".join))
def test_any_mixture_of_toml_gives_a_production_or_a_message_with_a_line_of_the_file(text: str) -> None:
    try:
        parse(text.encode())
    except ProductionFileProblem as problem:
        lines = [int(part.split(",")[0]) for part in problem.message.split("line ")[1:] if part.split(",")[0].isdigit()]
        assert all(1 <= line <= text.count("\n") + 1 for line in lines)
        assert lines or "missing" in problem.message
