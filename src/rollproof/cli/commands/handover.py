"""`rollproof handover`: a drive leaves; say what is on it, write it down, give the receipt."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, name_of, person_options, production_option, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "handover",
    cls=Job,
    empty_answer={"verdict": "not proven", "receipt": None, "handovers": [], "findings": []},
    what_is_safe="No file of a copy was changed. The drive is not handed over: do it again before it leaves.",
    epilog="""\b
Examples:
  rollproof handover /mnt/shuttle --to "post house" --via courier
      sizes, dates and records are looked at, which takes moments
  rollproof handover /mnt/shuttle --to "post house" --reread
      every file is read again first
  rollproof handover /mnt/shuttle --to archive --note "keep dry" --sheet shuttle.html
      with a word to the other end, and the sheet for the envelope where it is wanted
""",
)
@click.argument("drive", type=Folder())
@click.option("--to", required=True, metavar="NAME", help="Who gets the drive.")
@click.option("--via", metavar="TEXT", default="", help="Who or what carries it there.")
@click.option("--note", metavar="TEXT", default="", help="A word to whoever receives it.")
@click.option("--reread", is_flag=True, help="Read every file again, as verify does, before the drive leaves.")
@click.option(
    "--sheet",
    type=Folder(files_too=True),
    metavar="FILE",
    help="Where the page for the envelope (HTML) goes; else into the station's own folder. Never over another file.",
)
@production_option
@person_options
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end.")
@click.pass_obj
def command(
    session: Session,
    /,
    drive: bytes,
    to: str,
    via: str,
    note: str,
    reread: bool,
    sheet: bytes | None,
    production_file: bytes | None,
    by: str,
    role: str,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Hand DRIVE over: check that its rolls and records are whole, and write on it what leaves, and to whom.

    Prints a short receipt to read out over the phone. `rollproof receive` at the other end prints one too: the same
    code means the same records. A page for the courier's envelope is written as well.
    """
    from rollproof.cli.screen.under_screen import run_under_screen  # noqa: PLC0415
    from rollproof.cli.views.custody_view import handover_lines  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import HandoverRequest, Person  # noqa: PLC0415

    request = HandoverRequest(
        drive, to, via, note, reread, sheet, Person(name_of(session, by, "handover"), role), b".", production_file
    )
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    return run_under_screen(
        session, output, request, session.workflow("rollproof.workflows.custody.handover:handover"), handover_lines
    )
