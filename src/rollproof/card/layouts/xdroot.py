"""`XDROOT`: mxf in `Clip` with `M01.XML` and `R01.BIM` beside them, proxies in `Sub`, a card index."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="xdroot",
    words="XDROOT: Clip, Sub",
    folder=("XDROOT",),
    beneath=("Clip",),
    originals=("Clip",),
    proxies=("Sub",),
    companions=("Thmbnl", "Edit", "Take", "General", "General/.*", "UserData", "UserData/.*"),
    told_in=("Clip",),
    indexes=("MEDIAPRO.XML", "DISCMETA.XML", "ALIAS.XML"),
)
