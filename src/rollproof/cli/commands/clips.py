"""`rollproof clips`: the list of clips for editorial."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "clips",
    cls=Job,
    empty_answer={"clips": [], "findings": []},
    what_is_safe="Everything was only read.",
    epilog="""\b
Examples:
  rollproof clips /mnt/backup --csv day-03.csv
      every clip of every roll on a drive, for the editor
  rollproof clips /media/A003 /media/B002 --csv -
      two cards, printed
  rollproof clips /mnt/backup --json
      the same for a script
""",
)
@click.argument("paths", type=Folder(files_too=True), nargs=-1, required=True, metavar="PATH…")
@click.option(
    "--csv",
    "csv_file",
    type=Folder(files_too=True),
    metavar="FILE",
    help="Write the list there as CSV; - prints it. A file that is there already is never replaced.",
)
@json_option
@quiet_option
@click.pass_obj
def command(session: Session, /, paths: tuple[bytes, ...], csv_file: bytes | None, as_json: bool, quiet: bool) -> int:
    """List the clips at each PATH for editorial: a card, an offloaded roll, a drive with rolls.

    Clip, roll, camera, start and end timecode, duration, frame rate, resolution, codec, scene and take, bytes, hash
    (of the clip's first file, as its record has it), path, state by record, and health. The end timecode is that of
    the frame after the last, as edit lists count. Ends with 1 when a clip is damaged; the list is written all the
    same.
    """
    from rollproof.cli.runs.inspect_run import run_clips  # noqa: PLC0415 - loaded when it is called, not for --help

    output = session.speak(json=as_json, quiet=quiet)
    return run_clips(
        session, output, paths, csv_file, session.workflow("rollproof.workflows.inspect.clips_list:list_clips")
    )
