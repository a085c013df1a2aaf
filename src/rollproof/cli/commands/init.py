"""`rollproof init`: a commented production file to fill in."""

from __future__ import annotations

import click

from rollproof.cli.options import Folder, json_option
from rollproof.cli.session import Job, Session


@click.command(
    "init",
    cls=Job,
    empty_answer={"path": None, "drives": "", "findings": []},
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

    The attached drives are proposed in it, roles to be filled in; cards and this computer's own disk are left out. A
    file that is there already is never touched: the drives that it does not name are then printed, to be put into
    it. With a filled-in file, `rollproof offload CARD` is enough.
    """
    from rollproof.cli.console import join, safe  # noqa: PLC0415 - loaded when it is called, not for --help
    from rollproof.models.names import to_text  # noqa: PLC0415

    output = session.speak(json=as_json)
    made = session.workflow("rollproof.workflows.init:propose_production")(folder, name)
    path = None if made.path is None else to_text(made.path)
    if as_json:
        output.answer({"path": path, "drives": made.drives, "findings": []})
    elif path is None:
        lines = ["There is a production file already; it stays as it is. Attached, and not named in it:", ""]
        output.show([join(safe(line)) for line in [*lines, *made.drives.rstrip().split("\n")]])
    else:
        todo = "give the attached drives in it their roles" if made.drives else "fill it in"
        output.show(
            [join("Written: ", safe(path)), join(f"  Next: {todo}; `rollproof drives` shows what is attached.")]
        )
    return 0
