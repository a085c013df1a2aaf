"""`rollproof ledger`: the station's own memory."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, quiet_option
from rollproof.cli.session import Job, Session


@click.group(
    "ledger",
    context_settings={"help_option_names": ["-h", "--help"]},
    no_args_is_help=False,
    epilog="""\b
Examples:
  rollproof ledger rebuild /mnt/primary /mnt/backup
      make it anew from what lies on two drives
""",
)
def command() -> None:
    """Look after the station's own memory of rolls, copies and records.

    It is an index and can always be made anew: the truth lies beside the copies.
    """


@command.command(
    "rebuild",
    cls=Job,
    empty_answer={"rolls": [], "drives": 0, "findings": []},
    what_is_safe="No copy and no record was changed; the ledger that was there is set aside, not deleted.",
    epilog="""\b
Examples:
  rollproof ledger rebuild /mnt/primary /mnt/backup
      make the ledger anew from what lies on two drives
""",
)
@click.argument("drive", nargs=-1, required=True, type=Folder())
@json_option
@quiet_option
@click.pass_obj
def rebuild(session: Session, /, drive: tuple[bytes, ...], as_json: bool, quiet: bool) -> int:
    """Make the ledger anew from each DRIVE's own records: name all drives of the production at once.

    The ledger that is there, damaged or whole, is set aside and never deleted. Nothing on a drive is changed.
    """
    from rollproof.cli.runs.ledger_run import run_rebuild  # noqa: PLC0415 - loaded when it is called, not for --help

    output = session.speak(json=as_json, quiet=quiet)
    return run_rebuild(session, output, drive, session.workflow("rollproof.workflows.rebuild:rebuild_ledger"))
