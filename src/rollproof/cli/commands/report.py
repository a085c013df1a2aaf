"""`rollproof report`: the report of a day, or of the whole production."""

from __future__ import annotations

import os

import click

from rollproof.cli.options import Folder, json_option, person_options, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "report",
    cls=Job,
    empty_answer={"verdict": "not all proven", "files": {}, "findings": []},
    what_is_safe="No drive was changed, and no report was written.",
    epilog="""\b
Examples:
  rollproof report /mnt/primary /mnt/backup
      today, from the station's memory and two drives
  rollproof report --day 2026-05-14 --out reports /mnt/primary
      a certain day, into a folder
  rollproof report --production --out reports /mnt/primary /mnt/shuttle
      everything so far
""",
)
@click.argument("drive", nargs=-1, type=Folder())
@click.option("--day", metavar="DAY", help="The shooting day: a number or a date. Else today's.")
@click.option("--production", "whole", is_flag=True, help="The whole production instead of a day.")
@click.option(
    "--out", type=Folder(), metavar="DIR", help="The folder for the files; else the station's own. Never over a file."
)
@click.option(
    "--posters/--no-posters",
    default=None,
    help="A picture of every clip, from the drives. Without a word: for a day yes, for the whole production no.",
)
@person_options
@json_option
@quiet_option
@click.pass_obj
def command(
    session: Session,
    /,
    drive: tuple[bytes, ...],
    day: str | None,
    whole: bool,
    out: bytes | None,
    posters: bool | None,
    by: str,
    role: str,
    as_json: bool,
    quiet: bool,
) -> int:
    """Write what happened: every roll with its card, copies, findings, permit and clips, totals and plots.

    It comes from the station's memory and from each DRIVE that is named, as HTML (one file, to be read and printed
    anywhere), PDF, CSV and JSON. Only drives can tell durations, timecodes and pictures. A report proves nothing by
    itself: it says what records say.
    """
    from rollproof.cli.runs.report_run import run_report  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import Person, ReportRequest  # noqa: PLC0415

    if whole and day is not None:
        raise click.UsageError("--day is one day and --production all of them: say one of the two.")
    request = ReportRequest(drive, day, whole, out, posters, os.fsencode(os.getcwd()), Person(by, role))
    output = session.speak(json=as_json, quiet=quiet)
    return run_report(session, output, request, session.workflow("rollproof.workflows.report:report"))
