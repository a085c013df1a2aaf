"""What do the records say of this copy, here and now?

Two rules of `safety.md` decide. *Proof belongs to one copy on one device*: a record's word counts only where its
`copy` block speaks of the volume and device the copy is found on now (`blocks.same_device`), and of its folder there.
*The newest word decides*: records are taken in order, each adding to or taking from what stood before.

| record, in order                                                   | what it does                                    |
|--------------------------------------------------------------------|-------------------------------------------------|
| offload, this device, accepted read-back, two source passes        | its rows stand as each row says                 |
| offload, this device, read-back `cache` or none                    | its rows are `copied`                           |
| offload, this device, fewer than two source passes that count      | its rows are `copied`                           |
| offload that found a read-back to differ                           | withdraws everything                            |
| offload, proven, that read every file of the copy again (0 carried)| its rows stand, and a withdrawal ends           |
| verify or receive, clean, full, accepted read-back, this device    | `copied` rows become proven, a withdrawal ends  |
| … but the source passes do not count                               | `copied` stays; a withdrawal ends               |
| … read-back `cache` or none                                        | nothing                                         |
| … fewer files than the copy has                                    | nothing                                         |
| verify or receive that is not clean, wherever it was made          | withdraws everything                            |
| any offload, verify or receive of another device or folder         | earlier rows prove nothing here                 |
| verify with a clean read of the card (`source`)                    | adds its passes to those of the offloads before |
| withdraw of an offload, verify or receive                          | withdraws everything                            |
| withdraw of a permit; permit; handover; accept                     | nothing                                         |
| offload from a recorded copy (`source.kind` is `copy`)             | its rows stand as below, whatever its passes    |

| in the end                                                                                      | state      |
|-------------------------------------------------------------------------------------------------|------------|
| no offload record, or the chain is not whole                                                    | `unproven` |
| withdrawn and not verified since                                                                | `unproven` |
| the newest offload is `failed` or `incomplete`, or a row is                                     | `unproven` |
| some row's newest word is about another device                                                  | `unproven` |
| every row is proven                                                                             | `proven`   |
| otherwise                                                                                       | `copied`   |

A row of an offload *from a recorded copy* stands only for what the records before it show of the card: where an offload
of the card itself knows the file, that offload must have its two passes, and the hashes must be the card's (by way of
rows in between that agree with it, too). A file that no such offload knows stands as its row says: it was compared with
a history of the open standard, or it is new.

A row that is `failed` or `incomplete` (the two reads of the card disagreed, it was not finished) is never lifted by a
verify: only a later offload can state it anew.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

from rollproof.models.findings import Kind, Severity
from rollproof.models.names import to_text
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.evidence import weakest
from rollproof.proof.policy import ACCEPTED_EVIDENCE, Rules, accepted_evidence
from rollproof.records.blocks import same_device
from rollproof.records.chain import NEWER_REMEDY, Chain, says_nothing
from rollproof.records.lines import BadRecord
from rollproof.records.models import CopyBlock, OffloadHeader, ReceiveHeader, VerifyHeader, WithdrawHeader
from rollproof.records.newest_words import NOT_LIFTED, Offload, newest_words
from rollproof.records.row_table import RowTable
from rollproof.records.rows import FileRow
from rollproof.storage.io import Io

State = Literal["proven", "copied", "unproven"]
_VERIFY = "Verify this copy on the drive it lies on."


@dataclass(frozen=True, slots=True)
class Standing:
    """The answer for one copy. `why` says in sentences how it is proven or what is lacking, `remedy` what to do.

    `proven_record` is the record whose word makes it proven (empty otherwise), `readback` the weakest evidence that
    it rests on. `device_matches` is whether the newest record about a copy speaks of this volume and device.
    """

    state: State
    why: tuple[str, ...]
    remedy: str
    proven_record: str
    readback: Evidence | None
    device_matches: bool
    newest_offload: OffloadHeader | None
    withdrawn: bool
    _io: Io
    _roll_folder: int
    _offloads: tuple[Offload, ...] = field(default=())
    _void: bool = True

    def iter_files(self) -> Iterator[FileRow]:
        """Every file the records know, newest word each, in byte order of the paths, one at a time.

        `proven` is as of now: device, evidence, source passes and withdrawals considered. Raises BadRecord or OSError
        when a record cannot be read through; the roll folder's handle must still be open.
        """
        for word in newest_words(self._io, self._roll_folder, self._offloads):
            row, proven = word.row, not self._void and word.entry.proves(word)
            yield row if row.proven == proven else replace(row, proven=proven)

    def iter_originals(self) -> Iterator[tuple[FileRow, bool]]:
        """Every file as `iter_files`, and whether the records show that its hashes are what was read twice from the
        card; wherever this copy lies. Raises as `iter_files`."""
        for word in newest_words(self._io, self._roll_folder, self._offloads):
            yield word.row, word.entry.two_passes and word.row.state not in NOT_LIFTED and word.is_the_cards

    def files(self) -> RowTable:
        """The same by path, all at once: some 100 bytes per file. `iter_files` holds one at a time."""
        return RowTable(self.iter_files())


def standing(
    io: Io,
    roll_folder: int,
    chain: Chain,
    volume_now: Volume,
    *,
    accepted: Collection[Evidence] | None = None,
    folder: bytes | None = None,
) -> Standing:
    """What the records of `chain` say of the copy in this roll folder, on the volume it lies on now.

    `folder` is where the roll folder lies on its volume: a record that speaks of another place on the same volume is no
    word about this copy either (somebody copied it there by other means). None where that does not matter.
    `accepted` is today's policy on evidence; the stricter of it and the one in each record holds. Never raises for
    what the records hold: what cannot be relied on is `unproven`. OSError when the drive fails.
    """
    return _Reading(io, roll_folder, chain, volume_now, accepted, folder).run()


def accepted_today(chain: Chain, rules: Rules) -> frozenset[Evidence]:
    """Which evidence today's rules accept for the copy with this chain."""
    named = (link.header.production for link in chain.links if link.header is not None)
    return rules.accepted_for(next((name for name in named if name), None))


