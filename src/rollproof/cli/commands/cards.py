"""`rollproof cards`: which cards to keep, which are free."""

from __future__ import annotations

import click

from rollproof.cli.options import json_option
from rollproof.cli.session import Job, Session

_STATES = ("keep", "free", "unknown")


@click.command(
    "cards",
    cls=Job,
    empty_answer={"cards": [], "findings": []},
    epilog="""\b
Examples:
  rollproof cards
      every card this station has offloaded: keep or free, since when, which roll
  rollproof cards --state keep
      those that nobody may format
  rollproof cards --json
      the same for a script
""",
)
@click.option("--state", type=click.Choice(_STATES), help="Only cards in this state.")
@json_option
@click.pass_obj
def command(session: Session, /, state: str | None, as_json: bool) -> int:
    """List every card this station has offloaded: which to keep, which are free, and since when.

    "Free" says that a permit was given for what was on the card then. This station cannot see whether it was used
    since: before you format a card, ask `rollproof may-wipe CARD` with the card in the reader.

    The list fits a page: send it to a printer or a file as it is.

    A card is known by its own number where the reader shows it, else by its volume: formatted, it is another one here.
    """
    from rollproof.cli.views.cards_view import cards_lines  # noqa: PLC0415 - loaded when it is called, not for --help

    output = session.speak(json=as_json)
    result = session.workflow("rollproof.workflows.cards:list_cards")(state=state)
    if as_json:
        output.answer(result.as_json())
    else:
        output.show(cards_lines(result))
    return 0
