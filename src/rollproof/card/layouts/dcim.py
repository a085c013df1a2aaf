"""`DCIM/<3 digits><5 characters>`: photographs and movies of cameras that follow the design rule for their folders.

Long takes are chaptered: `GX010123`, `GX020123` are chapters 1 and 2 of clip 0123, the chapter standing before the
clip number; the low-resolution twin has another second letter.
"""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="dcim",
    words="DCIM folders",
    folder=("DCIM", r"[0-9]{3}[A-Z0-9_]{5}"),
    stems=(r"(?P<clip>[A-Z])[A-Z](?P<part>0[1-9]|[1-9][0-9])(?P<number>[0-9]{4})",),
    starters=frozenset({"jpg", "jpeg", "heic", "heif", "hif"}),
    frames=False,
)
