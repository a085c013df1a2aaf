"""`CONTENTS/CLIPS<3 digits>`: mxf, crm or mp4 and their sidecars by stem, with or without a folder per clip.

Long takes are numbered on: two digits behind a name of two letters and four digits (`AA0001` + `01`), or `_001`
behind a name that ends otherwise.
"""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="contents-clips",
    words="CONTENTS/CLIPS",
    folder=("CONTENTS", r"CLIPS[0-9]{3}"),
    originals=("", r"[^/]+"),
    stems=(
        r"(?P<clip>[A-Z]{2}[0-9]{4})(?P<part>[0-9]{2})",
        r"(?P<clip>.*C[0-9]{3}_[0-9]{6}[A-Z0-9]{0,4}(?:_[A-Z0-9]*[A-Z][A-Z0-9]*)?)_(?P<part>[0-9]{2,3})",
    ),
    indexes=("INDEX.MIF",),
)
