"""What is one recorded copy worth? One ordered table of reasons; the first that applies is the one that is said.

A copy counts only where no reason applies. What was not looked at is a reason too: `CopyVerdict.owed` says which look
is missing, so that dear looks are made only at copies that everything else speaks for.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

from rollproof.models.counting import count_of
from rollproof.models.names import inert
from rollproof.proof.copy_facts import NO_PATHS, Against, Answer, CopyFacts, DriveFacts, Look, MemoryFacts, Paths
from rollproof.proof.policy import Rules
from rollproof.proof.readings import Agreement, against_absent, withdrawn_by

State = Literal[
    "proven", "reread", "copied", "unproven", "damaged", "incomplete", "records broken", "record only", "empty", "away"
]
"""`reread`: never offloaded here, and read again in full as its history says. `away`: it is not at hand."""
Remembered = Literal["proven", "copied", "unproven", "failed", "incomplete"]

UNPLUG = "unplug the drive and plug it in again (this may need a restart), then verify that copy and ask again"
_VERIFY = "verify that copy"
_KEEP_AND_VERIFY = "keep the card and verify that copy"
_SAME_OFFLOAD = "run the same offload again"


@dataclass(frozen=True, slots=True)
class CopyVerdict:
    """What a copy is worth. `why` says why it does not count, or how it is proven; `remedy` is empty where it counts.

    `remembered` is what this station is to remember of it (None: nothing new), `owed` the look that is still missing.
    """

    state: State
    why: str = ""
    remedy: str = ""
    remembered: Remembered | None = None
    owed: Look | None = None

    @property
    def counts(self) -> bool:
        """Whether it counts as a copy."""
        return self.state in ("proven", "reread")


@dataclass(frozen=True, slots=True)
class _Reason:
    """A row of the table. `held` is whether it is remembered even where older bad news stands."""

    state: State
    remembered: Remembered | None
    against: Callable[[CopyFacts, Rules], Against | None]
    held: bool = False


def judge_copy(facts: CopyFacts, rules: Rules, wanted: Collection[Look] = frozenset({Look.LISTING})) -> CopyVerdict:
    """State, why and remedy of a copy under today's rules. `wanted` are the looks that it must have passed."""
    if not facts.attached:
        return _first(_ABSENT, facts, rules) or CopyVerdict("proven", facts.memory.why if facts.memory else "")
    for look, reasons in _BY_LOOK:
        if look is not None and look in wanted and _not_made(facts, look):
            return CopyVerdict("unproven", "it was not looked at in full", "ask again", owed=look)
        found = _first(reasons, facts, rules)
        if found is not None:
            return found
    records = facts.records
    if records is None:
        return CopyVerdict("unproven", "its records were not looked at", "ask again")
    if not records.offloaded:
        return CopyVerdict("reread", "read again in full, and as its history says")
    return CopyVerdict("proven", records.why, remembered="proven")


def looks_to_wipe(rules: Rules) -> frozenset[Look]:
    """The looks that a copy must have passed before a card may be wiped."""
    looks = {Look.LISTING, Look.DRIVE}
    return frozenset(looks | {Look.CONTENT} if rules.reread_copies else looks)


def bad_news(facts: CopyFacts) -> str:
    """What this station last found wrong with an attached copy and no newer record answers; empty when nothing is."""
    memory, records = facts.memory, facts.records
    if memory is None:
        return ""
    found = withdrawn_by(memory.unsettled, records.newest_word if records is not None else "")
    stands = (memory.gone or memory.bad) and not memory.newer_word
    if not found and not stands:
        return ""
    return "its drive was seen without it" if memory.gone else found or memory.why or memory.state


def in_a_sentence(text: str) -> str:
    """A sentence as a part of another one."""
    first = text[:1].lower() if text[1:2].islower() or text[1:2] == " " else text[:1]
    return (first + text[1:]).removesuffix(".")


def _first(reasons: tuple[_Reason, ...], facts: CopyFacts, rules: Rules) -> CopyVerdict | None:
    for reason in reasons:
        against = reason.against(facts, rules)
        if against is not None:
            remembered = reason.remembered if reason.held or not bad_news(facts) else None
            return CopyVerdict(reason.state, against.why, against.remedy, remembered)
    return None


def _not_made(facts: CopyFacts, look: Look) -> bool:
    return {Look.LISTING: facts.listing, Look.DRIVE: facts.answer, Look.CONTENT: facts.content}[look] is None


# --- an attached copy: what is seen at once


def _silent(facts: CopyFacts, rules: Rules) -> Against | None:
    if facts.silent_seconds is None:
        return None
    return Against(f"its drive has not answered for {facts.silent_seconds:.0f} seconds", UNPLUG)


