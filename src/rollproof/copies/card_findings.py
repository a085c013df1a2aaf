"""What the records of a copy tell of its card that nobody may forget, and what a person has accepted of it."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from rollproof.card.roll_name import CLIP_NAME
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, to_text
from rollproof.proof.on_the_card import Acceptance, CardFinding, ClipContents
from rollproof.records.chain import Chain
from rollproof.records.models import AcceptHeader, OffloadHeader, PermitHeader, WithdrawHeader
from rollproof.records.read import iter_clips
from rollproof.storage.io import Io
from rollproof.tree.suffixes import is_essence, split_name

_FRAME = re.compile(r"[.][0-9]{3,}$")


@dataclass(slots=True)
class OnTheCard:
    """What was odd on the card, and what was accepted, by the records of one copy."""

    findings: list[CardFinding] = field(default_factory=list)
    acceptances: list[Acceptance] = field(default_factory=list)


def on_the_card(io: Io, handle: int, chain: Chain, roll: str) -> OnTheCard:
    """Read it from the records of an open roll folder. Raises BadRecord, OSError."""
    found = OnTheCard()
    health: dict[str, str] = {}
    gaps: dict[str, CardFinding] = {}
    withdrawn = {link.header.withdraws.sequence for link in chain.links if isinstance(link.header, WithdrawHeader)}
    for link in chain.links:
        header = link.header
        if link.state in ("foreign", "newer"):
            continue
        if isinstance(header, OffloadHeader):
            if not header.of_copy:
                gaps = {each.name: each for each in _gaps(header, roll)}  # the newest listing of the card decides
            for clip in iter_clips(io, handle, link.name):
                health[clip.name] = clip.health
        elif isinstance(header, AcceptHeader):
            found.acceptances += [
                Acceptance(each.kind, each.name, header.by.name, header.reason) for each in header.accepted
            ]
        elif isinstance(header, PermitHeader) and link.sequence not in withdrawn:
            found.acceptances += [Acceptance("", each.path, header.by.name, each.reason) for each in header.accepted]
    found.findings += [damaged_clip(name) for name, word in sorted(health.items()) if word == "damaged"]
    found.findings += gaps.values()
    return found


def damaged_clip(name: str) -> CardFinding:
    """The finding about a clip that was damaged on its card."""
    return CardFinding(
        Kind.DAMAGED_CLIP, name, f"the clip {inert(name)} was damaged on its card, and so is every copy of it"
    )


def _gaps(header: OffloadHeader, roll: str) -> list[CardFinding]:
    """Older records name no clip: such a gap goes by the name of the roll."""
    return [
        CardFinding(Kind.CLIP_NUMBERS_GAP, each.path or f"{roll}-numbers", inert(each.detail))
        for each in header.findings
        if each.kind == Kind.CLIP_NUMBERS_GAP and each.severity != "note"
    ]


def add_clip(contents: ClipContents, path: bytes, hashes: Mapping[str, str]) -> None:
    """Take in a file of a roll, if it is the essence of a clip whose name a camera gives once in a production: one that
    begins with the roll. (Other cameras begin at one on every card.)"""
    name = path.rpartition(b"/")[2]
    if not is_essence(name):
        return
    stem = _FRAME.sub("", to_text(split_name(name)[0]))
    if CLIP_NAME.match(stem) is not None:
        contents.add(stem, hashes)


def as_warnings(found: Iterable[CardFinding], copy: str) -> list[Finding]:
    """The findings where they take nothing away from the copies: at a handover and on arrival. `copy` is a path."""
    return [
        Finding(each.kind, Severity.WARNING, inert(each.name), each.detail, copy, _remedy(copy, inert(each.name)))
        for each in found
    ]


def _remedy(copy: str, name: str) -> str:
    command = shlex.join(["rollproof", "audit", copy, "--accept", name, "--reason", "REASON", "--by", "NAME"])
    return f"tell whoever works with it next; to accept it, name every drive with the roll: {command}"
