"""From copies to rolls: which copies are of one roll, how many of them count, and what the roll's state is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from rollproof.copies.recorded import side_by_side
from rollproof.models.audit_results import RollState
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Kind, error, note, warning
from rollproof.models.names import inert, shown
from rollproof.proof.devices import as_one, count_devices
from rollproof.proof.policy import COPIES_REQUIRED, Required, Rules, copies_required, strictest
from rollproof.storage.io import Io
from rollproof.workflows.audit.copy import COUNTED, CopyLook, Told
from rollproof.workflows.audit.listed import copy_files

_SAID = {"reread": "read again", "copied": "not proven"}
_BAD = ("damaged", "incomplete", "records broken", "record only")


@dataclass(slots=True)
class Roll:
    """One roll and its copies, in the order of the drives. `required` is how many proven copies are asked for,
    `required_by` the record that asks for more than today's rules do."""

    name: str
    copies: list[CopyLook]
    required: int = COPIES_REQUIRED
    required_by: str = ""
    told: list[Told] = field(default_factory=list)
    permit_used_again: bool = False
    """Whether its card was used since the newest permit for it."""

    @property
    def best(self) -> CopyLook:
        """The copy that says most of the roll: one that counts, else one with records."""
        return min(
            self.copies, key=lambda copy: (copy.state not in COUNTED, not copy.has_records, not copy.has_content)
        )

    @property
    def production(self) -> str | None:
        """The production, if any copy's records name it."""
        return next((copy.production for copy in self.copies if copy.production is not None), None)

    @property
    def day(self) -> str | None:
        """The shooting day, if any copy's records name it."""
        return next((copy.day for copy in self.copies if copy.day is not None), None)

    @property
    def unit(self) -> str | None:
        """The unit, if any copy's records name it."""
        return next((copy.unit for copy in self.copies if copy.unit is not None), None)

    @property
    def counted(self) -> int:
        """Proven copies, each physical device once, all unknown devices as one."""
        counting = (copy for copy in self.copies if copy.state in COUNTED and not copy.apart)
        return count_devices(copy.place.volume.device for copy in counting)

    @property
    def state(self) -> RollState:
        """What the roll is worth."""
        if not any(copy.has_content and copy.state != "record only" for copy in self.copies):
            return "missing"
        if any(copy.state in _BAD for copy in self.copies) or any(
            told.finding.kind in (Kind.COPIES_DISAGREE, Kind.NOT_IN_EVERY_COPY) for told in self.told
        ):
            return "damaged"
        return "proven" if self.counted >= self.required else "too few copies"

    def say(self, told: Told) -> None:
        """Note a finding about the roll."""
        self.told.append(told)


def rolls_of(io: Io, copies: Iterable[CopyLook], rules: Rules) -> list[Roll]:
    """The copies, gathered into rolls; `rules` are today's."""
    by_name: dict[str, list[CopyLook]] = {}
    for copy in copies:
        by_name.setdefault(copy.roll, []).append(copy)
    rolls: list[Roll] = []
    for name, namesakes in by_name.items():
        for group in _groups(io, namesakes):
            asked = [Required(copy.copies_required, f"the record on {inert(copy.place.name)}") for copy in group]
            theirs = next((copy.production for copy in group if copy.production is not None), None)
            today = rules.required_of(theirs)
            number = copies_required(today, (each.copies for each in asked))
            stricter = strictest(today or COPIES_REQUIRED, asked)
            rolls.append(Roll(name, group, number, stricter.source if stricter.copies == number else ""))
    return rolls


def _groups(io: Io, copies: Sequence[CopyLook]) -> list[list[CopyLook]]:
    """Copies of one name in groups of one roll each; those without papers go to the first."""
    groups: list[list[CopyLook]] = []
    for surely in (_surely_one, _one_card, lambda one, other: _alike(io, one, other)):
        groups = _joined(groups or [[copy] for copy in copies if copy.has_content], surely)
    without = [copy for copy in copies if not copy.has_content]
    if without and not groups:
        return [without]
    for copy in without:
        near = next((group for group in groups if any(each.on_volume == copy.on_volume for each in group)), groups[0])
        near.append(copy)
    for group in groups:
        group.sort(key=lambda copy: (copy.place.number, copy.folder))
    return groups


def _joined(groups: list[list[CopyLook]], same: Callable[[CopyLook, CopyLook], bool]) -> list[list[CopyLook]]:
    out: list[list[CopyLook]] = []
    for group in groups:
        found = next((other for other in out if same(other[0], group[0])), None)
        if found is None:
            out.append(list(group))
        else:
            found += group
    return out


