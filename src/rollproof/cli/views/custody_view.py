"""A drive that changes hands, on the screen: its rolls, the receipt to read out, what differs."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left, right, rule, stamp
from rollproof.cli.views import words
from rollproof.cli.views.delivery_view import packing_check_lines
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.custody_results import (
    CustodyRoll,
    DriveOfCustody,
    HandoverResult,
    ReceiptCompared,
    ReceiveResult,
    SignatureOut,
)
from rollproof.models.findings import Finding, Kind
from rollproof.records.receipt import spelled

_SHOWN_ROLLS = 20
_STATES = {
    "proven": ("proven", GOOD),
    "copied": ("copied, not proven", WARN),
    "unproven": ("NOT PROVEN", BAD),
    "missing": ("MISSING", BAD),
}
_COMPARED = {"changed": "  not as handed over", "added": "  was not handed over", "missing": "", "same": "", None: ""}


def handover_lines(
    result: HandoverResult, *, quiet: bool = False, width: int = 80, fancy: bool = True
) -> Iterator[Text]:
    """Everything, the receipts and the verdict last. `quiet` leaves errors, receipts and the verdict."""
    if not quiet:
        yield from drive_lines(result.drive)
        via = join(", carried by ", safe(result.via)) if result.via else ""
        yield join("  to ", safe(result.to, STRONG), via)
        for handover in result.handovers:
            yield from _roll_lines(handover.production, handover.rolls, width)
    yield from _finding_lines(result.findings, quiet=quiet)
    for handover in result.handovers:
        yield from _receipt_lines(handover.receipt, handover.production if len(result.handovers) > 1 else None)
    if not quiet:
        yield Text()
        for handover in result.handovers:
            yield join("  written on the drive: ", safe(f"{handover.path}/rollproof/{handover.record}"))
        if result.sheet:
            yield join("  sheet for the envelope: ", safe(result.sheet))
        if result.station_key:
            yield join("  signed with this station's key ", safe(result.station_key))
        yield rule(width, fancy=fancy)
    yield _handover_verdict(result)


def _handover_verdict(result: HandoverResult) -> Text:
    rolls = [roll for handover in result.handovers for roll in handover.rolls]
    proven = sum(roll.state == "proven" for roll in rolls)
    if not result.handovers:
        return join(stamp("NOT HANDED OVER", BAD), "the record could not be written on the drive.")
    how = "read again" if result.checked == "reread" else "looked at, not read again"
    lacks = sum(finding.count for finding in result.findings if finding.kind is Kind.NOT_ON_DRIVE)
    short = f" The drive lacks {words.counted(lacks, 'roll')}." if lacks else ""
    if result.verdict == "proven":
        count = words.counted(len(rolls), "roll")
        return join(
            stamp("HANDED OVER", GOOD), f"{count}, all proven, {how}.{short} Read the receipt out over the phone."
        )
    return join(
        stamp("HANDED OVER, NOT PROVEN", BAD),
        f"{proven} of {words.counted(len(rolls), 'roll')} proven, {how}.{short} Keep the cards and every other copy.",
    )


def receive_lines(result: ReceiveResult, *, quiet: bool = False, width: int = 80, fancy: bool = True) -> Iterator[Text]:
    """Everything, the receipts and the verdict last. `quiet` leaves errors, receipts and the verdict."""
    if not quiet:
        yield from drive_lines(result.drive)
        for compared in result.compared:
            yield from _handed_over_lines(compared)
            yield from _roll_lines(compared.production, compared.rolls, width)
        yield from packing_check_lines(result.packing, width)
    yield from _finding_lines(result.findings, quiet=quiet)
    for compared in result.compared:
        yield from _receipt_lines(compared.receipt, compared.production if len(result.compared) > 1 else None)
        if compared.same is True:
            yield Text("  The same as in the handover: now compare it with what the sender reads out.", GOOD)
        elif compared.same is False:
            yield join("  ", Text("NOT THE SAME", BAD), " as in the handover: ", safe(compared.receipt_then or "none"))
    if not quiet:
        written = [compared for compared in result.compared if compared.record]
        if written:
            yield Text()
        for compared in written:
            yield join("  written on the drive: ", safe(f"{compared.path}/rollproof/{compared.record}"))
        yield rule(width, fancy=fancy)
    yield _receive_verdict(result)


def _receive_verdict(result: ReceiveResult) -> Text:
    rolls = [roll for compared in result.compared for roll in compared.rolls]
    proven = sum(roll.state == "proven" for roll in rolls)
    count = words.counted(len(rolls), "roll")
    if result.verdict == "proven":
        than = "exactly as handed over" if result.same else "with no handover to compare with"
        return join(stamp("RECEIVED", GOOD), f"{count} read again and proven, {than}.")
    if not rolls:
        return join(stamp("NOT RECEIVED", BAD), "there is no roll on this drive.")
    why = "; the drive is not as it was handed over" if result.same is False else ""
    if result.packing is not None and not result.packing.same:
        why += "; it is not what the packing list says"
    return join(stamp("NOT AS IT SHOULD BE", BAD), f"{proven} of {count} proven{why}. Keep every other copy.")


def signed_words(signature: SignatureOut | None) -> Text:
    """By whom a record was signed, known since when, or what is wrong with the signature."""
    if signature is None:
        return Text("signature not looked at", QUIET)
    if signature.state == "good":
        since = join(", known since ", safe(signature.known_since[:10])) if signature.known_since else ""
        return join("signed by ", safe(signature.name), since)
    if signature.state == "wrong":
        return Text("SIGNATURE WRONG", BAD)
    if signature.state == "missing":
        return Text("not signed", QUIET)
    return join("signed with an unknown key, ", safe(signature.fingerprint), style=QUIET)


def drive_lines(drive: DriveOfCustody) -> Iterator[Text]:
    """Which drive it is, and what this station remembers of it."""
    yield Text()
    yield join("Drive ", safe(drive.label or drive.path, STRONG), "  ", safe(drive.path if drive.label else "", QUIET))
    serial = join(", serial ", safe(drive.serial)) if drive.serial else ""
    volume = join(", volume ", safe(drive.volume)) if drive.volume else ", volume without identity"
    yield join("  ", safe(drive.device or "a device that could not be told"), serial, volume)
    if drive.known:
        yield join("  ", safe(drive.known))


def _handed_over_lines(compared: ReceiptCompared) -> Iterator[Text]:
    if compared.handover is None:
        return
    moment = (compared.handed_over_at or "")[:16].replace("T", " ")
    yield join("  handed over ", safe(moment), " by ", safe(compared.handed_over_by), " to ", safe(compared.to))
    yield join("  ", signed_words(compared.signature))


def _roll_lines(production: str | None, rolls: list[CustodyRoll], width: int) -> Iterator[Text]:
    yield Text()
    yield join(safe(production, STRONG) if production else Text("Rolls", STRONG))
    column = min(max((len(safe(roll.folder).plain) for roll in rolls), default=0), max(width - 46, 12))
    # what is wrong first: of hundreds of rolls those are the ones to read
    ordered = sorted(rolls, key=lambda roll: roll.state == "proven" and roll.compared in (None, "same"))
    for roll in ordered[:_SHOWN_ROLLS]:
        word, style = _STATES[roll.state]
        yield join(
            "  ",
            left(roll.folder, column, keep_end=True),
            right(words.counted(roll.files, "file"), 14),
            right(words.size(roll.bytes), 12),
            "  ",
            Text(word, style),
            Text(_COMPARED[roll.compared], BAD),
        )
    if len(rolls) > _SHOWN_ROLLS:
        yield Text(f"  and {words.number(len(rolls) - _SHOWN_ROLLS)} more; --json lists them", QUIET)


def _finding_lines(findings: list[Finding], *, quiet: bool) -> Iterator[Text]:
    lines = list(finding_lines(findings, errors_only=quiet))
    yield from lines[1:] if quiet else lines


def _receipt_lines(receipt: str, production: str | None) -> Iterator[Text]:
    yield Text()
    of = join(" of ", safe(production)) if production else ""
    yield join("Receipt", of, "   ", Text(receipt, STRONG))
    yield Text("  " + ", ".join(spelled(receipt)), QUIET)
