"""`BDMV`: transport streams in `STREAM`, and under the same number their info in `CLIPINF` and list in `PLAYLIST`."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="bdmv",
    words="BDMV: STREAM, CLIPINF, PLAYLIST",
    folder=("BDMV",),
    beneath=("STREAM",),
    originals=("STREAM",),
    companions=("CLIPINF", "PLAYLIST", "BACKUP", "BACKUP/.*", "AUXDATA", "META", "META/.*"),
    told_in=("CLIPINF",),
    told_all=True,
    indexes=("INDEX.BDM", "MOVIEOBJ.BDM", "INDEX.BDMV", "MOVIEOBJECT.BDMV"),
)
