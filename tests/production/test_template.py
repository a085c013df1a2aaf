"""The file that `init` writes: it loads, it explains every key, it never takes the place of another."""

from __future__ import annotations

import os
import re
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rollproof.hashing import ALGORITHMS
from rollproof.models.errors import CouldNotFinish, Refused, UsageProblem
from rollproof.models.findings import Severity
from rollproof.production.load import find, load, parse
from rollproof.production.model import Production, ProductionDrive, ProductionPerson
from rollproof.production.placeholders import PLACEHOLDERS
from rollproof.production.template import template
from rollproof.workflows.init import init_production


def test_the_template_loads_and_says_what_holds_without_it() -> None:
    loaded = parse(template().encode())
    assert loaded.name == "The Bell Foundry"
    assert [drive.role for drive in loaded.drives] == ["primary", "backup"]
    plain = Production(name="The Bell Foundry")
    told = {"name", "drives", "people"}
    assert loaded.model_dump(exclude=told) == plain.model_dump(exclude=told)


@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_the_template_is_toml_on_every_system(system: str) -> None:
    assert len(tomllib.loads(template(system=system))["drives"]) == 2


def test_the_template_names_no_person() -> None:
    assert all(person.name == "" and person.role for person in parse(template().encode()).people)


def test_every_key_stands_in_the_template() -> None:
    text = template()
    head, drives = text.split("\n[[drives]]", 1)
    drives, people = drives.split("\n[[people]]", 1)
    for key in Production.model_fields:
        where = head if key not in {"drives", "people"} else text
        pattern = rf"^(?:# )?{key} = " if where is head else rf"^\[\[{key}\]\]"
        assert re.search(pattern, where, re.MULTILINE), key
    for model, part in ((ProductionDrive, drives), (ProductionPerson, people)):
        for key in model.model_fields:
            assert re.search(rf"^(?:# )?{key} = ", part, re.MULTILINE), key


def test_every_placeholder_and_every_algorithm_stands_in_the_template() -> None:
    for word in (*(f"{{{name}}}" for name in PLACEHOLDERS), *ALGORITHMS):
        assert word in template()


def test_every_key_that_is_a_comment_loads_when_its_mark_is_taken_away() -> None:
    text = re.sub(r"^# (?=(?:[a-z_]+ = |\[\[))", "", template(), flags=re.MULTILINE)
    # the example of ignore patterns replaces the empty list
    loaded = parse(text.replace("ignore = []\n", "").encode())
    assert loaded.first_day is not None
    assert loaded.ignore == ("/PREVIEWS/", "*.tmp")
    assert [drive.role for drive in loaded.drives] == ["primary", "backup", "shuttle", "laptop"]
    assert [drive.role for drive in loaded.drives if not drive.volume] == ["laptop"]
    assert [drive.role for drive in loaded.drives if drive.system_disk] == ["laptop"]


def test_every_field_has_words_and_an_example_for_messages() -> None:
    for model in (Production, ProductionDrive, ProductionPerson):
        for name, field in model.model_fields.items():
            assert field.description, name
            assert field.examples, name


def test_a_title_that_is_no_folder_is_kept_and_gets_a_folder_of_its_own() -> None:
    loaded = parse(template('Who Rings? A "Story"').encode())
    assert loaded.name == 'Who Rings? A "Story"'
    assert loaded.folder == "Who Rings A Story/{day}/{roll}"


@example("{roll}: a story")
@given(
    st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), min_size=1, max_size=60).filter(
        lambda t: t == t.strip()
    )
)
def test_any_title_comes_back_out_of_the_template_as_it_went_in(name: str) -> None:
    assert parse(template(name).encode()).name == name


def test_init_writes_a_file_that_is_found_and_loads(tmp_path: Path) -> None:
    folder = os.fsencode(tmp_path)
    path = init_production(folder, "The Bell Foundry")
    assert path == os.fsencode(tmp_path / "production.toml")
    assert find(folder, None) == path
    assert load(path).name == "The Bell Foundry"
    assert os.listdir(tmp_path) == ["production.toml"]


def test_init_without_a_name_takes_the_folders(tmp_path: Path) -> None:
    (tmp_path / "Bells 2").mkdir()
    assert load(init_production(os.fsencode(tmp_path / "Bells 2"), None)).name == "Bells 2"


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no such names")
def test_init_in_a_folder_whose_name_is_no_text_takes_the_example(tmp_path: Path) -> None:
    folder = os.fsencode(tmp_path) + b"/\xff\xfe"
    os.mkdir(folder)
    assert load(init_production(folder, None)).name == "The Bell Foundry"


@pytest.mark.parametrize("there", ["file", "folder", "link"])
def test_init_never_takes_the_place_of_what_is_there(tmp_path: Path, there: str) -> None:
    path = tmp_path / "production.toml"
    if there == "file":
        path.write_text("mine")
    elif there == "folder":
        path.mkdir()
    else:
        path.symlink_to("nowhere")
    before = os.lstat(path)
    with pytest.raises(Refused) as caught:
        init_production(os.fsencode(tmp_path), "The Bell Foundry")
    (finding,) = caught.value.findings
    assert finding.severity is Severity.ERROR
    assert "production.toml" in finding.detail
    after = os.lstat(path)
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    assert os.listdir(tmp_path) == ["production.toml"]


@pytest.mark.parametrize("name", ["", " ", "a\nb", "\x1b[2J", "\udcff", "x" * 501])
def test_init_writes_nothing_for_a_name_that_is_none(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageProblem, match="cannot be called"):
        init_production(os.fsencode(tmp_path), name)
    assert os.listdir(tmp_path) == []


def test_init_in_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageProblem, match="there is no folder"):
        init_production(os.fsencode(tmp_path / "gone"), "The Bell Foundry")


def test_init_where_nothing_can_be_written_is_told() -> None:
    with pytest.raises(CouldNotFinish, match="could not be written"):
        init_production(b"/proc", "The Bell Foundry")
