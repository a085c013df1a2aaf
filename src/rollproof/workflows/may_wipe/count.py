"""Counting for `may-wipe`: for every file on the card, how many devices hold a proven copy of just this content."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rollproof.ledger.entries import KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.models.counting import count_of
from rollproof.models.file_table import find_file
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.names import inert, shown
from rollproof.models.results import WipeRoll
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.proof.acceptance import Subject
from rollproof.proof.devices import count_devices
from rollproof.proof.policy import Required, Rules, strictest
from rollproof.workflows.may_wipe.asked_for import AskedFor
from rollproof.workflows.may_wipe.card import CardInHand, keep
from rollproof.workflows.may_wipe.copies import CopyInView, Counting

FEWER = Subject("word", "fewer-copies")
"""Accepted: today's number of copies holds, though a record asks for more. Today's own number is no subject."""


@dataclass(slots=True)
class Count:
    """What came of it. `used` are the copies that count for at least one file; `reasons` speak for KEEP."""

    reasons: list[Finding] = field(default_factory=list)
    used: list[CopyInView] = field(default_factory=list)
    rolls: list[WipeRoll] = field(default_factory=list)
    new: list[FileEntry] = field(default_factory=list)


def count_copies(
    card: CardInHand,
    ledger: Ledger,
    offloads: Sequence[KnownOffload],
    copies: Sequence[CopyInView],
    hashes: Mapping[bytes, Mapping[str, str]],
    rules: Rules,
    *,
    passed_over: frozenset[bytes],
) -> Count:
    """Judge every file of the card but those a person took upon themselves (`passed_over`).

    `hashes` are what the card holds, as it was read: now, or by this station when nothing changed since.
    """
    files = card.snapshot.files
    known = _recorded(ledger, offloads, hashes, files)
    required_by = _required(offloads, copies, rules)
    if any(asked.source for asked in required_by.values()) and card.takes(FEWER):
        required_by = {roll: Required(rules.copies_required) for roll in required_by}

    def holds(view: CopyInView, entry: FileEntry) -> bool:
        row = view.rows.get(entry.path)
        if row is None or not row.proven or row.size != entry.size:
            return False
        read = hashes.get(entry.path, {})
        shared = read.keys() & row.hashes.keys()
        return bool(shared) and all(read[name] == row.hashes[name] for name in shared)

    counting = Counting(copies, holds)
    result = Count()
    used: dict[int, CopyInView] = {}
    fewest: dict[int, int] = {}
    files_of_roll: dict[int, int] = defaultdict(int)
    short: dict[tuple[int, Required], list[FileEntry]] = defaultdict(list)
    unattached: list[FileEntry] = []
    for number, entry in enumerate(files):
        if entry.path in passed_over:
            continue
        rolls = known(number)
        counted = counting.of(entry)
        used |= {id(view): view for view in counted}
        concerned = {*rolls, *(view.roll_id for view in counted)}
        required = strictest(rules.copies_required, (required_by[roll] for roll in sorted(concerned)))
        for roll in concerned:
            files_of_roll[roll] += 1
            fewest[roll] = min(fewest.get(roll, len(counted)), len(counted))
        if not concerned:
            result.new.append(entry)
        elif len(counted) < required.copies:
            short[len(counted), required].append(entry)
        elif not any(view.attached and view.readback is Evidence.MEDIUM for view in counted):
            unattached.append(entry)
    result.used = list(used.values())
    result.reasons += _about_new(card, result.new, offloads)
    result.reasons += _about_short(short, copies, rules.copies_required, card.asked)
    if unattached:
        result.reasons.append(
            keep(
                Kind.NONE_ATTACHED,
                "no counted copy that was read back from its medium is attached",
                "attach one of the proven drives and ask again",
                path=shown(unattached[0].path),
                count=len(unattached),
            )
        )
    names = {offload.roll_id: offload for offload in offloads}
    result.rolls = [
        WipeRoll(
            roll=names[roll].roll,
            production=names[roll].production,
            files=files_of_roll[roll],
            copies_counted=fewest[roll],
            copies_required=required_by[roll].copies,
            required_by=required_by[roll].source,
        )
        for roll in names
        if roll in files_of_roll
    ]
    return result


def _recorded(
    ledger: Ledger,
    offloads: Sequence[KnownOffload],
    hashes: Mapping[bytes, Mapping[str, str]],
    files: Sequence[FileEntry],
) -> Callable[[int], tuple[int, ...]]:
    """For each file of the card, by number, the rolls in which it was recorded with this very content, whatever the
    copies are worth now. Files of the same rolls share one answer."""
    answers: list[tuple[int, ...]] = [()]
    places: dict[tuple[int, ...], int] = {(): 0}
    known = array("L", [0]) * len(files)
    for offload in offloads:
        for file in ledger.files_of(offload.id):
            number = find_file(files, file.path) if file.hash_text is not None else None
            if number is None or files[number].size != file.size:
                continue
            before = answers[known[number]]
            if offload.roll_id in before or hashes.get(file.path, {}).get(file.algorithm) != file.hash_text:
                continue
            answer = (*before, offload.roll_id)
            known[number] = places.setdefault(answer, len(answers))
            if known[number] == len(answers):
                answers.append(answer)
    return lambda number: answers[known[number]]


def _required(offloads: Sequence[KnownOffload], copies: Sequence[CopyInView], rules: Rules) -> dict[int, Required]:
    """By roll the most copies that today's policy or any of its records asks for."""
    recorded: dict[int, list[Required]] = defaultdict(list)
    for offload in offloads:
        when = offload.written_at.astimezone().isoformat(sep=" ", timespec="minutes")[:16]
        recorded[offload.roll_id].append(Required(offload.copies_required, f"the offload of {when}"))
    for view in copies:
        recorded[view.roll_id].append(Required(view.copies_required, f"the record on {inert(view.drive)}"))
    return {roll: strictest(rules.copies_required, asked) for roll, asked in recorded.items()}