def _gone(facts: CopyFacts, rules: Rules) -> Against | None:
    if facts.not_opened is None:
        return None
    why = f"its drive is attached, and the roll is not where it was ({facts.not_opened})"
    return Against(why, "find out who moved it")


def _unreadable(facts: CopyFacts, rules: Rules) -> Against | None:
    why = f"it cannot be read ({facts.unreadable})"
    return Against(why, f"check the drive and its cable, then {_VERIFY}") if facts.unreadable else None


def _bad_records(facts: CopyFacts, rules: Rules) -> Against | None:
    return Against(f"its records cannot be read: {facts.bad_records}", _VERIFY) if facts.bad_records else None


def _locked(facts: CopyFacts, rules: Rules) -> Against | None:
    why = "another offload or verify is at work on it"
    return Against(why, "wait until it has ended, then ask again") if facts.locked else None


def _unfinished(facts: CopyFacts, rules: Rules) -> Against | None:
    return Against("its offload was not finished", _SAME_OFFLOAD) if facts.unfinished else None


def _not_finished(facts: CopyFacts, rules: Rules) -> Against | None:
    return _standing(facts) if facts.records is not None and not facts.records.finished else None


# --- what lies there, beside the records


def _empty(facts: CopyFacts, rules: Rules) -> Against | None:
    listing = facts.listing
    if listing is None or listing.strangers != 0 or listing.recorded:
        return None
    return Against("a roll folder with nothing in it", "look who emptied it, or made it")


def _record_only(facts: CopyFacts, rules: Rules) -> Against | None:
    listing = facts.listing
    if listing is None or listing.strangers != 0 or listing.here or not listing.recorded:
        return None
    why = f"its history names {count_of(listing.recorded, 'file')}, and nothing of that is there"
    return Against(why, "look where the files went; keep every other copy, and the card")


def _missing(facts: CopyFacts, rules: Rules) -> Against | None:
    missing = facts.listing.missing if facts.listing is not None else NO_PATHS
    said = f" ({missing.said})" if missing.said else ""
    return Against(f"{_named(missing)} not there{said}", _VERIFY) if missing.count else None


def _differs(facts: CopyFacts, rules: Rules) -> Against | None:
    return _not_as_recorded(facts.listing.differ if facts.listing is not None else NO_PATHS)


def _redated(facts: CopyFacts, rules: Rules) -> Against | None:
    return _not_as_recorded(facts.listing.redated if facts.listing is not None else NO_PATHS)


def _not_as_recorded(paths: Paths) -> Against | None:
    return Against(f"{_named(paths)} not as recorded in size or date", _VERIFY) if paths.count else None


def _named(paths: Paths) -> str:
    return f"{paths.first} is" if paths.count == 1 else f"{paths.first} and {paths.count - 1:,} more are"


# --- what records and memory say


def _standing(facts: CopyFacts) -> Against:
    assert facts.records is not None
    why = in_a_sentence(facts.records.why) or "it is not proven"
    return Against(why, in_a_sentence(facts.records.remedy) or _VERIFY)


def _foreign(facts: CopyFacts, rules: Rules) -> Against | None:
    return facts.records.foreign if facts.records is not None else None


def _lost(facts: CopyFacts, rules: Rules) -> Against | None:
    lost = facts.memory.lost if facts.memory is not None else ""
    return (
        Against(f"its records are not those this station remembers: {in_a_sentence(lost)}", _VERIFY) if lost else None
    )


def _withdrawn(facts: CopyFacts, rules: Rules) -> Against | None:
    return _standing(facts) if facts.records is not None and facts.records.withdrawn else None


def _failed_in_manifest(facts: CopyFacts, rules: Rules) -> Against | None:
    count = facts.records.failed_in_manifest if facts.records is not None else 0
    files = "file was" if count == 1 else "files were"
    return Against(f"its newest manifest says that {count:,} {files} not as recorded", _VERIFY) if count else None


def _needs_newer(facts: CopyFacts, rules: Rules) -> Against | None:
    return _standing(facts) if facts.records is not None and facts.records.needs_newer else None


def _broken(facts: CopyFacts, rules: Rules) -> Against | None:
    return _standing(facts) if facts.records is not None and not facts.records.whole else None


def _broken_beside(facts: CopyFacts, rules: Rules) -> Against | None:
    if facts.records is None or not facts.records.broken_beside:
        return None
    return Against("its records or manifests cannot be relied on", "compare with another copy of this roll")


def _unproven(facts: CopyFacts, rules: Rules) -> Against | None:
    records = facts.records
    return _standing(facts) if records is not None and records.offloaded and records.state == "unproven" else None


