"""Sound recorders: one take is one poly wav, or one file per track (`_1`, `_2` …); refused takes lie apart."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="sound",
    words="sound takes",
    holds=r".*_REPORT\.csv|.*T[0-9]{2,3}_[0-9]{1,2}\.wav",
    stems=(r"(?P<clip>.+?)_(?P<track>[0-9]{1,2})",),
    set_aside=("FALSE_TAKES", "TRASH"),
)
