"""What messages call the source of an offload: a card in its reader, or a recorded copy on a drive."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SourceWords:
    """Words that fit into any message: `name` (`the card`), what to `keep`, and what to do when it reads badly:
    `again` before the command is run once more, `other` where that may not be enough."""

    name: str
    keep: str
    again: str
    other: str


CARD = SourceWords(
    name="the card",
    keep="keep the card",
    again="reseat it in its reader",
    other="try another reader",
)
RECORDED_COPY = SourceWords(
    name="the copy that is read",
    keep="keep every other copy of this roll, and its card",
    again="check the cable of the drive it is on",
    other="take another copy of this roll as the source",
)
