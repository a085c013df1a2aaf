"""What a clip says about itself, for people: helpful, never needed for a proof."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from rollproof.media.source import Source


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


def read_facts(source: Source, name: bytes) -> Facts:
    """The facts of one file. `name` only says which kind to expect. Failure is a `note`, never an exception.

    Reads only through `source`: no path is opened and no reference in the file is followed.
    """
    return Facts(note="nothing is known of this kind of file")
