"""What a copy's siblings remember of it: permits beside other copies name the newest record that it had then.

The ledger remembers that too. This is for the day on which the ledger is gone or was made anew: a drive that was put
back to an older state has a chain that is whole and too short, and only its siblings know.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from rollproof.copies.location import place_on
from rollproof.models.names import to_text
from rollproof.records.blocks import same_device
from rollproof.records.chain import Chain
from rollproof.records.models import PermitHeader, ReceiveHeader, RecordName, VerifyHeader
from rollproof.workflows.may_wipe.copies import CopyInView


def believe_siblings(copies: Sequence[CopyInView]) -> None:
    """A copy whose chain lacks the record that a sibling's permit names does not count, until it is verified anew."""
    for view in copies:
        for at, record, drive in _told_of(view, copies):
            if view.chain is not None and not _has(view.chain, record) and not _verified_since(view.chain, at):
                view.no(
                    f"record {record.sequence}, which a permit beside the copy on {drive} names, is missing from it or"
                    " another one: it was put back to an older state",
                    "verify that copy",
                )
                break


def _told_of(view: CopyInView, copies: Sequence[CopyInView]) -> Iterator[tuple[datetime, RecordName, str]]:
    volume = view.volume
    if volume is None or view.chain is None:
        return
    here = to_text(place_on(volume, view.path))
    for other in copies:
        if other is view or other.chain is None or not other.chain.whole:
            continue
        for link in other.chain.links:
            header = link.header
            if not isinstance(header, PermitHeader):
                continue
            for counted in header.counted:
                block = counted.copy_
                if counted.record is not None and block.folder == here and same_device(block, volume):
                    yield header.written_at, counted.record, other.drive


def _has(chain: Chain, record: RecordName) -> bool:
    return any(link.sequence == record.sequence and link.sha256 == record.sha256 for link in chain.links)


def _verified_since(chain: Chain, at: datetime) -> bool:
    """A full clean verify puts behind a copy what was lost before it."""
    return any(
        isinstance(link.header, VerifyHeader | ReceiveHeader)
        and link.header.verdict == "proven"
        and link.header.written_at > at
        for link in chain.links
    )
