"""`<letter><3 digits>R…`: a folder named after the roll, with one file or one folder of frames per clip
(`A003C001_260514_…`)."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="letter-roll",
    words="clips in a folder with the roll's name",
    folder=(r"[A-Z][0-9]{3}_?R[A-Z0-9_]{1,12}",),
    clip_folder=r"[A-Z][0-9]{3}_?C[0-9]{3}_.*",
    proxies=("PROXY", "PROXIES"),
    counter_from_one=True,
)
