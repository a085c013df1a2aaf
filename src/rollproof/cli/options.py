"""Options that several commands share, and the kinds of values they take. Light: imported for `--help` too."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.shell_completion import CompletionItem

from rollproof.cli.session import Session

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

if TYPE_CHECKING:
    _Bytes = click.ParamType[bytes]
    _Text = click.ParamType[str]
else:  # older releases of click have no such subscript
    _Bytes = _Text = click.ParamType

HASHES = ("xxh128", "xxh3", "xxh64", "md5", "sha1", "sha256", "c4", "blake3")
"""The algorithms by name; a test holds this against `rollproof.hashing`, which is too heavy to import for `--help`."""

STOCK_HASHES = ("xxh128", "xxh3", "xxh64", "md5", "sha1", "sha256", "blake3")
"""Those that a stock tool checks; a test holds this against `rollproof.hashing.checksum_lines`."""

_PERSON_ROLES = (
    "data wrangler",
    "digital imaging technician",
    "camera assistant",
    "sound recordist",
    "assistant editor",
    "editor",
    "post-production supervisor",
    "producer",
)


class Folder(_Bytes):
    """A path as bytes, exactly as typed. Never looked at here: a mount that hangs must not hang the parser."""

    name = "folder"

    def __init__(self, *, files_too: bool = False) -> None:
        self._kind = "file" if files_too else "dir"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> bytes:
        """Text or bytes to the bytes the system knows; an empty path is a usage error."""
        path = os.fsencode(value)
        if not path or b"\0" in path:
            self.fail("an empty path names no folder", param, ctx)
        return path

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Leave it to the shell, which knows its paths."""
        return [CompletionItem(incomplete, type=self._kind)]


class PersonRole(_Text):
    """Any word; the usual ones are offered for completion."""

    name = "role"

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Roles that begin with what was typed."""
        return [CompletionItem(role) for role in _PERSON_ROLES if role.startswith(incomplete.lower())]


def _note_json(ctx: click.Context, _param: click.Parameter, value: bool) -> bool:
    session = ctx.find_object(Session)
    if value and session is not None:
        session.wants_json = True  # noted before anything else can go wrong
    return value


def json_option(function: Decorated) -> Decorated:
    """`--json`."""
    return click.option(
        "--json",
        "as_json",
        is_flag=True,
        is_eager=True,
        callback=_note_json,
        help="Print exactly one JSON object on stdout; everything else goes to stderr.",
    )(function)


def production_option(function: Decorated) -> Decorated:
    """`--production`."""
    return click.option(
        "--production",
        "production_file",
        type=Folder(files_too=True),
        metavar="FILE",
        envvar="ROLLPROOF_PRODUCTION",
        show_envvar=True,
        help="The production file; else production.toml here or above.",
    )(function)


def all_option(function: Decorated) -> Decorated:
    """`--all`."""
    return click.option("--all", "everything", is_flag=True, help="Show paths, records and every name as well.")(
        function
    )


def quiet_option(function: Decorated) -> Decorated:
    """`--quiet`."""
    return click.option("--quiet", is_flag=True, help="Say nothing while working; at the end errors and the verdict.")(
        function
    )


def name_of(session: Session, by: str, what: str) -> str:
    """The name given, else the one that a person at a terminal types; empty where nobody can be asked, or says none."""
    asked = sys.stdin is not None and sys.stdin.isatty() and sys.stderr is not None and sys.stderr.isatty()
    if by or session.wants_json or session.stderr is not None or not asked:
        return by
    sys.stderr.write(f"Your name, for the {what} (Enter for none; --by or ROLLPROOF_BY gives it): ")
    sys.stderr.flush()
    try:
        return input().strip()
    except EOFError:
        return ""


def person_options(function: Decorated) -> Decorated:
    """`--by` and `--role`."""
    function = click.option(
        "--role",
        type=PersonRole(),
        metavar="ROLE",
        default="",
        envvar="ROLLPROOF_ROLE",
        show_envvar=True,
        help="That person's role, for the records.",
    )(function)
    return click.option(
        "--by",
        metavar="NAME",
        default="",
        envvar="ROLLPROOF_BY",
        show_envvar=True,
        help="Who is doing this, for the records.",
    )(function)
