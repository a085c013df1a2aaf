"""`rollproof receive`: a drive arrives; read it again, compare with its handover, give the receipt."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, person_options, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "receive",
    cls=Job,
    empty_answer={"verdict": "not proven", "receipt": None, "same": None, "compared": [], "findings": []},
    what_is_safe="No file of a copy was changed. The drive is not received: do not count anything on it as proven.",
    epilog="""\b
Examples:
  rollproof receive /mnt/shuttle
      read everything again, compare with the handover, print the receipt
  rollproof receive /mnt/shuttle --receipt "K7QM 4XTW 9HRA PF3D 9Q"
      compare with the code that the sender has read out as well
  rollproof receive /mnt/shuttle --packing-list shuttle-list
      compare with the packing list that was sent ahead
""",
)
@click.argument("drive", type=Folder())
@click.option("--receipt", metavar="CODE", help="The receipt as the sender has read it out.")
@click.option(
    "--packing-list",
    type=Folder(),
    metavar="DIR",
    help="The folder of the packing list that was sent ahead: every roll is compared with it too.",
)
@person_options
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end.")
@click.pass_obj
def command(
    session: Session,
    /,
    drive: bytes,
    receipt: str | None,
    packing_list: bytes | None,
    by: str,
    role: str,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Receive DRIVE: read every roll on it again, compare with the record of its handover, say what differs.

    Prints the receipt of what arrived: call the sender and compare. What was found is written on the drive, unless it
    is write-protected.
    """
    from rollproof.cli.screen.under_screen import run_under_screen  # noqa: PLC0415
    from rollproof.cli.views.custody_view import receive_lines  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import Person, ReceiveRequest  # noqa: PLC0415

    request = ReceiveRequest(drive, receipt, Person(by, role), packing_list)
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    return run_under_screen(
        session, output, request, session.workflow("rollproof.workflows.custody.receive:receive"), receive_lines
    )
