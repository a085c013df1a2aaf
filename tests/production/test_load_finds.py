"""Which file is the production file, and what may stand under its name."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rollproof.models.errors import ProductionFileProblem
from rollproof.production.load import MAX_BYTES, find, load

TEXT = 'name = "The Bell Foundry"\n'


def as_bytes(path: Path) -> bytes:
    return os.fsencode(path)


def test_the_file_in_the_working_folder_goes_before_one_above(tmp_path: Path) -> None:
    below = tmp_path / "a" / "b"
    below.mkdir(parents=True)
    (tmp_path / "production.toml").write_text(TEXT)
    assert find(as_bytes(below), None) == as_bytes(tmp_path / "production.toml")
    (below / "production.toml").write_text(TEXT)
    assert find(as_bytes(below), None) == as_bytes(below / "production.toml")


def test_the_working_folder_may_be_named_by_a_dot(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "production.toml").write_text(TEXT)
    monkeypatch.chdir(tmp_path)
    assert find(b".", None) == as_bytes(tmp_path / "production.toml")


def test_without_a_file_anywhere_there_is_none(tmp_path: Path) -> None:
    assert find(as_bytes(tmp_path), None) is None


def test_a_working_folder_that_was_removed_holds_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    assert find(b".", None) is None


def test_a_named_file_goes_before_the_one_in_the_working_folder(tmp_path: Path) -> None:
    (tmp_path / "production.toml").write_text(TEXT)
    (tmp_path / "other.toml").write_text(TEXT)
    assert find(as_bytes(tmp_path), b"other.toml") == as_bytes(tmp_path / "other.toml")
    assert find(as_bytes(tmp_path), as_bytes(tmp_path / "other.toml")) == as_bytes(tmp_path / "other.toml")


@pytest.mark.parametrize("named", [b"nowhere.toml", b"/nowhere/x.toml", b"a\0b", b"\xff\x1b"])
def test_a_named_file_that_is_not_there_is_a_problem_even_where_another_is(tmp_path: Path, named: bytes) -> None:
    (tmp_path / "production.toml").write_text(TEXT)
    with pytest.raises(ProductionFileProblem, match="there is no production file"):
        find(as_bytes(tmp_path), named)


def test_a_folder_of_that_name_is_told_and_not_passed_over(tmp_path: Path) -> None:
    (tmp_path / "production.toml").mkdir()
    path = find(as_bytes(tmp_path), None)
    assert path is not None
    with pytest.raises(ProductionFileProblem, match="is a folder; a text file is right"):
        load(path)


def test_a_fifo_of_that_name_does_not_hold_the_command(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "production.toml")
    with pytest.raises(ProductionFileProblem, match="is no regular file"):
        load(as_bytes(tmp_path / "production.toml"))


def test_a_link_that_leads_nowhere_is_told(tmp_path: Path) -> None:
    (tmp_path / "production.toml").symlink_to("nowhere")
    path = find(as_bytes(tmp_path), None)
    assert path is not None
    with pytest.raises(ProductionFileProblem, match="cannot be read: No such file"):
        load(path)


def test_a_link_to_a_production_file_elsewhere_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.toml").write_text(TEXT)
    (tmp_path / "production.toml").symlink_to("real.toml")
    assert load(as_bytes(tmp_path / "production.toml")).name == "The Bell Foundry"


def test_a_file_that_is_too_large_is_refused_and_one_just_below_is_read(tmp_path: Path) -> None:
    path = tmp_path / "production.toml"
    filling = "# " + "x" * 97 + "\n"
    text = TEXT + filling * ((MAX_BYTES - len(TEXT)) // len(filling))
    path.write_text(text + "\n" * (MAX_BYTES - len(text)))
    assert path.stat().st_size == MAX_BYTES
    assert load(as_bytes(path)).name == "The Bell Foundry"
    with path.open("a") as file:
        file.write("\n")
    with pytest.raises(ProductionFileProblem, match="larger than 1 MiB"):
        load(as_bytes(path))


def test_a_file_that_never_ends_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "production.toml"
    with path.open("wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(ProductionFileProblem, match="larger than 1 MiB"):
        load(as_bytes(path))
