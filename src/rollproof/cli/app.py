"""The command group: knows every command by name, loads only the one that is called.

To add a command: a file in `commands/` with a `command` in it, and its line in `COMMANDS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module

import click

from rollproof import __version__

COMMANDS = {
    "inspect": "What is on a card or a copy? Is every clip whole?",
    "offload": "Copy cards to several drives, prove every copy, write it down.",
    "may-wipe": "May this card be wiped? MAY WIPE or KEEP, with reasons.",
    "verify": "Read copies again and compare them with their manifests.",
    "audit": "All rolls on all drives: is anything short or missing?",
    "handover": "A drive leaves: check it, write it down, print the receipt.",
    "receive": "A drive arrives: read it again, compare, print the receipt.",
    "custody": "Show who had what when, and who signed it; name known keys.",
    "checksums": "Write a checksum file that stock tools can check.",
    "packing-list": "List what is on drives, to be sent ahead of them.",
    "clips": "List clips for editorial, as CSV too.",
    "report": "Write the report of a day or of the production.",
    "rolls": "The rolls this station has seen, or one roll's story.",
    "looked-at": "Write down that a person has looked at the pictures.",
    "cards": "List the cards: which to keep, which are free.",
    "ledger": "Make the station's memory anew from drives.",
    "drives": "Show the attached drives: device, space, role.",
    "init": "Write a commented production file to fill in.",
}
"""Every command with its one line, in the order a production needs them. The module is the name with `_` for `-`."""


class Commands(click.Group):
    """A group that imports a command's file when the command is called, and never for `--help`."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All commands, in the order of `COMMANDS`."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, loaded now; None when there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module = import_module("rollproof.cli.commands." + cmd_name.replace("-", "_"))
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, but an unknown command is told the names there are."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            ctx.fail(f"There is no command {args[0]!r}. Commands: {', '.join(COMMANDS)}.")
        return super().resolve_command(ctx, args)

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands from the table alone, without options and headings: it is to fit on one screen."""
        self.format_usage(ctx, formatter)
        formatter.write(f"{self.help}\n\nCommands:\n")
        formatter.indent()
        formatter.write_dl(list(COMMANDS.items()))
        formatter.dedent()
        formatter.write(f"{self.epilog}\n")


_EXAMPLES = "rollproof COMMAND --help: each command with examples. rollproof --version"


@click.group(
    cls=Commands,
    epilog=_EXAMPLES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    no_args_is_help=False,
)
@click.version_option(__version__, prog_name="rollproof", message="%(prog)s %(version)s")
def commands() -> None:
    """Copy camera cards to several drives, and prove every copy."""


def invoke(arguments: Sequence[str], obj: object) -> int:
    """Parse and run; returns the command's exit status. click's own exceptions come through."""
    result = commands.main(list(arguments), prog_name="rollproof", standalone_mode=False, obj=obj)
    return result if isinstance(result, int) else 0
