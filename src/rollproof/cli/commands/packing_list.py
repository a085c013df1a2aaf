"""`rollproof packing-list`: what is on drives, to be sent ahead of them."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, person_options, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "packing-list",
    cls=Job,
    empty_answer={"verdict": "not complete", "out": None, "rolls": [], "findings": []},
    what_is_safe="No drive was changed. Do not send a packing list that is not complete.",
    epilog="""\b
Examples:
  rollproof packing-list /mnt/shuttle --out shuttle-list
      one manifest for every roll on the drive, and the collection that names them; send the folder by mail
  rollproof receive /mnt/shuttle --packing-list shuttle-list
      at the other end: read everything again, and compare with the list
""",
)
@click.argument("drive", nargs=-1, required=True, type=Folder())
@click.option(
    "--out", required=True, type=Folder(), metavar="DIR", help="The folder for the list; made when it is missing."
)
@person_options
@json_option
@quiet_option
@click.pass_obj
def command(
    session: Session,
    /,
    drive: tuple[bytes, ...],
    out: bytes,
    by: str,
    role: str,
    as_json: bool,
    quiet: bool,
) -> int:
    """List every roll on each DRIVE in the form of the open standard, to be sent ahead of the drives.

    Each roll's history becomes one manifest that stands alone: the earliest good hash of every file. No file of a roll
    is read. A roll on several drives is listed once; make a list for each drive that travels alone.
    """
    from rich.text import Text  # noqa: PLC0415 - loaded when it is called, not for --help

    from rollproof.cli.interrupt import cancelling  # noqa: PLC0415
    from rollproof.cli.views.delivery_view import packing_list_lines  # noqa: PLC0415
    from rollproof.models.requests import Cancel, PackingListRequest, Person  # noqa: PLC0415
    from rollproof.station.context import Context  # noqa: PLC0415

    output = session.speak(json=as_json, quiet=quiet)
    cancel = Cancel()
    with cancelling(cancel, lambda text: output.say(Text(text))):
        result = session.workflow("rollproof.workflows.delivery.packing_list:packing_list")(
            PackingListRequest(drive, out, Person(by, role)), Context.of(cancel=cancel)
        )
    if as_json:
        output.answer(result.as_json())
    if not (as_json and quiet):
        output.show(packing_list_lines(result, quiet=quiet, width=output.results.width, fancy=output.fancy))
    return int(result.status)
