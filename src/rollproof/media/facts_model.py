"""The facts of a clip as a value; `facts` reads them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Facts:
    """Facts of one clip; whatever is unknown is None or empty. Text is untrusted: show it inert.

    `start_timecode` is `hh:mm:ss:ff` (`;` before the frames where frames are dropped). `scene`, `take` and `reel` as
    recorded. `note` says why facts are missing, e.g. that the extra `media` is not installed.
    """

    duration_seconds: Fraction | None = None
    start_timecode: str = ""
    frame_rate: Fraction | None = None
    width: int | None = None
    height: int | None = None
    codec: str = ""
    reel: str = ""
    scene: str = ""
    take: str = ""
    channels: int | None = None
    sample_rate: int | None = None
    note: str = ""
