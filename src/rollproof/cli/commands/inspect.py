"""`rollproof inspect`: what is on a card, in a copy, on a drive."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "inspect",
    cls=Job,
    empty_answer={"roll": None, "clips": [], "findings": []},
    what_is_safe="Everything was only read.",
    epilog="""\b
Examples:
  rollproof inspect /media/A003
      the clips on a card, and whether each one was finished
  rollproof inspect /mnt/backup/A003
      an offloaded roll: the same, and what its records say of it
  rollproof inspect /mnt/backup
      every roll on a drive
  rollproof inspect /media/A003/B002R1BF/B002C003_260514_R1BF.mov
      one clip
  rollproof inspect /media/A003 --posters ~/posters
      a picture of every clip, to recognise it
""",
)
@click.argument("path", type=Folder(files_too=True))
@click.option("--all", "show_all", is_flag=True, help="Show every clip of a long list.")
@click.option(
    "--posters",
    type=Folder(),
    metavar="DIR",
    help="Write a picture of every clip into this folder; nothing there is replaced.",
)
@json_option
@quiet_option
@click.pass_obj
def command(session: Session, /, path: bytes, show_all: bool, posters: bytes | None, as_json: bool, quiet: bool) -> int:
    """Show what lies at PATH: a card, an offloaded roll, a drive with rolls, or one clip.

    Clips with duration, start timecode, frame rate, resolution and size; which of them are damaged and what that
    means; gaps in the counting; what this station knows to be proven. A few blocks of every file are read, never the
    whole: that a clip is called whole says that it was finished, not that its pictures are good. Nothing is written
    to what is looked at. Ends with 1 when a clip is damaged.
    """
    from rollproof.cli.runs.inspect_run import run_inspect  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import InspectRequest  # noqa: PLC0415

    output = session.speak(json=as_json, quiet=quiet)
    request = InspectRequest(path, posters)
    return run_inspect(
        session, output, request, session.workflow("rollproof.workflows.inspect:inspect"), show_all=show_all
    )