class _Reading:
    def __init__(
        self,
        io: Io,
        roll_folder: int,
        chain: Chain,
        now: Volume,
        accepted: Collection[Evidence] | None,
        folder: bytes | None,
    ) -> None:
        self._io = io
        self._roll_folder = roll_folder
        self._chain = chain
        self._now = now
        self._folder = None if folder is None else to_text(folder)
        self._today = None if accepted is None else frozenset(accepted)
        self._offloads: list[Offload] = []
        self._withdrawn = ""
        self._matches = False

    def run(self) -> Standing:
        """Take the records in order, then judge."""
        for link in self._chain.links:
            header = link.header
            if isinstance(header, OffloadHeader):
                self._offload(link.name, header)
            elif isinstance(header, VerifyHeader | ReceiveHeader):
                self._verified(link.name, header)
            elif isinstance(header, WithdrawHeader) and header.withdraws_kind in ("offload", "verify", "receive"):
                self._withdrawn = f"{link.name} withdrew {header.withdraws.name}: {header.reason}"
        if not self._chain.whole:
            remedy = NEWER_REMEDY if self._chain.needs_newer else "Compare with another copy of this roll."
            return self._unproven(*self._chain_troubles(), remedy=remedy)
        if self._withdrawn:
            return self._unproven(self._withdrawn, remedy=_VERIFY)
        if not self._offloads:
            return self._unproven("There is no record of an offload here.", remedy="Offload the card to this drive.")
        try:
            return self._judge()
        except BadRecord as problem:
            return self._unproven(f"A record cannot be relied on: {problem.message}.", remedy="Offload the card again.")

    # --- one record after the other
    def _offload(self, name: str, header: OffloadHeader) -> None:
        here = self._placed(header.copy_)
        entry = Offload(
            name,
            header,
            here,
            accepted_evidence(self._today, header.policy.accepted_evidence),
            [read.evidence for read in header.source.reads],
        )
        self._offloads.append(entry)
        ours = ("", header.copy_.drive)
        if any(found.kind == Kind.READBACK_DIFFERS and found.drive in ours for found in header.findings):
            self._withdrawn = f"{name}: what was read back from this copy was not what was written."
        elif self._withdrawn and self._read_everything(entry):
            self._withdrawn = ""

    def _read_everything(self, entry: Offload) -> bool:
        totals = entry.header.totals
        whole = (
            entry.header.copy_.state == "proven"
            and entry.here
            and entry.two_passes
            and entry.header.copy_.readback in entry.accepted
            and totals.carried == 0
            and totals.proven == totals.files
        )
        return whole and self._known_files() == totals.files

    def _verified(self, name: str, header: VerifyHeader | ReceiveHeader) -> None:
        clean = header.verdict == "proven" and header.totals.differ == 0 and header.totals.missing == 0
        here = header.copy_ is not None and self._placed(header.copy_)
        if says_nothing(header):
            return  # neither for the copy nor against it
        if not clean:
            self._withdrawn = f"{name} found that this copy is not as recorded."
            return
        if isinstance(header, VerifyHeader) and header.source is not None:
            card = header.source
            for entry in self._offloads:
                first = entry.header.source
                if (card.serial, card.capacity_bytes) == (first.serial, first.capacity_bytes):
                    entry.source_reads += [read.evidence for read in card.reads]
        readback = header.copy_.readback if header.copy_ is not None else None
        if not here or readback is None:
            return
        if not self._offloads:
            # somebody else's copy: a reading of all that its history knows takes back what an earlier one found
            if readback in accepted_evidence(self._today, ACCEPTED_EVIDENCE):
                self._withdrawn = ""
            return
        if any(readback not in entry.accepted for entry in self._offloads):
            return
        if header.totals.files - header.totals.unknown < self._known_files():
            return  # it did not read all of the copy
        self._withdrawn = ""
        for entry in self._offloads:
            entry.here, entry.lifted_by, entry.lifted_readback = True, name, readback

    def _placed(self, copy: CopyBlock) -> bool:
        """Note where a record says that the copy lies."""
        self._matches = same_device(copy, self._now) and self._folder in (None, copy.folder)
        if not self._matches:
            for entry in self._offloads:
                entry.here, entry.lifted_by = False, ""
        return self._matches

    def _known_files(self) -> int:
        """How many different files the offload records know."""
        if len(self._offloads) == 1:
            return self._offloads[0].header.totals.files
        try:
            return sum(1 for _ in newest_words(self._io, self._roll_folder, self._offloads))
        except BadRecord:
            return 1 << 63  # more than any verify can have read

    # --- the end
    def _judge(self) -> Standing:
        newest = self._offloads[-1]
        if newest.header.copy_.state in NOT_LIFTED:
            return self._unproven(
                f"The offload of {newest.name} did not finish this copy ({newest.header.copy_.state}).",
                remedy="Run the same offload again.",
            )
        worst = self._from_header(newest) if len(self._offloads) == 1 else None
        if worst is None:
            worst = self._from_rows()
        if worst == "elsewhere":
            return self._unproven(
                "The newest record is about another device, volume or folder: it was moved, cloned or restored.",
                remedy=_VERIFY,
            )
        if worst == "unfinished":
            return self._unproven("Files of this copy were not finished.", remedy="Run the same offload again.")
        if worst == "proven":
            return self._proven()
        return self._answer("copied", self._lacking(), self._remedy_for_copied())

    def _from_header(self, only: Offload) -> str | None:
        """The answer of a single offload record, or None when its header alone does not give it."""
        totals = only.header.totals
        if not only.here:
            return "elsewhere"
        if totals.failed or totals.files == 0 or totals.proven + totals.copied != totals.files:
            return None
        if only.lifted_by:
            return "proven" if only.two_passes else "copied"
        own = only.header.copy_.readback in only.accepted and totals.proven == totals.files
        return "proven" if own and only.two_passes and only.header.copy_.state == "proven" else "copied"

    def _from_rows(self) -> str:
        """The answer of all offload records, from the newest word on every file."""
        said: set[str] = set()
        for word in newest_words(self._io, self._roll_folder, self._offloads):
            if not word.entry.here:
                said.add("elsewhere")
            elif word.row.state in NOT_LIFTED:
                said.add("unfinished")
            else:
                said.add("proven" if word.entry.proves(word) else "copied")
        order = ("elsewhere", "unfinished", "copied", "proven")
        return next((word for word in order if word in said), "unfinished")

    def _lacking(self) -> tuple[str, ...]:
        why = []
        for entry in self._offloads:
            if not entry.two_passes:
                why.append(f"{entry.name}: the card was not read twice from the medium.")
            readback = entry.header.copy_.readback
            if not entry.lifted_by and readback not in entry.accepted:
                how = "not read back" if readback is None else f"read back from the {readback.value}"
                why.append(f"{entry.name}: the copy was {how}, which shows nothing about the medium.")
        return tuple(why) or ("Some files of this copy have no proof.",)

    def _remedy_for_copied(self) -> str:
        if all(entry.two_passes for entry in self._offloads):
            return "Unplug this drive, plug it in again, and verify this copy."
        return "Run the offload of the card to this drive again: it reads the card anew."

    def _proven(self) -> Standing:
        newest = self._offloads[-1]
        evidence = [
            found
            for entry in self._offloads
            if entry.here  # what a carried record says of another drive is no evidence for this one
            and (found := entry.lifted_readback if entry.lifted_by else entry.header.copy_.readback) is not None
        ]
        word = newest.lifted_by or newest.name
        how = weakest(evidence)
        read = how.value if how is not None else "unknown"
        return self._answer("proven", (f"Proven by {word}, read back from the {read}.",), "", word, how)

    def _chain_troubles(self) -> tuple[str, ...]:
        errors = [found for found in self._chain.findings if found.severity is Severity.ERROR]
        return tuple(
            f"{found.path}: {found.detail}" if found.path and found.path not in found.detail else found.detail
            for found in errors[:3]
        )

    def _unproven(self, *why: str, remedy: str) -> Standing:
        return self._answer("unproven", why, remedy)

    def _answer(
        self, state: State, why: tuple[str, ...], remedy: str, record: str = "", readback: Evidence | None = None
    ) -> Standing:
        return Standing(
            state=state,
            why=why,
            remedy=remedy,
            proven_record=record,
            readback=readback,
            device_matches=self._matches,
            newest_offload=self._offloads[-1].header if self._offloads else None,
            withdrawn=bool(self._withdrawn),
            _io=self._io,
            _roll_folder=self._roll_folder,
            _offloads=tuple(self._offloads),
            _void=bool(self._withdrawn) or not self._chain.whole,
        )
