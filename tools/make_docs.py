"""Write the generated pages of `docs/`: `python tools/make_docs.py`, or `--check` to only say which are stale.

`cli-reference.md` comes from every command's own `--help`, `exit-statuses.md` from the error classes. Nobody edits
those two by hand; a test holds them against the code.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from rollproof.cli.app import commands
from rollproof.models import errors
from rollproof.models.errors import ExitStatus, RollproofError

DOCS = Path(__file__).resolve().parents[1] / "docs"
HELP_COLUMNS = 90


def _help(command: click.Command, context: click.Context) -> str:
    return f"```text\n{command.get_help(context).rstrip()}\n```\n"


def _context(command: click.Command, name: str, parent: click.Context | None = None) -> click.Context:
    names = ["--help"] if parent is None else parent.help_option_names
    if parent is None:
        names = list(command.context_settings.get("help_option_names", names))
    return click.Context(
        command,
        info_name=name,
        parent=parent,
        terminal_width=HELP_COLUMNS,
        max_content_width=HELP_COLUMNS,
        color=False,
        help_option_names=names,
    )


def _sections(command: click.Command, context: click.Context, title: str) -> Iterator[str]:
    yield f"## `{title}`\n"
    yield _help(command, context)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None, f"{name} is listed and not there"
            yield from _sections(below, _context(below, name, context), f"{title} {name}")


def cli_reference() -> str:
    """Every command with its own `--help`."""
    root = _context(commands, "rollproof")
    return "\n".join(
        [
            "# Every command\n",
            "Written from the program's own `--help` by `make docs`. What the exit statuses mean stands in "
            "[exit statuses](exit-statuses.md); the shape of `--json` in [records and answers](records.md).\n",
            *_sections(commands, root, "rollproof"),
        ]
    )


def _kinds_of_error(kind: type[RollproofError]) -> Iterator[type[RollproofError]]:
    for below in kind.__subclasses__():
        yield below
        yield from _kinds_of_error(below)


def exit_statuses() -> str:
    """The statuses with their meaning, and the errors that end a command early."""
    lines = [
        "# Exit statuses\n",
        "Written from the error classes by `make docs`. Scripts may rely on these; **anything that is not in the table "
        "means failure**.\n",
        "| status | meaning |",
        "|---|---|",
        *(f"| {status.value} | {status.meaning} |" for status in ExitStatus),
        "",
        "When several apply to an offload, 4 goes before 1: one drive that failed beside good ones is 4, and the good "
        "ones are named. All drives proven but fewer than the production asks for is 0, with `enough_copies` false in "
        "the `--json` answer. Findings about a clip's health never change an offload's status.\n",
        "## Errors that end a command\n",
        "`id` is stable and stands in the `error` object of a `--json` answer.\n",
        "| id | status | when |",
        "|---|---|---|",
    ]
    kinds = sorted(
        (kind for kind in _kinds_of_error(RollproofError) if kind.__module__ == errors.__name__),
        key=lambda kind: (kind.status, kind.id),
    )
    for kind in kinds:
        when = " ".join((kind.__doc__ or "").split("\n\n")[0].split())
        lines.append(f"| `{kind.id}` | {kind.status.value} | {when} |")
    return "\n".join(lines) + "\n"


PAGES: dict[str, Callable[[], str]] = {"cli-reference.md": cli_reference, "exit-statuses.md": exit_statuses}


def stale() -> list[str]:
    """The generated pages that are missing or not what the code says now."""
    old = {name: (DOCS / name).read_text(encoding="utf-8") if (DOCS / name).exists() else "" for name in PAGES}
    return [name for name, page in PAGES.items() if page() != old[name]]


def main(arguments: list[str]) -> int:
    """Write the pages, or with `--check` name the stale ones and end with 1."""
    wrong = stale()
    if "--check" in arguments:
        for name in wrong:
            print(f"docs/{name} is not what the code says; run: make docs", file=sys.stderr)
        return 1 if wrong else 0
    for name in wrong:
        (DOCS / name).write_text(PAGES[name](), encoding="utf-8")
        print(f"docs/{name}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
