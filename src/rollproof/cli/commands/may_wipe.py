"""`rollproof may-wipe`: may this card be wiped?"""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, name_of, person_options, production_option, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "may-wipe",
    cls=Job,
    empty_answer={
        "answer": "KEEP",
        "basis": None,
        "reasons": ["the question could not be judged"],
        "rolls": [],
        "copies": [],
        "findings": [],
    },
    what_is_safe="The card was only read. KEEP it.",
    failure_line="KEEP",
    epilog="""\b
Examples:
  rollproof may-wipe /media/A003
      right after its offload: nothing is read again, the answer comes at once
  rollproof may-wipe /media/A003 --reread --reread-copies
      read the card and every attached copy again before answering
  rollproof may-wipe /media/A003 --accept A003C007 --reason "known, the director has seen it" --by "the data wrangler"
      accept responsibility for a damaged clip; it is written down with your name
  rollproof may-wipe /media/A003 --json
      the same for a script: status 0 is MAY WIPE, everything else is KEEP
""",
)
@click.argument("card", type=Folder())
@click.option("--reread", is_flag=True, help="Read the card again, even when nothing on it seems to have changed.")
@click.option("--reread-copies", is_flag=True, help="Read every attached copy again, from its drive.")
@click.option(
    "--accept",
    "accepted",
    multiple=True,
    metavar="NAME",
    help="Accept responsibility for what cannot be judged (a damaged clip, a link, hidden media): its path, or a clip's"
    " full or short name that only one finding has; may be repeated. A file that lacks copies cannot be accepted.",
)
@click.option("--reason", metavar="TEXT", default="", help="Why; required with --accept, as is --by.")
@click.option(
    "--clock-is-right",
    is_flag=True,
    help="You have looked at this computer's clock, and it is right although later moments are recorded; needs --by."
    " Drives that are away count once they were attached again.",
)
@click.option("--all", "show_all", is_flag=True, help="Show every reason, and paths, devices and records.")
@production_option
@person_options
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end.")
@click.pass_obj
def command(
    session: Session,
    /,
    card: bytes,
    reread: bool,
    reread_copies: bool,
    accepted: tuple[str, ...],
    reason: str,
    clock_is_right: bool,
    show_all: bool,
    production_file: bytes | None,
    by: str,
    role: str,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Answer MAY WIPE or KEEP for the CARD that is mounted there, with the reasons.

    MAY WIPE only when everything on the whole medium lies proven on enough devices, and a permit that says so could be
    written beside the copies. Everything else, any failure too, is KEEP. The card is only ever read, and never
    formatted: that is done in the camera.
    """
    from functools import partial  # noqa: PLC0415 - loaded when it is called, not for --help

    from rollproof.cli.screen.under_screen import run_under_screen  # noqa: PLC0415
    from rollproof.cli.screen.wipe_screen import WipeScreen  # noqa: PLC0415
    from rollproof.cli.views.wipe_summary import wipe_lines  # noqa: PLC0415
    from rollproof.models.requests import MayWipeRequest, Person  # noqa: PLC0415

    request = MayWipeRequest(
        card=card,
        reread=reread,
        reread_copies=reread_copies,
        accepted=accepted,
        reason=reason,
        clock_is_right=clock_is_right,
        production_file=production_file,
        person=Person(name_of(session, by, "permit"), role),
    )
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    return run_under_screen(
        session,
        output,
        request,
        session.workflow("rollproof.workflows.may_wipe:may_wipe"),
        partial(wipe_lines, show_all=show_all, plain=output.results.plain),
        screen=WipeScreen(session.wall, fancy=output.fancy),
        several=False,
    )
