"""Which production file rules an offload: never one on the card, one on a destination only when it is named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rollproof.drives.interface import Drives
from rollproof.drives.system_place import is_at_or_below, is_one_of, own_volumes
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import shown
from rollproof.models.requests import Cancel
from rollproof.proof.policy import may_rule
from rollproof.station.rules import not_used, on_one_device
from rollproof.storage.deadline import Guard, Patience
from rollproof.storage.watch import NoAnswer

_ANSWER_SECONDS = 20.0


@dataclass(frozen=True, slots=True)
class FileInPlace:
    """Where a production file lies: the sources and the destinations of the offload that it lies on."""

    path: bytes
    sources: tuple[bytes, ...] = ()
    destinations: tuple[bytes, ...] = ()

    def may_rule(self, *, named: bool) -> bool:
        """Whether it rules; a source that turns out to be a card is refused by `on_the_card`."""
        return may_rule(named=named, on_card=False, on_drive=bool(self.sources or self.destinations))

    def not_used(self) -> Finding:
        """The note for a file that does not rule."""
        return not_used(self.path, "the card that is offloaded" if self.sources else "a drive that is copied to")


def file_in_place(path: bytes, sources: Sequence[bytes], destinations: Iterable[bytes], drives: Drives) -> FileInPlace:
    """Look where a production file lies. On the computer's own disk only the folder itself is a card or a drive.

    A place that does not answer within seconds does not hold a file that was just read.
    """
    guard = Guard(Patience(_ANSWER_SECONDS, _ANSWER_SECONDS, _ANSWER_SECONDS), Cancel())

    def lies(place: bytes) -> bool:
        try:
            return guard.run_whole(lambda: _lies_on(path, place, drives))
        except NoAnswer:
            return False

    return FileInPlace(path, tuple(filter(lies, sources)), tuple(filter(lies, destinations)))


def on_the_card(path: bytes, card: bytes) -> Finding:
    """The refusal of a card that holds the production file by which it would be offloaded."""
    return error(
        Kind.OTHER_PRODUCTION,
        f"the production file {shown(path)} lies on the card itself: a card never says how it is offloaded",
        path=shown(card),
        remedy="name the production's own file with --production FILE, or keep a copy of this one on the computer",
    )


def _lies_on(path: bytes, place: bytes, drives: Drives) -> bool:
    if is_at_or_below(path, [place]):
        return True
    try:
        volume, there = drives.volume_of(path), drives.volume_of(place)
    except OSError:
        return False
    return on_one_device(volume, there) and not is_one_of(volume, own_volumes(drives))
