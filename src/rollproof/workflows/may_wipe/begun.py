"""Offloads of the card at hand that were begun and are not finished."""

from __future__ import annotations

from dataclasses import replace

from rollproof.copies.begun import begun_finding, begun_offloads
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding, Severity
from rollproof.station.at_work import AtWork
from rollproof.workflows.may_wipe.card import CardInHand


def about_begun(card: CardInHand, ledger: Ledger, at_work: AtWork) -> list[Finding]:
    """What is to be said of them: an error keeps the card. One that is still reading the card always does; one that
    was begun when the card held something else says nothing about what is on it now."""
    digest, serial = card.snapshot.listing_digest, card.volume.serial
    found = []
    for begun in begun_offloads(ledger, at_work):
        if not begun.is_of_card(digest, serial):
            continue
        finding = begun_finding(begun)
        if begun.state == "at work":
            finding = replace(finding, severity=Severity.ERROR)
        elif finding.severity is Severity.ERROR and not begun.is_of_listing(digest):
            finding = replace(finding, severity=Severity.WARNING)
        found.append(finding)
    return found
