"""`*.RDC`: a folder per clip with its segments `_001`, `_002` …, on the card or inside `*.RDM`."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="rdc",
    words="RDC folders",
    folder=(r".+\.RDC",),
    clip_folder=r".+\.RDC",
    clip_suffix=(".RDC",),
    stems=(r"(?P<clip>.+)_(?P<part>[0-9]{3})",),
    counter_from_one=True,
)
