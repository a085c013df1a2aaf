"""Clones among the drives of an audit: which they are, and what they and their originals are called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rollproof.models.findings import Finding, Kind, note, warning
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.proof.clones import CloneFacts, Likeness, VolumeOnDevice, likeness
from rollproof.workflows.audit.copy import COUNTED, CopyLook, Place


@dataclass(slots=True)
class Clone:
    """A drive that is a clone, or may be one. `original` is what people call the drive that it is like."""

    place: Place
    original: str
    likeness: Likeness
    beside: Place | None
    """The original, where it is among the drives."""
    copies: list[CopyLook]

    @property
    def is_sure(self) -> bool:
        """Whether the original was seen at the same time."""
        return self.likeness is Likeness.CLONE

    def finding(self) -> Finding:
        """What is said of it where no roll lacks copies for it."""
        where = shown(self.place.path)
        if not self.is_sure:
            detail, remedy = f"{self.words()}; nothing on it is proven until it is read there", self.remedy()
            return warning(Kind.OTHER_DEVICE, detail, drive=self.place.name, remedy=remedy)
        at = f", which is mounted at {shown(self.beside.path)}" if self.beside is not None else ""
        detail = f"the drive at {where} is a clone of {self.original}{at}"
        if all(copy.state in COUNTED for copy in self.copies if copy.has_content):
            return note(Kind.OTHER_DEVICE, f"{detail}; its copies were read there", drive=self.place.name)
        return warning(
            Kind.OTHER_DEVICE,
            f"{detail}; what was never read on it is not proven there",
            drive=self.place.name,
            remedy=f"take it out where {self.original} is meant; to let it count as a drive of its own, verify it",
        )

    def words(self) -> str:
        """What it is, where the original is not attached."""
        return (
            f"the drive at {shown(self.place.path)} is a clone of {self.original}, or {self.original} in another case:"
            " its volume is the same, and the device is another one"
        )

    def remedy(self) -> str:
        """What to do then."""
        return f"attach {self.original} itself; where this one is to count, verify it or audit again with --reread"


def find_clones(places: Sequence[Place], copies: Sequence[CopyLook]) -> list[Clone]:
    """The drives that are clones; each gets a name that says so, and its original keeps its own."""
    found = []
    for place in places:
        here = [copy for copy in copies if copy.place is place]
        others = [other for other in places if other is not place]
        facts = CloneFacts(
            _id(place.volume),
            frozenset(each for copy in here for each in copy.offloaded_to),
            frozenset(copy.newest_on for copy in here if copy.newest_on is not None),
            frozenset(_id(other.volume) for other in others),
        )
        kind = likeness(facts)
        if kind is Likeness.ITSELF:
            continue
        beside = next((other for other in others if _id(other.volume) in facts.offloaded_to), None)
        called = next((copy.called for copy in here if copy.called), "")
        found.append(Clone(place, inert(place.volume.label or called) or place.name, kind, beside, here))
    for clone in found:
        clone.place.name = _unlike(
            f"clone of {clone.original}" if clone.is_sure else f"clone of {clone.original}?", clone, places
        )
        if clone.beside is not None:
            clone.beside.name = _unlike(clone.original, clone, places, but=clone.beside)
    return found


def _unlike(name: str, clone: Clone, places: Sequence[Place], *, but: Place | None = None) -> str:
    """The name, with the path where another drive has it."""
    own = but if but is not None else clone.place
    taken = any(other.name == name for other in places if other is not own)
    return f"{name} ({shown(own.path)})" if taken else name


def _id(volume: Volume) -> VolumeOnDevice:
    return VolumeOnDevice(volume.serial, volume.device.key)
