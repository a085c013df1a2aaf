"""`rollproof looked-at`: a person has looked at the pictures."""

from __future__ import annotations

import click

from rollproof.cli.options import json_option, person_options
from rollproof.cli.session import Job, Session


@click.command(
    "looked-at",
    cls=Job,
    empty_answer={"verdict": "not recorded", "rolls": [], "findings": []},
    what_is_safe="No file of a copy was changed.",
    epilog="""\b
Examples:
  rollproof looked-at A003 B002 --by "the assistant editor"
      on every attached copy of both rolls
  rollproof looked-at A003 --by "the assistant editor" --note "C007 soft, the director knows"
      with a remark
  rollproof looked-at A003 --day 2026-05-14 --by "the assistant editor"
      where two rolls bear one name
""",
)
@click.argument("rolls", nargs=-1, required=True, metavar="ROLL…")
@click.option("--note", metavar="TEXT", default="", help="What was seen.")
@click.option("--day", metavar="DAY", help="The shooting day, as the offload wrote it, where two rolls bear one name.")
@person_options
@json_option
@click.pass_obj
def command(
    session: Session, /, rolls: tuple[str, ...], note: str, day: str | None, by: str, role: str, as_json: bool
) -> int:
    """Write down that a person has looked at the pictures of these rolls.

    A record is appended on every attached copy, and is shown in `rolls`, in reports and on handover sheets. A hash
    never says that a picture is good; this is the word of the person named.
    """
    from rollproof.cli.views.looked_at_view import looked_at_lines  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import LookedAtRequest, Person  # noqa: PLC0415
    from rollproof.station.context import Context  # noqa: PLC0415

    output = session.speak(json=as_json)
    request = LookedAtRequest(rolls, Person(by, role), note, day)
    result = session.workflow("rollproof.workflows.looked_at:looked_at")(request, Context.of())
    if as_json:
        output.answer(result.as_json())
    else:
        output.show(looked_at_lines(result))
    return int(result.status)
