"""A start costs little, help is there for everything, and the shell completes."""

from __future__ import annotations

import importlib
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from cli.running import run_line
from rollproof import __version__
from rollproof.cli import app
from rollproof.cli.app import COMMANDS, commands
from rollproof.cli.options import HASHES

HEAVY = {
    "pydantic", "pydantic_core", "rich", "sqlalchemy", "lxml", "psutil", "jinja2", "cryptography", "xxhash", "pathspec",
    "platformdirs", "asyncio", "multiprocessing", "ssl", "http", "tomllib", "sqlite3", "av",
}  # fmt: skip
OURS = {
    "rollproof", "rollproof.cli", "rollproof.cli.app", "rollproof.cli.boundary", "rollproof.cli.session",
}  # fmt: skip
FOR_A_COMMAND = {"rollproof.cli.commands", "rollproof.cli.options"}

LOOK = """
import json, sys
from rollproof.cli import main
sys.argv = ["rollproof", *{arguments!r}]
try:
    main()
finally:
    print(json.dumps(sorted(sys.modules)), file=sys.stderr)
"""


def imported(*arguments: str) -> set[str]:
    """The modules that a start of the program has imported when it ends."""
    ran = subprocess.run(
        [sys.executable, "-c", LOOK.format(arguments=arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ran.returncode == 0, ran.stderr
    return set(json.loads(ran.stderr))


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_help_and_version_import_nothing_heavy_and_of_ours_only_this_list(option: str) -> None:
    modules = imported(option)
    assert modules & HEAVY == set()
    assert {name for name in modules if name.split(".")[0] == "rollproof"} == OURS


@pytest.mark.parametrize("command", COMMANDS)
def test_the_help_of_a_command_imports_only_its_own_file_more(command: str) -> None:
    modules = imported(command, "--help")
    assert modules & HEAVY == set()
    ours = {name for name in modules if name.split(".")[0] == "rollproof"}
    assert ours == OURS | FOR_A_COMMAND | {"rollproof.cli.commands." + command.replace("-", "_")}


def test_asking_about_a_card_loads_neither_the_copying_nor_what_reads_pictures() -> None:
    code = (
        "import json, sys, rollproof.workflows.may_wipe;"
        " import rollproof.cli.screen.under_screen, rollproof.cli.views.wipe_summary;"
        " print(json.dumps(sorted(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    modules = set(json.loads(ran.stdout))
    assert (
        not {"rollproof.copying.engine", "rollproof.workflows.offload.roll", "rollproof.media.facts", "tomllib"}
        & modules
    )


def test_every_job_that_a_command_names_is_a_function_that_is_there() -> None:
    named = {
        place
        for file in Path(app.__file__).parent.joinpath("commands").glob("*.py")
        for place in re.findall(r'workflow\(\s*"([^"]+)"', file.read_text(encoding="utf-8"))
    }
    assert len(named) >= len(COMMANDS)
    for place in named:
        module, _, name = place.partition(":")
        assert callable(getattr(importlib.import_module(module), name)), place


def test_version_is_name_and_number(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_line("--version").status == 0
    assert capsys.readouterr().out == f"rollproof {__version__}\n"


def test_without_a_command_the_help_is_shown_and_the_status_says_wrong_usage(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run_line().status == 2
    assert "Commands:" in capsys.readouterr().out


def test_the_table_of_commands_and_the_files_are_the_same_list() -> None:
    folder = Path(str(sys.modules["rollproof.cli.app"].__file__)).parent / "commands"
    files = {path.stem.replace("_", "-") for path in folder.glob("*.py")} - {"--init--"}
    assert files == set(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_examples_that_it_would_understand(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_line(command, "--help").status == 0
    text = capsys.readouterr().out
    assert "Examples:" in text
    examples = [shlex.split(line) for line in text.splitlines() if line.startswith("    rollproof ")]
    assert examples
    for words in examples:
        found = commands.get_command(None, words[1])  # type: ignore[arg-type]
        assert found is not None
        found.make_context(words[1], words[2:])  # raises on an option that is not there


def test_the_list_of_commands_fits_on_a_screen(capsys: pytest.CaptureFixture[str], monkeypatch: Any) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    run_line("--help")
    assert len(capsys.readouterr().out.splitlines()) <= 23


@pytest.mark.parametrize("command", COMMANDS)
def test_what_a_command_is_for_and_its_daily_options_fit_on_a_screen(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: Any
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    run_line(command, "--help")
    before, examples, after = capsys.readouterr().out.partition("Examples:")
    assert len(before.splitlines()) <= 22
    assert examples
    if "Rarely needed:" in before + after:
        assert "Rarely needed:" in after
        assert "--json" in after.partition("Rarely needed:")[2]


def completed(line: str) -> list[str]:
    """What the shell is told for the last word of a line."""
    words = line.split(" ")
    environ = {
        **os.environ,
        "_ROLLPROOF_COMPLETE": "bash_complete",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(words) - 1),
    }
    code = "import sys; sys.argv = ['rollproof']; from rollproof.cli import main; main()"
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environ, check=False, timeout=60
    )
    assert ran.stderr == ""
    return ran.stdout.splitlines()


@pytest.mark.parametrize(
    ("line", "offers"),
    [
        ("rollproof off", ["plain,offload"]),
        ("rollproof offload /media/", ["dir,"]),
        ("rollproof offload /c --to /mnt/", ["dir,"]),
        ("rollproof offload /c --production be", ["file,"]),
        ("rollproof offload /c --hash xxh", ["plain,xxh128", "plain,xxh3", "plain,xxh64"]),
        ("rollproof offload /c --role data", ["plain,data wrangler"]),
        ("rollproof offload /c --single", ["plain,--single-read"]),
        ("rollproof verify --add-hash m", ["plain,md5"]),
    ],
)
def test_the_shell_completes_commands_options_paths_hashes_and_roles(line: str, offers: list[str]) -> None:
    found = completed(line)
    assert [each.split(",")[0] + "," + each.split(",", 1)[1] * (offer[-1] != ",") for each, offer in
            zip(found, offers, strict=True)] == offers  # fmt: skip


def test_the_hashes_offered_are_those_that_can_be_computed() -> None:
    from rollproof.hashing import algorithms  # noqa: PLC0415 - only this test needs them

    assert set(HASHES) == set(algorithms.ALGORITHMS)
