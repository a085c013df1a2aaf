"""`rollproof audit`: every roll on every drive, and what is missing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rollproof.cli.options import Folder, json_option, person_options, quiet_option
from rollproof.cli.session import Job, Session

if TYPE_CHECKING:
    from datetime import datetime


def _moment(_ctx: click.Context, _param: click.Parameter, value: datetime | None) -> datetime | None:
    return None if value is None else value.astimezone()


@click.command(
    "audit",
    cls=Job,
    empty_answer={"verdict": "not complete", "rolls": [], "findings": []},
    what_is_safe="No file of a copy was changed. What was read again by now has its records.",
    epilog="""\b
Examples:
  rollproof audit /mnt/primary /mnt/backup /mnt/shuttle
      every roll on three drives, by records and listings: seconds
  rollproof audit /mnt/primary /mnt/backup --reread --out wrap.html
      read every copy again, and keep the answer as a page
  rollproof audit /mnt/primary /mnt/backup --against production.toml
      ask for what the production file asks for, whatever the records say
  rollproof audit /mnt/primary /mnt/backup --accept A007 --reason "number skipped" --by "the data wrangler"
      a gap in the numbers that the camera report explains, from now on
""",
)
@click.argument("drive", nargs=-1, required=True, type=Folder())
@click.option("--reread", is_flag=True, help="Read every copy again, drives side by side; append to the histories.")
@click.option(
    "--against",
    type=Folder(files_too=True),
    metavar="PRODUCTION",
    envvar="ROLLPROOF_PRODUCTION",
    show_envvar=True,
    help="The production file: whose rolls, and how many copies each needs.",
)
@click.option(
    "--since",
    type=click.DateTime(("%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%d")),
    callback=_moment,
    metavar="MOMENT",
    help="With --reread: copies that were read again since then, with all as recorded, are not read once more. A "
    "stopped audit goes on by itself without this.",
)
@click.option(
    "--accept",
    "accepted",
    multiple=True,
    metavar="NAME",
    help="Accept a finding that may be accepted: a damaged clip, a gap in the numbers, a roll number that was never"
    " used. It is written down beside every attached copy, with --by and --reason; may be repeated.",
)
@click.option("--reason", metavar="TEXT", default="", help="Why, for every --accept.")
@click.option(
    "--out", type=Folder(files_too=True), metavar="FILE", help="Write the whole answer there: .html or .json."
)
@click.option("--all", "everything", is_flag=True, help="Show every roll and every finding, not the first of each.")
@person_options
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end.")
@click.pass_obj
def command(
    session: Session,
    /,
    drive: tuple[bytes, ...],
    reread: bool,
    against: bytes | None,
    since: datetime | None,
    accepted: tuple[str, ...],
    reason: str,
    out: bytes | None,
    everything: bool,
    by: str,
    role: str,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Audit a production: find every roll on each DRIVE and say what is short, damaged, missing or at odds.

    A DRIVE is the folder where a drive is mounted, or any folder with rolls in it. Rolls are found by their records or
    by the open standard's manifests, whoever wrote them. Without --reread only records and listings are compared;
    nothing is written but what is accepted. Exit status 0 only when nothing is short, damaged or missing.
    """
    from functools import partial  # noqa: PLC0415 - loaded when it is called, not for --help

    from rollproof.cli.screen.audit_screen import AuditScreen  # noqa: PLC0415
    from rollproof.cli.screen.under_screen import run_under_screen  # noqa: PLC0415
    from rollproof.cli.views.audit_view import audit_lines  # noqa: PLC0415
    from rollproof.models.requests import AuditRequest, Person  # noqa: PLC0415

    if bool(accepted) != bool(reason.strip()):
        raise click.UsageError("--accept and --reason belong together: what is accepted, and why.")
    if since is not None and not reread:
        raise click.UsageError("--since is about reading again: it needs --reread.")
    request = AuditRequest(
        paths=drive,
        reread=reread,
        against=against,
        since=since,
        accepted=accepted,
        reason=reason.strip(),
        out=out,
        person=Person(by, role),
    )
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    return run_under_screen(
        session,
        output,
        request,
        session.workflow("rollproof.workflows.audit:audit"),
        partial(audit_lines, everything=everything),
        screen=AuditScreen(session.wall, fancy=output.fancy),
    )
