"""Copies and rolls that somebody else knows: other drives' records, permits and this station's ledger."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace

from rollproof.copies.location import place_on
from rollproof.copies.lost_records import loss_findings, losses_of
from rollproof.ledger.entries import BAD, DriveIdentity, KnownCopy, KnownRoll
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Kind, error, note
from rollproof.models.names import inert, shown, to_text
from rollproof.models.volumes import Volume
from rollproof.proof.devices import count_devices
from rollproof.proof.permits import CardUse, judge_permit, permit_words
from rollproof.proof.readings import speaks_against_memory
from rollproof.records.chain import compare_with_memory, newer_word
from rollproof.workflows.audit.copy import COUNTED, CopyLook, NamedCopy, PermitSeen, Place, Told
from rollproof.workflows.audit.rolls import Roll


@dataclass(slots=True)
class Others:
    """What is found by comparing with what others know."""

    told: list[Told] = field(default_factory=list)
    missing: set[str] = field(default_factory=set)
    """Names of rolls that are nowhere."""


class Known:
    """Looks up copies that are named elsewhere among those that were found."""

    def __init__(self, places: Sequence[Place], copies: Iterable[CopyLook]) -> None:
        self._places = places
        self._by_folder = {(copy.place.number, copy.on_volume): copy for copy in copies}
        self._said: set[tuple[int, str]] = set()
        self._away: dict[str, set[str]] = defaultdict(set)
        self.away_of: dict[str, list[NamedCopy]] = defaultdict(list)
        """Copies on drives that were not looked at (to the end), by the name of the roll; each drive once."""

    def compare(self, roll: Roll) -> None:
        """Say which copies of a roll others know that are not there, and whose records are others now."""
        for copy in roll.copies:
            for other in copy.others:
                self._one(roll, copy, other, f"the record on {copy.place.name}")
            for permit in copy.permits:
                for other in permit.counted:
                    self._one(roll, copy, other, f"the permit {permit.record} on {copy.place.name}")

    def _one(self, roll: Roll, teller: CopyLook, other: NamedCopy, whose: str) -> None:
        place = self._place(other)
        if place is None:
            if other.state != "failed" and not self._is_here(other):
                self._away[other.drive].add(roll.name)
            if not any(_is_one(each, other) for each in self.away_of[roll.name]):
                self.away_of[roll.name].append(other)
            return
        folders = _folders(other, place.volume)
        found = next((copy for folder in folders if (copy := self._by_folder.get((place.number, folder)))), None)
        if found is None or all(found is not copy for copy in roll.copies):
            key = (place.number, other.folder)
            if key not in self._said and other.state not in ("failed", "incomplete"):
                self._said.add(key)
                roll.say(_gone(roll, place, other.folder, whose, found))
            return
        if other.sha256 and found is not teller:
            for lost in compare_with_memory(found.chain, {other.sequence: [other.sha256]}, whose=whose):
                # one word for it is enough: the chain itself may show it, and each sibling remembers it
                if other.sequence >= found.read_number:
                    found.withdraw("records broken", lost.detail)
                if all(lost.kind is not earlier.finding.kind for earlier in found.told):
                    found.told.append(Told("custody", replace(lost, drive=shown(found.path)), roll.name))

    def _place(self, other: NamedCopy) -> Place | None:
        """The place that the copy would be seen in, when it was there."""
        places = [place for place in self._places if _is_volume(place.volume, other) and not place.lost]
        for place in places:
            if _covers(place, other.folder):
                return place
        for place in places:
            if any(_covers(place, each) for each in _folders(other, place.volume)):
                return place
        return None

    def _is_here(self, other: NamedCopy) -> bool:
        return any(_is_volume(place.volume, other) for place in self._places)

    def away(self, told: Collection[str] = ()) -> list[Told]:
        """One note for each drive that records name and that was not looked at; those that were `told` of have a
        finding already."""
        out = []
        for drive, rolls in sorted(self._away.items()):
            if drive in told:
                continue
            count = f"{len(rolls):,} {'roll' if len(rolls) == 1 else 'rolls'}"
            detail = f"records name copies of {count} on the drive {inert(drive)}, which was not looked at"
            remedy = "attach that drive too and audit them together, if its copies are to be known"
            finding = note(Kind.NOT_LOOKED_AT, detail, drive=inert(drive), remedy=remedy)
            out.append(Told("completeness", finding))
        return out


def _is_one(one: NamedCopy, other: NamedCopy) -> bool:
    return (one.device.key, one.serial, one.drive) == (other.device.key, other.serial, other.drive)


def _is_volume(volume: Volume, other: NamedCopy) -> bool:
    known = volume.device.key is not None or volume.serial is not None
    return known and (volume.device.key, volume.serial) == (other.device.key, other.serial)


def _folders(other: NamedCopy, volume: Volume) -> tuple[str, ...]:
    """Its folder from the top of the file system. Records of earlier versions counted from the mount point, which is
    another place where only a part of a file system is mounted: both are looked for."""
    root = to_text(volume.mount_root).strip("/")
    return (other.folder, f"{root}/{other.folder}") if root else (other.folder,)


def _covers(place: Place, folder: str) -> bool:
    top = to_text(place_on(place.volume, place.path))
    inside = not top or folder == top or folder.startswith(top + "/")
    start = top + "/" if top else ""
    return inside and not any(folder.startswith(f"{start}{to_text(below)}/") for below in place.elsewhere)


def _gone(roll: Roll, place: Place, folder: str, whose: str, instead: CopyLook | None) -> Told:
    name = inert(roll.name)
    said = f"{whose} knows a copy of roll {name} in {inert(folder)} on {place.name}, and it is not there"
    if instead is not None:
        said += f": roll {inert(instead.roll)} lies there"
    elsewhere = [copy for copy in roll.copies if copy.place is place and copy.on_volume != folder and copy.has_content]
    if elsewhere:
        said += f"; on that drive the roll lies in {inert(elsewhere[0].on_volume)}"
    finding = error(
        Kind.COPY_MISSING,
        said,
        path=inert(folder),
        drive=place.name,
        remedy="look whether somebody moved or removed it; keep every other copy, and the card",
    )
    return Told("completeness", finding, roll.name)


# --- permits


def permits(roll: Roll, uses: Sequence[CardUse]) -> None:
    """Say whether a roll's card was permitted to be wiped on too little proof, or never, or was used again since;
    `uses` are those of all cards."""
    given = [permit for copy in roll.copies for permit in copy.permits if not permit.withdrawn]
    said: set[str] = set()
    for permit in given:
        lacking = _lacking(permit)
        if lacking and lacking not in said:
            said.add(lacking)
            finding = error(
                Kind.PERMIT_TOO_EARLY,
                f"the card of roll {inert(roll.name)} was permitted to be wiped on too little proof: {lacking}",
                path=permit.record,
                remedy="if the card still holds the roll, keep it and offload it again; find out how this came about",
            )
            roll.say(Told("completeness", finding, roll.name))
    newest = max(given, key=lambda permit: permit.written_at, default=None)
    if newest is not None and judge_permit(newest.use, uses) == "used again":
        roll.permit_used_again = True
        said_of_it = permit_words("used again", f"{newest.written_at.astimezone():%Y-%m-%d %H:%M}")
        finding = note(
            Kind.NO_PERMIT,
            f"the card of roll {inert(roll.name)}: {said_of_it}",
            remedy="with the card at hand, before it is formatted: rollproof may-wipe CARD",
        )
        roll.say(Told("completeness", finding, roll.name))
    if not given and any(copy.has_records for copy in roll.copies):
        detail = f"no permit says that the card of roll {inert(roll.name)} may be wiped"
        remedy = "keep that card exposed; with it at hand: rollproof may-wipe CARD"
        finding = note(Kind.NO_PERMIT, detail, remedy=remedy)
        roll.say(Told("completeness", finding, roll.name))


def _lacking(permit: PermitSeen) -> str:
    good = [copy for copy in permit.counted if copy.state == "proven" and copy.readback in permit.accepted_evidence]
    devices = count_devices(copy.device for copy in good)
    if devices >= permit.required:
        return ""
    counted = f"it counted {len(permit.counted)} {'copy' if len(permit.counted) == 1 else 'copies'}"
    if len(good) < len(permit.counted):
        counted += f", {len(good)} of them proven"
    elif devices < len(good):
        counted += " on one device" if devices == 1 else f" on {devices} devices"
    return f"{counted}; {permit.required} are required"


# --- the ledger


def compare_with_ledger(
    ledger: Ledger, places: Sequence[Place], copies: Sequence[CopyLook], productions: Collection[str]
) -> Others:
    """What this station remembers of drives and productions, and does not find. Raises LedgerProblem."""
    found = Others()
    by_place = {(copy.place.number, place_on(copy.place.volume, copy.path)): copy for copy in copies}
    names = {roll.id: roll for roll in ledger.rolls()}
    gone: set[int] = set()
    seen: set[int] = set()
    for place in places:
        if place.lost:
            continue
        for known in ledger.copies_on(DriveIdentity.of(place.volume)):
            copy = by_place.get((place.number, known.folder))
            roll = names.get(known.roll_id)
            if copy is not None and (roll is None or not copy.has_records or copy.roll == roll.name):
                seen.add(known.roll_id)
                _compare_copy(ledger, known, copy)
            elif known.gone_at is None and _covers(place, to_text(known.folder)):
                gone.add(known.roll_id)
    there = {(copy.production, copy.roll) for copy in copies if copy.has_content and copy.state != "record only"}
    whole = any(place.volume.is_mount_root for place in places)
    for roll in names.values():
        if (roll.production, roll.name) in there or (None, roll.name) in there or roll.id in seen:
            continue
        if (roll.id in gone or whole) and (roll.production or "") in productions:
            found.missing.add(roll.name)
            found.told.append(_nowhere(ledger, roll))
    return found


def _compare_copy(ledger: Ledger, known: KnownCopy, copy: CopyLook) -> None:
    """What this station remembers of a copy that is there: its records, and the last word on it."""
    remembered = ledger.digests_of(known.id)
    losses = losses_of(ledger, known.id, copy.chain, copy.founder)
    by_itself = {told.finding.kind for told in copy.told}
    said = [each for each in loss_findings(losses, shown(copy.path)) if each.kind not in by_itself]
    copy.offloads_lost = losses.all_offloads
    # what was lost before a full clean verify takes nothing away from the copy any more; it is told all the same
    unsettled = compare_with_memory(copy.chain, remembered)
    if not losses.lost:  # the records of an earlier copy in this folder, until this one was verified
        said += [replace(each, drive=shown(copy.path)) for each in unsettled]
    copy.told += [Told("custody", each, copy.roll) for each in said]
    if unsettled or copy.offloads_lost:
        copy.withdraw("records broken", next((each.detail for each in [*unsettled, *said]), ""))
    if unsettled or copy.offloads_lost or copy.state not in COUNTED:
        return
    if (known.gone_at is not None or known.state in BAD) and not newer_word(copy.chain, remembered):
        failed = known.state == "failed"
        why = "its drive was seen without it" if known.gone_at is not None else inert(known.why) or known.state
        copy.withdraw("damaged" if failed else "copied", f"this station last found: {why}")
        finding = error(
            Kind.DIFFERS if failed else Kind.NOT_PROVEN,
            f"this station last found: {why}; no record on the drive tells of it",
            drive=shown(copy.path),
            remedy="keep the other copies and the card, and verify this one",
        )
        copy.told.append(Told("copies", finding, copy.roll))


def _remembered(copy: KnownCopy) -> str:
    unsettled = speaks_against_memory(copy.state, copy.unsettled)
    return inert(copy.name or copy.drive.drive) + (f" ({inert(unsettled)})" if unsettled else "")


def _nowhere(ledger: Ledger, roll: KnownRoll) -> Told:
    where = sorted({_remembered(copy) for copy in ledger.copies_of(roll.id)})
    last = f"; it remembers copies on {', '.join(where)}" if where else ""
    day = f" of {inert(roll.day)}" if roll.day else ""
    count = f"{roll.files:,} {'file' if roll.files == 1 else 'files'}"
    finding = error(
        Kind.ROLL_MISSING,
        f"this station knows the roll {inert(roll.name)}{day}, {count}, and it is on none of these drives{last}",
        remedy="keep its card; find its drive, and audit that one with the others",
    )
    return Told("completeness", finding, roll.name)
