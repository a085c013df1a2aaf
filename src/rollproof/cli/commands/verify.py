"""`rollproof verify`: read copies again, compare, append to their histories."""

from __future__ import annotations

import click

from rollproof.cli.options import (
    HASHES,
    Folder,
    all_option,
    json_option,
    person_options,
    production_option,
    quiet_option,
)
from rollproof.cli.session import Job, Session


@click.command(
    "verify",
    cls=Job,
    empty_answer={"verdict": "not proven", "copies": [], "findings": []},
    what_is_safe="No file of a copy was changed. Do not count what was being read as proven.",
    epilog="""\b
Examples:
  rollproof verify /mnt/backup/the-bell-foundry/2026-05-14/A003
      one roll
  rollproof verify /mnt/primary /mnt/backup
      every roll on two drives
  rollproof verify /mnt/backup --add-hash md5
      the same, and add another algorithm to the manifests from the one read
  rollproof verify /mnt/backup/A003 --against A003.md5
      compare with a checksum file that somebody's tool has written; nothing is appended
  rollproof verify /mnt/backup --strict --json
      for a script: unknown files count as wrong too
""",
)
@click.argument("path", nargs=-1, required=True, type=Folder())
@click.option("--strict", is_flag=True, help="A file that no manifest knows makes the answer no (exit status 1).")
@click.option(
    "--add-hash",
    "add_hashes",
    multiple=True,
    type=click.Choice(HASHES, case_sensitive=False),
    help="An algorithm to add to the history, from the same read; may be repeated.",
)
@click.option(
    "--against",
    type=Folder(files_too=True),
    metavar="FILE",
    help="Compare one PATH with a plain checksum file (names from PATH) instead of its manifests; append nothing.",
)
@production_option
@person_options
@all_option
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end.")
@click.pass_obj
def command(
    session: Session,
    /,
    path: tuple[bytes, ...],
    strict: bool,
    add_hashes: tuple[str, ...],
    against: bytes | None,
    production_file: bytes | None,
    by: str,
    role: str,
    everything: bool,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Read every copy below each PATH again and compare it with its manifests.

    A PATH is a roll folder, or any folder above some: a day, a whole drive. Says what differs, is missing or is
    unknown, and appends what was found to the history beside each copy.
    """
    from functools import partial  # noqa: PLC0415 - loaded when it is called, not for --help

    from rollproof.cli.screen.under_screen import run_under_screen  # noqa: PLC0415
    from rollproof.cli.views.delivery_view import against_lines  # noqa: PLC0415
    from rollproof.cli.views.verify_summary import verify_lines  # noqa: PLC0415
    from rollproof.models.requests import AgainstRequest, Person, VerifyRequest  # noqa: PLC0415

    if against is not None and (len(path) > 1 or add_hashes):
        raise click.UsageError("--against compares one PATH with one FILE and appends nothing: no --add-hash.")
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    if against is not None:
        comparison = AgainstRequest(path[0], against, strict)
        compare = session.workflow("rollproof.workflows.verify.against:verify_against")
        return run_under_screen(session, output, comparison, compare, against_lines)
    request = VerifyRequest(path, strict, add_hashes, Person(by, role), b".", production_file)
    job = session.workflow("rollproof.workflows.verify:verify")
    return run_under_screen(session, output, request, job, partial(verify_lines, everything=everything))
