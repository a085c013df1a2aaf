"""`rollproof checksums`: a plain checksum file that stock tools can check."""

from __future__ import annotations

import click

from rollproof.cli.options import STOCK_HASHES, Folder, json_option, quiet_option
from rollproof.cli.session import Job, Session


@click.command(
    "checksums",
    cls=Job,
    empty_answer={"verdict": "not complete", "out": None, "lines": 0, "findings": []},
    what_is_safe="No file of a copy was changed, and no checksum file was written.",
    epilog="""\b
Examples:
  rollproof checksums /mnt/shuttle/the-bell-foundry/2026-05-14/A003 --hash xxh128 --out A003.xxh128
      one roll, from the hashes that were recorded: nothing is read
  rollproof checksums /mnt/shuttle --hash md5 --out shuttle.md5
      a whole drive; where MD5 was not recorded every file is read, and compared with its record in the same read
  cd /mnt/shuttle && md5sum -c /home/set/shuttle.md5
      how anybody checks it, without this tool
""",
)
@click.argument("path", type=Folder())
@click.option(
    "--hash",
    "algorithm",
    required=True,
    type=click.Choice(STOCK_HASHES, case_sensitive=False),
    help="The algorithm; its stock tool is xxhsum, md5sum, sha1sum, sha256sum or b3sum.",
)
@click.option(
    "--out", required=True, type=Folder(files_too=True), metavar="FILE", help="Where it goes. Never over another file."
)
@json_option
@quiet_option
@click.option("--silent", is_flag=True, help="Do not ring the bell at the end.")
@click.pass_obj
def command(
    session: Session,
    /,
    path: bytes,
    algorithm: str,
    out: bytes,
    as_json: bool,
    quiet: bool,
    silent: bool,
) -> int:
    """Write a checksum file over every roll at or below PATH, for tools that everybody has.

    Names in it begin at PATH: run the stock tool there. A file that is not as it was recorded gets no line, and the
    answer is no (exit status 1).
    """
    from rollproof.cli.screen.under_screen import run_under_screen  # noqa: PLC0415
    from rollproof.cli.views.delivery_view import checksums_lines  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.requests import ChecksumsRequest  # noqa: PLC0415

    request = ChecksumsRequest(path, algorithm, out)
    output = session.speak(json=as_json, quiet=quiet, silent=silent)
    return run_under_screen(
        session, output, request, session.workflow("rollproof.workflows.delivery.checksums:checksums"), checksums_lines
    )
