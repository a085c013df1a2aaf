"""The docs say what the code does: every link leads somewhere, every command and option named exists."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest
from tools import make_docs

from rollproof.cli.app import COMMANDS, commands
from rollproof.models.errors import ExitStatus

REPOSITORY = Path(__file__).resolve().parents[2]
PAGES = sorted([*REPOSITORY.glob("docs/*.md"), *REPOSITORY.glob("*.md"), REPOSITORY / "demo_media" / "README.md"])
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
_COMMAND_LINE = re.compile(r"\brollproof ([a-z][a-z-]+)\b")
_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]+\b")
# options of other programs that the docs mention
_FOREIGN_OPTIONS = {"--reload", "--check", "--version", "--help", "--editable"}


def every_command() -> dict[str, click.Command]:
    """All commands by name, loaded."""
    context = click.Context(commands)
    return {name: command for name in COMMANDS if (command := commands.get_command(context, name)) is not None}


def code_in(text: str) -> list[str]:
    """Everything set as code in a page: spans, fenced and indented blocks, each line by itself."""
    fenced = re.findall(r"^```.*?\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    rest = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    indented = re.findall(r"^ {4,}(\S.*)$", rest, re.MULTILINE)
    spans = re.findall(r"`([^`\n]+)`", rest)
    return [line for block in fenced for line in block.splitlines()] + indented + spans


def relative_links(page: Path) -> list[str]:
    """Where a page's links lead, those to other sites and within the page left out."""
    targets = _LINK.findall(page.read_text(encoding="utf-8"))
    return [target.partition("#")[0] for target in targets if "://" not in target and not target.startswith("#")]


def page_name(page: Path) -> str:
    """A page as it is named in test ids."""
    return str(page.relative_to(REPOSITORY))


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_every_relative_link_leads_to_a_file(page: Path) -> None:
    for target in relative_links(page):
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_every_command_that_a_page_types_exists(page: Path) -> None:
    for code in code_in(page.read_text(encoding="utf-8")):
        for name in _COMMAND_LINE.findall(code):
            assert name in COMMANDS, f"{name!r} in {code!r}"


@pytest.mark.parametrize("page", [page for page in PAGES if page.name != "DEVELOPERS.md"], ids=page_name)
def test_every_option_that_a_page_names_exists(page: Path) -> None:
    options = [option for command in every_command().values() for option in command.params]
    known = {name for option in options for name in (*option.opts, *option.secondary_opts)}
    for code in code_in(page.read_text(encoding="utf-8")):
        for option in _OPTION.findall(code):
            assert option in known | _FOREIGN_OPTIONS, f"{option} in {code!r}"


def test_the_command_reference_documents_every_command_and_every_option() -> None:
    reference = (REPOSITORY / "docs" / "cli-reference.md").read_text(encoding="utf-8")
    for name, command in every_command().items():
        section = reference.partition(f"## `rollproof {name}`\n")[2].partition("\n## ")[0]
        assert section, name
        for parameter in command.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                assert parameter.opts[0] in section, f"{name} {parameter.opts[0]}"


def test_every_exit_status_is_documented() -> None:
    page = (REPOSITORY / "docs" / "exit-statuses.md").read_text(encoding="utf-8")
    for status in ExitStatus:
        assert f"| {status.value} | {status.meaning} |" in page


def test_the_generated_pages_are_what_the_code_says_now() -> None:
    assert make_docs.stale() == [], "run: make docs"


def test_a_generated_page_that_was_edited_by_hand_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in make_docs.PAGES:
        (tmp_path / name).write_text(make_docs.PAGES[name](), encoding="utf-8")
    monkeypatch.setattr(make_docs, "DOCS", tmp_path)
    assert make_docs.main(["--check"]) == 0
    with (tmp_path / "exit-statuses.md").open("a", encoding="utf-8") as page:
        page.write("5 means fine\n")
    assert make_docs.main(["--check"]) == 1


def test_the_two_commands_of_the_readme_are_targets_of_the_makefile() -> None:
    readme = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    makefile = (REPOSITORY / "Makefile").read_text(encoding="utf-8")
    named = set(re.findall(r"\bmake ([a-z]+)\b", "\n".join(code_in(readme))))
    assert {"demo", "test"} <= named
    for target in named:
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target


def test_every_page_is_reached_from_the_readme() -> None:
    seen: set[Path] = set()
    waiting = [REPOSITORY / "README.md"]
    while waiting:
        page = waiting.pop().resolve()
        if page in seen or page.suffix != ".md":
            continue
        seen.add(page)
        waiting += [page.parent / target for target in relative_links(page)]
    assert {page_name(page.resolve()) for page in PAGES} <= {page_name(page) for page in seen}
