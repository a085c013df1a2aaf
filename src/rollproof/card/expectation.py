"""What the camera report says should be on the card, against what is there."""

from __future__ import annotations

from collections.abc import Sequence

from rollproof.card.clips import first_and_last, natural_key
from rollproof.models.clip_names import names_clip
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import inert
from rollproof.models.tree import Clip
from rollproof.tree.suffixes import ESSENCE

_REMEDY = "look at the camera report and at the card in hand before anything is copied or wiped"


def expectation_findings(clips: Sequence[Clip], expect_clips: int | None, expect_last: str | None) -> list[Finding]:
    """An error for a number of clips other than `expect_clips`, and for a last clip other than `expect_last`.

    `expect_last` may leave out what the camera adds behind the counter: `A003C023` stands for
    `A003C023_260514_R1BF`; case and a media suffix do not matter. None expects nothing.
    """
    findings: list[Finding] = []
    if expect_clips is not None and len(clips) != expect_clips:
        findings.append(
            _error("", f"the camera report says {_clips(expect_clips)}, the card holds {_clips(len(clips))}")
        )
    if expect_last is not None:
        findings.extend(_last(clips, expect_last.strip()))
    return findings


def _last(clips: Sequence[Clip], expected: str) -> list[Finding]:
    ends = first_and_last(clips)
    shown = inert(expected)
    if ends is None:
        return [_error("", f"the camera report says that the last clip is {shown}, the card holds no clip")]
    wanted = _without_suffix(expected)
    last = ends[1]
    if any(_is(clip, wanted) and natural_key(clip.name) == natural_key(last.name) for clip in clips):
        return []
    if not any(_is(clip, wanted) for clip in clips):
        return [
            _error(
                last.name,
                f"the camera report says that the last clip is {shown}; it is not on the card, whose last clip is"
                f" {inert(last.name)}",
            )
        ]
    return [
        _error(
            last.name,
            f"the camera report says that the last clip is {shown}; the card holds it, and after it up to"
            f" {inert(last.name)}",
        )
    ]


def _is(clip: Clip, wanted: str) -> bool:
    return names_clip(wanted, clip.name)


def _without_suffix(expected: str) -> str:
    stem, _, suffix = expected.rpartition(".")
    if stem and suffix.encode("utf-8", "replace").lower() in ESSENCE:
        expected = stem
    return expected.casefold()


def _clips(number: int) -> str:
    return "1 clip" if number == 1 else f"{number:,} clips"


def _error(path: str, detail: str) -> Finding:
    return error(Kind.EXPECTED_CLIPS, detail, path=path, remedy=_REMEDY)
