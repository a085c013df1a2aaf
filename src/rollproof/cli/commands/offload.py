"""`rollproof offload`: copy cards to drives, prove every copy, write it down."""

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
    "offload",
    cls=Job,
    empty_answer={"verdict": "not proven", "rolls": [], "findings": []},
    what_is_safe=(
        "The card was only read. Every finished file on the drives is whole and stays; nothing was overwritten."
        " Do not count this roll as proven."
    ),
    epilog="""\b
Examples:
  rollproof offload /media/A003 --to /mnt/primary --to /mnt/backup --to /mnt/shuttle
      one card to three drives, each at DIR/<roll>/
  rollproof offload /media/A003
      the drives come from production.toml, in this folder or above
  rollproof offload /media/A003 /media/B002 /media/SOUND
      one card after the other, each with its own verdict
  rollproof offload /media/A003 --to /mnt/primary --to /mnt/backup --expect-clips 23 --expect-last A003C023
      what the camera report says, checked before the first byte is copied
  rollproof offload /media/A003 --to /mnt/primary --dry-run
      only the plan and what stands in its way
  rollproof offload "/mnt/primary/The Bell Foundry" --to /mnt/archive --hash md5
      copies of recorded rolls: a roll, a day or a production, verified on the way

Running the same command again after any interruption goes on where it stopped.
""",
)
@click.argument("card", nargs=-1, required=True, type=Folder())
@click.option(
    "--to",
    "destinations",
    multiple=True,
    type=Folder(),
    metavar="DIR",
    help="A folder on a drive, once per drive. The roll goes to DIR/<roll>/, or below DIR as the production file says.",
)
@click.option("--roll", metavar="NAME", help="The roll's name, where the card's own is not the right one.")
@click.option(
    "--hash",
    "hashes",
    multiple=True,
    type=click.Choice(HASHES, case_sensitive=False),
    help="An algorithm to compute, from the same read; may be repeated.  [default: xxh128]",
)
@click.option(
    "--expect-clips",
    type=click.IntRange(min=0),
    metavar="N",
    help="How many clips the camera report lists; another number is an error before the start.",
)
@click.option("--expect-last", metavar="NAME", help="The last clip that the camera report lists.")
@production_option
@click.option("--day", metavar="DAY", help="The shooting day, for the folder; else today's.")
@click.option("--unit", metavar="UNIT", help="The unit, where there are several.")
@person_options
@click.option(
    "--single-read", is_flag=True, help="Skip the second read of the card: the copies are then copied, not proven."
)
@click.option(
    "--block",
    "block_mib",
    type=click.IntRange(1, 64),
    metavar="MIB",
    help="MiB read and written at once; with three drives some fifteen of them are held in memory.  [default: 8]",
)
@click.option(
    "--reads",
    type=click.IntRange(1, 16),
    metavar="N",
    help="Reads in flight on the card, and on each drive when it is read back.  [default: by the kind of device]",
)
@click.option(
    "--system-disk", is_flag=True, help="A folder on this computer's own disk is meant, not a drive that is away."
)
@click.option("--dry-run", is_flag=True, help="Show the plan and what stands in its way; write nothing.")
@all_option
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end or at a failure.")
@click.pass_obj
def command(
    session: Session,
    /,
    card: tuple[bytes, ...],
    destinations: tuple[bytes, ...],
    roll: str | None,
    hashes: tuple[str, ...],
    expect_clips: int | None,
    expect_last: str | None,
    production_file: bytes | None,
    day: str | None,
    unit: str | None,
    by: str,
    role: str,
    single_read: bool,
    block_mib: int | None,
    reads: int | None,
    system_disk: bool,
    dry_run: bool,
    everything: bool,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Copy each CARD to every drive, prove every copy, and write it down beside it.

    The card is read once for all drives and a second time for the proof; every copy is read back from its drive.
    The card is only ever read. CARD may be a recorded copy too: its rolls are then compared with their own history
    on the way, and both histories go along.
    """  # fmt: skip
    from rollproof.cli.runs.offload_run import run_offload  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import OffloadRequest, Person  # noqa: PLC0415

    request = OffloadRequest(
        cards=card,
        destinations=destinations,
        roll=roll,
        hashes=hashes,
        expect_clips=expect_clips,
        expect_last=expect_last,
        production_file=production_file,
        day=day,
        unit=unit,
        person=Person(by, role),
        single_read=single_read,
        block_mib=block_mib,
        reads=reads,
        system_disk=system_disk,
        dry_run=dry_run,
    )
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    job = session.workflow("rollproof.workflows.offload:offload")
    return run_offload(session, output, request, job, everything=everything)