def _about_new(card: CardInHand, new: Sequence[FileEntry], offloads: Sequence[KnownOffload]) -> Iterator[Finding]:
    if not new:
        return
    if not offloads:
        yield keep(
            Kind.CARD_UNKNOWN,
            "nothing on this card is known to this station",
            "offload it; if it was offloaded already, attach its drives and run: rollproof ledger rebuild DRIVE …",
            path=shown(new[0].path),
            count=len(new),
        )
        return
    paths = {entry.path for entry in new}
    clips = [
        clip.name for clip in card.clips if any(card.snapshot.files[number].path in paths for number in clip.files)
    ]
    what = _counted(len(clips), "clip") if clips else _counted(len(new), "file")
    first = clips[0] if clips else shown(new[0].path)
    every = "nothing on the card is in any record as it is now: " if len(new) == len(card.snapshot.files) else ""
    yield keep(
        Kind.NOT_OFFLOADED,
        f"{every}{what} on the card that no record has as it is now, the first is {inert(first)}",
        "offload the card again: what is missing is copied",
        path=shown(new[0].path),
        count=len(new),
    )


def _counted(count: int, what: str) -> str:
    return count_of(count, what)


def _about_short(
    short: Mapping[tuple[int, Required], Sequence[FileEntry]], copies: Sequence[CopyInView], today: int, asked: AskedFor
) -> Iterator[Finding]:
    for (counted, required), entries in sorted(short.items()):
        number = "no proven copy counts" if not counted else f"{counted} proven copies count"
        number = "1 proven copy counts" if counted == 1 else number
        yield keep(
            Kind.TOO_FEW_COPIES,
            f"{number}, {required.words}",
            _remedy(copies) if not required.source or counted < today else _or_fewer(_remedy(copies), today, asked),
            path=shown(entries[0].path),
            count=len(entries),
        )
    if short:
        yield from _why_not(copies)


def _or_fewer(remedy: str, today: int, asked: AskedFor) -> str:
    """What an earlier offload asked for holds until a person says otherwise, with name and reason."""
    return f"{remedy}; or, if the production asks for {today} now: {asked.command(FEWER.name)}"


def _remedy(copies: Sequence[CopyInView]) -> str:
    proven = [view for view in copies if view.counts]
    if len(proven) > count_devices(view.device for view in proven):
        return "copies lie on one device and count once: offload the card to a drive on a device of its own"
    absent = [view.drive for view in copies if not view.attached and not view.counts]
    if absent:
        return f"attach {inert(absent[0])} and ask again"
    if any(not view.counts for view in copies):
        return "see to the copy that does not count, or offload the card to another drive"
    return "offload the card to another drive"


def _why_not(copies: Iterable[CopyInView]) -> Iterator[Finding]:
    for view in copies:
        verdict = view.verdict
        if not verdict.counts:
            yield keep(
                Kind.COPY_NOT_COUNTED,
                f"the copy on {inert(view.drive)} does not count: {verdict.why}",
                verdict.remedy,
                drive=view.drive,
            )


def about_damaged(damaged: Iterable[str], card: CardInHand) -> Iterator[Finding]:
    """A clip that a health check called damaged keeps the card until somebody accepts it by name."""
    for name in [name for name in sorted({*damaged}) if not card.takes(Subject("clip", name))]:
        yield keep(
            Kind.DAMAGED_CLIP,
            f"the clip {inert(name)} is damaged: the camera team must hear of it now",
            f"tell them; then: {card.asked.command(name)}",
            path=inert(name),
        )


def about_production(offloads: Sequence[KnownOffload], rules: Rules) -> Iterator[Finding]:
    """A roll of another production is judged by that production's policy, which is not at hand."""
    if rules.production is None:
        return
    others = sorted({each.production for each in offloads if each.production not in (None, rules.production)}, key=str)
    for other in others:
        yield keep(
            Kind.OTHER_PRODUCTION,
            f"the card belongs to another production, {inert(str(other))}, and this is {inert(rules.production)}",
            "give it back, or ask with that production's own file: --production FILE",
        )


def about_unknown_devices(used: Iterable[CopyInView]) -> Iterator[Finding]:
    """Said, because all of them together count as one."""
    for view in used:
        if view.device.key is None:
            yield warning(
                Kind.UNKNOWN_DEVICE,
                f"the device of {inert(view.drive)} cannot be told; all copies on such devices count as one",
                drive=view.drive,
            )
