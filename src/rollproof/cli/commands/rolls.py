"""`rollproof rolls`: which rolls this station has seen, and one roll's story."""

from __future__ import annotations

import click

from rollproof.cli.options import json_option
from rollproof.cli.session import Job, Session

_STATES = ("proven", "too few copies", "not proven")
"""As `workflows.rolls.STATES` has them; a test holds them together."""


@click.command(
    "rolls",
    cls=Job,
    empty_answer={"rolls": [], "histories": [], "findings": []},
    epilog="""\b
Examples:
  rollproof rolls
      every roll this station has seen: state, copies, size, clips, permit
  rollproof rolls --day 2026-05-14 --camera A --state "too few copies"
      those of one day and one camera that still need a copy
  rollproof rolls A003
      everything that happened to one roll, oldest first
""",
)
@click.argument("name", required=False)
@click.option("--day", metavar="DAY", help="Only this shooting day, as the offload wrote it.")
@click.option("--unit", metavar="UNIT", help="Only this unit.")
@click.option("--camera", metavar="LETTER", help="Only this camera.")
@click.option("--state", type=click.Choice(_STATES), help="Only rolls in this state.")
@json_option
@click.pass_obj
def command(
    session: Session,
    /,
    name: str | None,
    day: str | None,
    unit: str | None,
    camera: str | None,
    state: str | None,
    as_json: bool,
) -> int:
    """List the rolls that this station has seen, or tell the whole history of the roll NAME.

    This is the station's own memory, an index: the records beside the copies are what counts, and
    `rollproof ledger rebuild` makes the memory anew from them.
    """
    from rollproof.cli.views.rolls_view import rolls_lines  # noqa: PLC0415 - loaded when it is called, not for --help

    output = session.speak(json=as_json)
    result = session.workflow("rollproof.workflows.rolls:list_rolls")(
        name=name, day=day, unit=unit, camera=camera, state=state
    )
    if as_json:
        output.answer(result.as_json())
    else:
        output.show(rolls_lines(result, named=name is not None))
    return 0
