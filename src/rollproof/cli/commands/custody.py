"""`rollproof custody`: the chain of custody as a timeline; and the names of the keys that sign it."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option, quiet_option
from rollproof.cli.session import Job, Session

_TRUST = b"trust"


@click.command(
    "custody",
    cls=Job,
    empty_answer={"verdict": "not whole", "chains": [], "findings": []},
    what_is_safe="Nothing was changed: this only looks.",
    epilog="""\b
Examples:
  rollproof custody /mnt/shuttle
      every record on a drive, and its handovers
  rollproof custody /mnt/shuttle/the-bell-foundry/2026-05-14/A003
      one roll
  rollproof custody trust station_key.pub --name "post house"
      from now on records signed with this key are signed by the post house
""",
)
@click.argument("words", nargs=-1, required=True, type=Folder(files_too=True), metavar="PATH | trust KEYFILE")
@click.option("--name", metavar="NAME", help="With trust: whose key it is.")
@json_option
@quiet_option
@click.pass_context
def command(context: click.Context, /, words: tuple[bytes, ...], name: str | None, as_json: bool, quiet: bool) -> int:
    """Show the chain of custody at or below PATH: who did what when, and for each record whether it is whole, who
    signed it and since when that key is known, or what is wrong.

    With trust, name the key in KEYFILE, another station's station_key.pub. Ask for its fingerprint over the phone.
    An unknown or a missing signature is a note; a wrong one is an error.
    """
    session = context.find_object(Session)
    assert session is not None
    trusting = len(words) == 2 and words[0] == _TRUST
    if not trusting and len(words) != 1:
        raise click.UsageError("one PATH, or: trust KEYFILE --name NAME", context)
    if trusting != (name is not None):
        raise click.UsageError("--name belongs to: trust KEYFILE --name NAME", context)
    output = session.speak(json=as_json, quiet=quiet)
    if trusting:
        from rollproof.cli.views.custody_trusted import trusted_lines  # noqa: PLC0415 - loaded when it is called, not for --help

        trusted = session.workflow("rollproof.workflows.custody.timeline:trust")(words[1], name)
        if as_json:
            output.answer(trusted.as_json())
        else:
            output.show(trusted_lines(trusted))
        return 0
    from rollproof.cli.views.custody_timeline import custody_lines  # noqa: PLC0415 - as above
    from rollproof.station.context import Context  # noqa: PLC0415

    result = session.workflow("rollproof.workflows.custody:custody")(words[0], Context.of())
    if as_json:
        output.answer(result.as_json())
    if not (as_json and quiet):
        output.show(custody_lines(result, quiet=quiet, width=output.results.width, fancy=output.fancy))
    return int(result.status)