def _surely_one(one: CopyLook, other: CopyLook) -> bool:
    """One listing of one card, or the same content throughout."""
    if not _may_be_one(one, other):
        return False
    if one.listing and one.listing == other.listing:
        return True
    return any(other.digests.get(name) == text for name, text in one.digests.items())


def _one_card(one: CopyLook, other: CopyLook) -> bool:
    """One card, by its volume's serial: a roll that was added to."""
    return _may_be_one(one, other) and one.serial is not None and one.serial == other.serial


def _may_be_one(one: CopyLook, other: CopyLook) -> bool:
    return one.production == other.production or None in (one.production, other.production)


def _alike(io: Io, one: CopyLook, other: CopyLook) -> bool:
    """Whether at least half of the smaller one's files have the other's names and sizes."""
    if not _may_be_one(one, other):
        return False
    counts, both = [0, 0], 0
    try:
        with (
            copy_files(io, one) as first,
            copy_files(io, other) as second,
        ):
            for _, there in side_by_side([first, second]):
                for number in there:
                    counts[number] += 1
                sizes = {each.size for each in there.values()} - {None}
                both += len(there) == 2 and len(sizes) < 2
    except (UntrustedInput, OSError):
        return True  # its own finding says that it cannot be read; nothing speaks for a second roll
    return 2 * both >= min(counts)


def too_few(roll: Roll) -> Told | None:
    """The finding for a roll with fewer proven copies than are asked for; where no copy has papers, their own findings
    say enough."""
    if roll.counted >= roll.required or not any(copy.has_content for copy in roll.copies):
        return None
    count = f"{roll.counted} proven {'copy counts' if roll.counted == 1 else 'copies count'}"
    states = "; ".join(f"{_SAID.get(copy.state, copy.state)} on {copy.place.name}" for copy in roll.copies)
    remedy = f"keep its card, and copy roll {inert(roll.name)} to another drive on a device of its own"
    if any(copy.state == "listed" and not copy.was_compared for copy in roll.copies):
        remedy = "audit again with --reread: that compares the listed copies with their checksum files"
    elif any(copy.state == "copied" or copy.apart for copy in roll.copies):
        remedy = "audit again with --reread, or verify the copies that are not proven"
    detail = f"roll {inert(roll.name)}: {count}, {Required(roll.required, roll.required_by).words} ({states})"
    proven = sum(copy.state in COUNTED and not copy.apart for copy in roll.copies)
    if proven > roll.counted:
        detail += "; copies count once for each physical device, those on unknown devices together as one"
    return Told("copies", error(Kind.TOO_FEW_COPIES, detail, remedy=remedy), roll.name)


def same_device(rolls: Iterable[Roll]) -> list[Told]:
    """One finding for each set of drives that are one device and hold the same rolls."""
    shared: dict[tuple[str, ...], int] = {}
    for roll in rolls:
        counting = [copy.place for copy in roll.copies if copy.state in COUNTED]
        for group in as_one([place.volume.device for place in counting]):
            here = {counting[number].name for number in group}
            if len(here) > 1:
                key = tuple(sorted(here))
                shared[key] = shared.get(key, 0) + 1
    out = []
    for names, count in sorted(shared.items()):
        what = f"{' and '.join(names)} lie on one physical device (or on devices that could not be told apart)"
        detail = f"{what}: their copies of {count:,} {'roll' if count == 1 else 'rolls'} count once"
        remedy = "one fault of that device loses both: copy these rolls to a device of its own"
        out.append(Told("copies", warning(Kind.SAME_DEVICE, detail, remedy=remedy)))
    return out


def twice_on_a_drive(rolls: Iterable[Roll]) -> Iterator[Told]:
    """One note for each roll that lies on a drive more than once: somebody copied its folder by hand, perhaps."""
    for roll in rolls:
        by_place: dict[int, list[CopyLook]] = {}
        for copy in roll.copies:
            if copy.has_content and copy.state != "record only":
                by_place.setdefault(copy.place.number, []).append(copy)
        for copies in by_place.values():
            if len(copies) > 1:
                folders = " and ".join(shown(copy.folder) or "its top" for copy in copies)
                detail = f"roll {inert(roll.name)} lies on {copies[0].place.name} {len(copies):,} times, in {folders}"
                remedy = "the copies on one device count once: look which of them the offload made"
                finding = note(Kind.SAME_DEVICE, detail, drive=copies[0].place.name, remedy=remedy)
                yield Told("copies", finding, roll.name)
