"""The clips' side of `may-wipe`: which clips on the card in hand are damaged, by memory and by looking.

What was looked into since the card last changed is remembered; all else is looked into now, for a while. A word that
the ledger ought to have and has not (a row that is gone, or holds nonsense) is a word that may have been *damaged*:
where the time does not suffice to look again, the card is kept.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from rollproof.ledger.entries import KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import LOOK_AT_ODD_CLIP, Finding, Kind, warning
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.proof.acceptance import Subject
from rollproof.reading.settings import Settings
from rollproof.storage.io import Io
from rollproof.workflows.may_wipe.card import CardInHand, keep
from rollproof.workflows.may_wipe.copies import CopyInView

_SECONDS = 60.0
_SECONDS_BY_LISTING = 1.0
"""The answer on an unchanged card comes at once; what is still unknown then was unknown when it was offloaded."""
_ODD_ONES_NAMED = 8
_WORDS = frozenset({"sound", "damaged", "unknown"})


@dataclass(slots=True)
class ClipsInHand:
    """What is known of the card's clips. `forgotten` are those of which nothing is known and something ought to be;
    `hangs` is whether a read still waits for the card."""

    damaged: set[str]
    forgotten: set[str] = field(default_factory=set)
    reasons: list[Finding] = field(default_factory=list)
    notes: list[Finding] = field(default_factory=list)
    hangs: bool = False


def judge_clips(
    io: Io,
    card: CardInHand,
    ledger: Ledger,
    offloads: Sequence[KnownOffload],
    *,
    by_listing: bool,
    settings: Settings,
    cancel: Cancel,
    seconds: float | None = None,
) -> ClipsInHand:
    """The damaged clips among those of the card in hand. Raises LedgerProblem, Interrupted."""
    known = ledger.clip_health(offload.id for offload in offloads)
    here = {clip.name for clip in card.clips}
    clips = card.clips
    if by_listing:
        clips = [clip for clip in clips if known.get(clip.name) not in ("sound", "damaged")]
    if seconds is None:
        seconds = _SECONDS_BY_LISTING if by_listing else _SECONDS
    remembered = ledger.damaged_clips({offload.roll_id for offload in offloads}) & here
    if not clips:
        return ClipsInHand(remembered)
    from rollproof.clips import check as clip_look  # noqa: PLC0415 - what reads pictures takes time to load

    found = clip_look.look_at_clips(
        io, card.root, card.snapshot, clips,
        clip_look.LookHow(
            clip_look.workers_for(card.volume), facts=False, sidecars=False,
            cancel=cancel, seconds=seconds, stall_seconds=settings.stall_seconds,
        ),
    )  # fmt: skip
    judged = ClipsInHand({look.clip.name for look in found.looks if look.state == "damaged"} | remembered)
    judged.hangs = found.hangs
    if found.complete:
        return judged
    unseen = {look.clip.name for look in found.looks if look.state == "unknown"}
    judged.forgotten = {name for name in unseen if offloads and known.get(name) not in _WORDS}
    judged.forgotten -= judged.damaged
    if left := [name for name in sorted(judged.forgotten) if not card.takes(Subject("clip", name))]:
        judged.reasons.append(_forgotten(left, card, by_listing=by_listing))
    judged.notes.append(
        warning(
            Kind.CLIP_NOT_CHECKED,
            "not every clip could be looked into in the time for it: whether all are whole is not known",
            remedy="look with: rollproof inspect CARD",
        )
    )
    return judged


def odd_when_offloaded(card: CardInHand, copies: Iterable[CopyInView]) -> list[Finding]:
    """Warnings about clips that the newest record of an attached copy calls odd: only the run that read every byte
    could see that a card answered with zeros. It keeps no card."""
    here = {inert(clip.name) for clip in card.clips}
    said: dict[str, str] = {}
    for view in copies:
        for finding in view.newest.findings if view.newest is not None else ():
            if finding.kind == Kind.ODD_CLIP and finding.path in here:
                said.setdefault(finding.path, finding.detail)
    names = sorted(said)
    found: list[Finding] = []
    for place, name in enumerate(names[:_ODD_ONES_NAMED], 1):
        left = len(names) - place if place == _ODD_ONES_NAMED else 0
        detail = f"when the card was offloaded, {inert(said[name])}" + (f"; and {left:,} more" if left else "")
        found.append(warning(Kind.ODD_CLIP, detail, path=name, remedy=LOOK_AT_ODD_CLIP, count=1 + left))
    return found


def _forgotten(names: Sequence[str], card: CardInHand, *, by_listing: bool) -> Finding:
    more = f" and of {len(names) - 1:,} more" if len(names) > 1 else ""
    remedy = (
        f"look with: rollproof inspect {shlex.quote(shown(card.path))}; then, for each that may stay as it is:"
        f" {card.asked.command(names[0])}"
    )
    return keep(
        Kind.CLIP_NOT_CHECKED,
        f"what the check said of the clip {inert(names[0])}{more} is lost, and it could not be looked into in time",
        "ask again with --reread: it looks for longer" if by_listing else remedy,
        path=inert(names[0]),
        count=len(names),
    )