def _never_read(facts: CopyFacts, rules: Rules) -> Against | None:
    records = facts.records
    if records is None or records.offloaded or records.read_again:
        return None
    return _standing(facts)


def _found_changed(facts: CopyFacts, rules: Rules) -> Against | None:
    """This station itself found that it is not as recorded."""
    memory = facts.memory
    return _bad_news(facts, rules) if memory is not None and not memory.gone and memory.state == "failed" else None


def _bad_news(facts: CopyFacts, rules: Rules) -> Against | None:
    found = bad_news(facts)
    return Against(f"this station last found: {found}", _VERIFY) if found else None


def _copied(facts: CopyFacts, rules: Rules) -> Against | None:
    return _standing(facts) if facts.records is not None and facts.records.state == "copied" else None


# --- the drive, and what all files were when they were read again


def _drive_says(answer: Answer, say: Callable[[DriveFacts], Against]) -> Callable[[CopyFacts, Rules], Against | None]:
    def against(facts: CopyFacts, rules: Rules) -> Against | None:
        return say(facts.answer) if facts.answer is not None and facts.answer.answer is answer else None

    return against


def _content(agreement: Agreement, why: str, remedy: str) -> Callable[[CopyFacts, Rules], Against | None]:
    def against(facts: CopyFacts, rules: Rules) -> Against | None:
        found = facts.content
        return Against(why, remedy) if found is not None and found.agreement is agreement else None

    return against


def _unhashed(facts: CopyFacts, rules: Rules) -> Against | None:
    path = facts.content.unhashed if facts.content is not None else ""
    return Against(f"{path} has no hash this tool knows", _VERIFY) if path else None


def _unremembered(facts: CopyFacts, rules: Rules) -> Against | None:
    return facts.content.unremembered if facts.content is not None else None


# --- an absent copy: what this station remembers of it


def _device_here(facts: CopyFacts, rules: Rules) -> Against | None:
    if not _memory(facts).device_here:
        return None
    return Against("its device is attached, and the volume with the roll is not on it", "mount it and verify it")


def _gone_when_last_seen(facts: CopyFacts, rules: Rules) -> Against | None:
    if not _memory(facts).gone:
        return None
    return Against("its drive was last seen without this roll", "attach it and verify it")


def _never_seen(facts: CopyFacts, rules: Rules) -> Against | None:
    return _not_seen_itself(facts) if _memory(facts).age is None else None


def _last_word_bad(facts: CopyFacts, rules: Rules) -> Against | None:
    memory = _memory(facts)
    why = f"it is absent, and this station last found: {memory.why or memory.state}"
    return Against(why, "attach it and verify it") if memory.bad else None


def _unsettled(facts: CopyFacts, rules: Rules) -> Against | None:
    why = against_absent(_memory(facts).unsettled)
    return Against(f"it is absent, and {why}", "attach it and verify it") if why else None


def _not_seen_here(facts: CopyFacts, rules: Rules) -> Against | None:
    return None if _memory(facts).seen_here else _not_seen_itself(facts)


def _not_proven_then(facts: CopyFacts, rules: Rules) -> Against | None:
    memory = _memory(facts)
    if memory.state == "proven" and memory.readback in rules.accepted:
        return None
    return Against(f"it is absent and was last {memory.state}", _attach(facts))


def _in_the_future(facts: CopyFacts, rules: Rules) -> Against | None:
    age = _memory(facts).age
    if age is None or age >= timedelta(0):
        return None
    return Against("it is absent, and the clock says it was seen in the future", f"set the clock; {_attach(facts)}")


def _too_long_ago(facts: CopyFacts, rules: Rules) -> Against | None:
    age, hours = _memory(facts).age, rules.absent_copy_hours
    if age is None or age <= timedelta(hours=hours):
        return None
    return Against(f"it is absent and was last seen more than {hours:g} h ago", _attach(facts))


def _files_forgotten(facts: CopyFacts, rules: Rules) -> Against | None:
    if _memory(facts).files_known:
        return None
    return Against("it is absent, and this station does not remember its files", _attach(facts))


def _not_seen_itself(facts: CopyFacts) -> Against:
    return Against("it is absent, and this station has not seen it itself", _attach(facts))


def _attach(facts: CopyFacts) -> str:
    return f"attach the drive {inert(facts.drive)} and ask again"


def _memory(facts: CopyFacts) -> MemoryFacts:
    return facts.memory or MemoryFacts("unproven", seen_here=False)


# --- beside the card, and beside other copies


