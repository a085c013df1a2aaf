"""`rollproof init`: a commented production file to fill in."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option
from rollproof.cli.session import Job, Session


@click.command(
    "init",
    cls=Job,
    empty_answer={"path": None, "findings": []},
    what_is_safe="A production file that was there before stays as it is.",
    epilog="""\b
Examples:
  rollproof init
      production.toml in this folder, named after the folder
  rollproof init --name "The Bell Foundry" productions/bell-foundry
      in another folder, under another name
""",
)
@click.argument("folder", default=".", type=Folder())
@click.option("--name", metavar="NAME", help="What the production is called; else as the folder is.")
@json_option
@click.pass_obj
def command(session: Session, /, folder: bytes, name: str | None, as_json: bool) -> int:
    """Write a commented production.toml into FOLDER: drives, copies required, algorithms, folders, people.

    A file that is there already is never touched. With a filled-in file, `rollproof offload CARD` is enough.
    """
    from rollproof.cli.console import join, safe  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.names import to_text  # noqa: PLC0415

    output = session.speak(json=as_json)
    path = to_text(session.workflow("rollproof.workflows.init:init_production")(folder, name))
    if as_json:
        output.answer({"path": path, "findings": []})
    else:
        output.show(
            [join("Written: ", safe(path)), join("  Next: fill it in; `rollproof drives` shows what is attached.")]
        )
    return 0
