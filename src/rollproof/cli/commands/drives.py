"""`rollproof drives`: the attached drives, what each is in the production, and what a read-back there can show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rollproof.cli.options import json_option, production_option
from rollproof.cli.session import Job, Session

if TYPE_CHECKING:
    from rollproof.cli.console import Output


@click.command(
    "drives",
    cls=Job,
    empty_answer={"drives": [], "missing": [], "findings": []},
    epilog="""\b
Examples:
  rollproof drives
      what is attached, and what is missing of the drives in production.toml
  rollproof drives --all
      system and memory mounts too
  rollproof drives --json
      the same for a script
  rollproof drives --rule
      the udev rule that makes your removable exFAT and NTFS drives provable
""",
)
@click.option("--all", "everything", is_flag=True, help="List system and memory mounts too; show identities.")
@click.option(
    "--rule",
    is_flag=True,
    help="Print the udev rule that lets you prove copies on exFAT and NTFS drives through FUSE.",
)
@production_option
@json_option
@click.pass_obj
def command(session: Session, /, everything: bool, rule: bool, production_file: bytes | None, as_json: bool) -> int:
    """List the attached volumes: device, identity, free space, role in the production.

    This is what an offload goes by: two volumes on one device count as one copy. With --all it shows the identity by
    which a production file can name a drive.
    """
    from rollproof.cli.views.drives_view import drives_lines  # noqa: PLC0415 - as above

    output = session.speak(json=as_json)
    if rule:
        return _print_rule(output, as_json=as_json)
    result = session.workflow("rollproof.cli.runs.drives_run:attached_drives")(production_file, everything=everything)
    if as_json:
        output.answer(result.as_json())
    else:
        output.show(drives_lines(result, everything=everything, width=output.results.width))
    return 0


def _print_rule(output: Output, *, as_json: bool) -> int:
    from rollproof.drives.cached_pages import INSTALL, rule_for_this_person  # noqa: PLC0415 - as above

    rule = rule_for_this_person()
    if as_json:
        output.answer({"rule": rule, "install": list(INSTALL), "findings": []})
    else:
        output.raw([rule])
    return 0
