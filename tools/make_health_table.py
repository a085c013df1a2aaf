"""Write `docs/health-checks.md`: what the health checks see, counted on media that the tests make and damage.

Run: `python tools/make_health_table.py` (needs the extra `dev`). The counts depend a little on the muxers' version; the
tests hold the claims, this page shows the figures.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

PAGE = ROOT / "docs" / "health-checks.md"

BEFORE = """\
# Is this clip whole?

A card can be copied perfectly and still hold a clip that was never finished: battery pulled, card pulled, buffer
overrun. The only moment to learn of it is while the set is still standing. So the structure of every media file is
looked at: headers, indexes and tails, a few reads per file, no picture decoded.

- **damaged**: the structure is not whole. Tell the camera team now and keep the card; the picture data is often still
  there and may be recovered, from the card better than from any copy.
- **odd**: legal, or harmless as far as can be told, but not what a recorder usually writes. Look at the clip.
- **sound**: nothing is wrong with the structure. That is not a promise about the pictures: only looking at them is.
- **unknown**: there is no check for this kind of file, or it has more parts than are looked at.

Whatever the answer, every file is copied. A check changes nothing on the card.

"""

AFTER = """\

## How this was counted

Sound files come from real muxers (the forms that cameras and recorders write: index first or last, fragments, several
tracks, odd lengths, 64-bit sizes); those no muxer here can write (camera raw, some frames) are built from the facts of
their headers, so for them the table says how the check behaves, not how every camera does. Then each file was cut at
every border between its parts and at 200 random places, its header put back into the state of a recorder that died, its
index removed, its tail overwritten with zeros (1, 10 and 50 %), and every size in it made larger.

What the second table lists is what no look at structure can see. A wild track that ends in zeros may be silence; a
stream without an end mark may end between any two packets. The camera report, and somebody who looks at the pictures,
know more.
"""


def page() -> str:
    """The whole page, measured now."""
    from media.health_table import as_markdown, measure  # noqa: PLC0415 - found through the path set above

    rows = measure()
    misses = [miss for row in rows.values() for miss in row.misses]
    if misses:
        raise SystemExit("not seen, and not named as such:\n" + "\n".join(misses))
    return BEFORE + as_markdown(rows) + AFTER


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"wrote {PAGE.relative_to(ROOT)}")