def _on_card(facts: CopyFacts, rules: Rules) -> Against | None:
    return Against("it lies on the card's own device", "offload to a drive of its own") if facts.on_card else None


def _card_unknown(facts: CopyFacts, rules: Rules) -> Against | None:
    why = "the card's device cannot be told, so it cannot be shown to be another"
    return Against(why, "use another reader") if facts.on_card is None else None


def _doubted(facts: CopyFacts, rules: Rules) -> Against | None:
    return facts.doubts[0] if facts.doubts else None


_CARD = (_Reason("unproven", None, _card_unknown), _Reason("unproven", None, _on_card))
_BESIDE = _Reason("unproven", None, _doubted)

_SILENT = "it is read-only, and its records cannot be shown to come from the drive itself"

_BY_LOOK: tuple[tuple[Look | None, tuple[_Reason, ...]], ...] = (
    (
        None,
        (
            _Reason("away", "unproven", _silent, held=True),
            _Reason("away", None, _gone),
            _Reason("unproven", "unproven", _unreadable, held=True),
            _Reason("unproven", "unproven", _bad_records, held=True),
            _Reason("incomplete", None, _locked),
            _Reason("incomplete", "incomplete", _unfinished, held=True),
            _Reason("incomplete", "unproven", _not_finished),
        ),
    ),
    (
        Look.LISTING,
        (
            _Reason("empty", "unproven", _empty),
            _Reason("record only", "unproven", _record_only),
            _Reason("records broken", "unproven", _foreign, held=True),
            _Reason("records broken", "unproven", _lost, held=True),
            _Reason("incomplete", "unproven", _missing),
            _Reason("damaged", "unproven", _differs),
            _Reason("damaged", "unproven", _withdrawn),
            _Reason("damaged", "unproven", _failed_in_manifest),
            _Reason("copied", "unproven", _needs_newer),
            _Reason("records broken", "unproven", _broken),
            _Reason("records broken", "unproven", _broken_beside),
            _Reason("unproven", "unproven", _unproven),
            _Reason("unproven", "unproven", _never_read),
            _Reason("damaged", None, _found_changed),
            _Reason("unproven", None, _bad_news),
            _Reason("copied", "copied", _copied),
            _Reason("unproven", "unproven", _redated),
            *_CARD,
        ),
    ),
    (
        Look.DRIVE,
        (
            _Reason("unproven", None, _drive_says(Answer.FULL, lambda _: Against(
                "the drive is full: nothing can be written beside the copy", "make room on it and ask again"))),
            _Reason("unproven", "unproven", _drive_says(Answer.TURNED_READ_ONLY, lambda _: Against(
                "the drive has turned read-only by itself", "unplug it, plug it in again, and verify it"))),
            _Reason("unproven", "unproven", _drive_says(Answer.REFUSES, lambda drive: Against(
                f"the drive does not take a small file now ({drive.said})", "check the drive, then verify it"))),
            _Reason("unproven", "unproven", _drive_says(Answer.RECORDS_DIFFER, lambda _: Against(
                "its records, read again, are not those read a moment ago", _KEEP_AND_VERIFY))),
            _Reason("unproven", "unproven", _drive_says(Answer.RECORDS_NOT_SHOWN, lambda _: Against(
                _SILENT, "unplug it, plug it in again, and ask again"))),
        ),
    ),
    (
        Look.CONTENT,
        (
            _Reason("unproven", None, _unhashed),
            _Reason("damaged", "failed", _content(
                Agreement.DIFFERS, "read again, it is not what was recorded", _KEEP_AND_VERIFY)),
            _Reason("damaged", "failed", _content(
                Agreement.UNREAD, "read again, not all of it could be read", _KEEP_AND_VERIFY)),
            _Reason("unproven", None, _unremembered),
            _Reason("unproven", None, _content(
                Agreement.NOT_SHOWN, "read again, it agrees and could not be shown to come from the drive",
                "unplug the drive, plug it in again, and ask again")),
        ),
    ),
    (None, (_BESIDE,)),
)  # fmt: skip
"""In this order, and each group only after its look: the first reason that applies is said."""

_ABSENT: tuple[_Reason, ...] = (
    _Reason("away", None, _device_here),
    _Reason("away", None, _gone_when_last_seen),
    _Reason("away", None, _never_seen),
    _Reason("away", None, _last_word_bad),
    _Reason("away", None, _unsettled),
    _Reason("away", None, _not_seen_here),
    _Reason("away", None, _not_proven_then),
    _Reason("away", None, _in_the_future),
    _Reason("away", None, _too_long_ago),
    _Reason("away", None, _files_forgotten),
    *_CARD,
    _BESIDE,
)
