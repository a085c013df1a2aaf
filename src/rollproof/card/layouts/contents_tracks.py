"""`CONTENTS/{CLIP,VIDEO,AUDIO,ICON,PROXY,VOICE}`: one mxf per track.

A clip has a name of six characters; `CLIP/0001AB.XML` lists `VIDEO/0001AB.MXF` and `AUDIO/0001AB00.MXF`,
`0001AB01.MXF` … in its `EssenceList`.
"""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="contents-tracks",
    words="CONTENTS: CLIP, VIDEO, AUDIO",
    folder=("CONTENTS",),
    beneath=("CLIP", "VIDEO"),
    originals=("VIDEO", "AUDIO"),
    proxies=("PROXY",),
    companions=("CLIP", "ICON", "VOICE"),
    told_in=("CLIP",),
    told_all=True,
    tracks_named=True,
    stems=(r"(?P<clip>[0-9A-Z]{6})(?P<track>[0-9]{2})?",),
    indexes=("LASTCLIP.TXT", "INDEX.XML"),
)
