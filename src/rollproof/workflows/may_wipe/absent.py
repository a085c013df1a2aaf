"""Absent copies beside others: none that may be a copy that counts already, and none while the clock runs behind."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.identities import drive_of
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert
from rollproof.models.requests import Person
from rollproof.models.volumes import Volume
from rollproof.proof.clock import ClockFacts, later_than_now
from rollproof.proof.identity import CopyOnDrive, Refusal, refused_absent
from rollproof.workflows.may_wipe.copies import CopyInView

_CONFIRM = "set the clock; if it is right: rollproof may-wipe CARD --clock-is-right --by NAME"


def refuse_absent(ledger: Ledger, copies: Sequence[CopyInView], attached: Sequence[Volume]) -> None:
    """Those absent copies that may be another one no longer count. Raises LedgerProblem."""
    views = [view for view in copies if view.counts]
    if all(view.attached for view in views):
        return
    seen = ledger.seen([DriveIdentity.of(volume) for volume in attached])
    facts = [_facts(view) for view in views]
    for place, refusal in refused_absent(facts, seen).items():
        why, remedy = _said(refusal, _name(refusal, copies))
        views[place].no(f"it is absent, and {why}", remedy)


def _facts(view: CopyInView) -> CopyOnDrive:
    return CopyOnDrive(drive_of(view.known.drive), view.founder, view.attached, view.seen_at, view.known.proven_at)


def _name(refusal: Refusal, copies: Sequence[CopyInView]) -> str:
    other = refusal.other
    found = (view.drive for view in copies if drive_of(view.known.drive).number == other.number)
    return inert(next(found, other.volume or other.serial or other.model or "another drive"))


def _said(refusal: Refusal, name: str) -> tuple[str, str]:
    attach = "attach the drive and ask again"
    if refusal.doubt == "copy":
        return f"this copy was seen since on {name}: it counts there", f"attach {name} too, or {attach}"
    if refusal.doubt == "volume":
        return f"its volume was seen since through another device ({name})", f"{attach}; a clone is verified first"
    if refusal.doubt == "device":
        return f"its device was seen since with something else on it ({name})", f"{attach}; verify it"
    return (
        f"nothing shows that it is another drive than {name}: one of them has no serial number of its own, and they"
        " were not attached at one moment since they were proven",
        "attach both at the same time and ask again",
    )


# --- the clock


def judge_clock(
    ledger: Ledger, copies: Sequence[CopyInView], now: datetime, *, confirmed_by: Person | None
) -> Iterator[Finding]:
    """Where the clock runs behind what is recorded, no absent copy counts. With `confirmed_by` that person has said
    that it is right, which is remembered: from then on what is seen later counts. Raises LedgerProblem."""
    facts = _with_records(ledger.clock(), copies)
    later = later_than_now(facts, now)
    if later is None:
        return
    if confirmed_by is not None:
        ledger.confirm_clock(confirmed_by, now, max(later, facts.recorded or later))
        text = f"{inert(confirmed_by.name)} says that the clock is right; {_moment(later)} is recorded"
        yield Finding(
            Kind.CLOCK_BEHIND, Severity.WARNING, "", text,
            remedy="a drive that is away counts once it was attached again; look who set the clock wrong",
        )  # fmt: skip
        for view in copies:
            if not view.attached:
                view.no(
                    "it is absent, and was not seen since the clock was confirmed", "attach the drive and ask again"
                )
        return
    behind = f"the clock shows {_moment(now)}, and {_moment(later)} is recorded"
    for view in copies:
        if not view.attached:
            view.no(f"it is absent, and its age cannot be told: {behind}", _CONFIRM)
    yield Finding(Kind.CLOCK_BEHIND, Severity.WARNING, "", f"{behind}: no absent copy counts", remedy=_CONFIRM)


def _with_records(facts: ClockFacts, copies: Sequence[CopyInView]) -> ClockFacts:
    """With the moments in the records of the attached copies."""
    moments = [
        link.header.written_at
        for view in copies
        if view.chain is not None
        for link in view.chain.links
        if link.header is not None
    ]
    moments += [facts.recorded] if facts.recorded is not None else []
    return ClockFacts(facts.shown, max(moments, default=None), facts.excused)


def _moment(moment: datetime) -> str:
    return moment.astimezone().isoformat(sep=" ", timespec="minutes")
