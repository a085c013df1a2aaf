"""`PRIVATE/M4ROOT`: mp4 in `CLIP`, proxies in `SUB`, thumbnails in `THMBNL`, a card index that names them all."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="m4root",
    words="M4ROOT: CLIP, SUB, THMBNL",
    folder=("M4ROOT",),
    beneath=("CLIP",),
    originals=("CLIP",),
    proxies=("SUB",),
    companions=("THMBNL", "GENERAL", "GENERAL/.*"),
    told_in=("CLIP",),
    indexes=("MEDIAPRO.XML",),
)
