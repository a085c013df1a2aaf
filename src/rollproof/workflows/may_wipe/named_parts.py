"""What the card holds that no listing shows, judged: footage among it keeps the card until it is accepted by name."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rollproof.card.named_parts import SMALL_ONES, PartsFound, could_not_look, not_shown, words_of
from rollproof.models.findings import Finding, Kind, error, note
from rollproof.proof.acceptance import Subject
from rollproof.proof.streams import Sight, keeps


def about_named_parts(
    found: PartsFound, file_system: str, takes: Callable[[Subject], bool], command: Callable[[str], str]
) -> Iterator[Finding]:
    """Errors are reasons to KEEP. `takes` notes what may be accepted and returns whether it is, `command` is the
    command that would accept a name."""
    if found.sight is Sight.NOT_SHOWN:
        yield from not_shown(file_system)
    for part in found.parts:
        if keeps(part) and not takes(Subject("stream", part.whole)):
            yield error(
                Kind.NAMED_PARTS,
                f"{words_of(part)}, lies on no drive: no listing shows it, and no offload copies it",
                path=part.whole,
                remedy=f"look at it on the kind of computer that wrote it; if nobody needs it: {command(part.whole)}",
            )
    for path, why in found.unread:
        yield error(Kind.NAMED_PARTS, could_not_look(why), path=path, remedy="reseat the card and ask again")
    small = [part.whole for part in found.parts if not keeps(part)]
    if small:
        yield note(
            Kind.NAMED_PARTS, f"{SMALL_ONES}: on no drive, and too small for footage", path=small[0], count=len(small)
        )
