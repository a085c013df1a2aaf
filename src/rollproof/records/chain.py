"""The chain of a roll's records: is it whole, and if not, what happened to which record?

Each record holds the SHA-256 of the whole file before it. What the chain alone can tell:

| what happened                                   | finding          | state of the record          |
|-------------------------------------------------|------------------|------------------------------|
| bytes changed in a record that has a successor  | `chain-broken`   | `changed`                    |
| a record dropped, numbers left out              | `record-missing` | (there is none)              |
| two records swapped, or one renamed             | `chain-broken`   | `swapped`                    |
| a record cut off                                | `bad-record`     | `truncated`                  |
| a record that breaks its format                 | `bad-record`     | `unreadable`                 |
| a link, a pipe or a folder in a record's place  | `bad-record`     | `unreadable`                 |
| a record of another roll or of another format   | `foreign-record` | `foreign`                    |
| a record of a later version of this tool        | `newer-version`  | `newer`                      |
| two records with one number                     | `chain-broken`   | `duplicate`                  |
| a file that is no record                        | `foreign-record` | (a warning, breaks nothing)  |

A change in the newest record, or the loss of it, shows only beside a memory of it: `compare_with_memory`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from rollproof.models import names
from rollproof.models.counting import count_are
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.volumes import Evidence
from rollproof.records import store
from rollproof.records.lines import BadRecord, Lines
from rollproof.records.models import AnyHeader, ReceiveHeader, VerifyHeader
from rollproof.records.read import header_of
from rollproof.storage.io import Io

LinkState = Literal["whole", "changed", "swapped", "truncated", "unreadable", "foreign", "newer", "duplicate"]

_REMEDY = "Compare with the records on another copy of this roll; footage is not touched by this."
NEWER_REMEDY = "Install the newer version and ask again; footage is not touched by this."
_MAX_NAMED = 20
MAX_RECORDS = 3_000
"""A roll that is verified every day gets there after eight years."""
MAX_HEADERS_BYTES = 16 << 20
"""All headers of one chain together, as text: a chain is held in memory (six times as large there), and a drive may
be hostile."""


@dataclass(frozen=True, slots=True)
class Link:
    """One record of the chain. `kind` is what its name says; `sha256` is empty when it could not be read at all."""

    name: str
    sequence: int
    kind: str
    sha256: str
    previous_sha256: str | None
    header: AnyHeader | None
    state: LinkState


@dataclass(frozen=True, slots=True)
class Chain:
    """All records of a roll in the order of their numbers, and everything that is wrong with them."""

    links: tuple[Link, ...]
    findings: tuple[Finding, ...]

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong with it. An empty chain is whole and proves nothing."""
        return not any(finding.severity is Severity.ERROR for finding in self.findings)

    @property
    def needs_newer(self) -> bool:
        """Whether nothing is wrong with it but that a later version of this tool wrote in it."""
        errors = [finding for finding in self.findings if finding.severity is Severity.ERROR]
        return bool(errors) and all(finding.kind is Kind.NEWER_VERSION for finding in errors)

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of every record that could be read, by name: what `append_record` wants of whoever builds on them."""
        return {link.name: link.sha256 for link in self.links if link.sha256}

    @property
    def newest(self) -> Link | None:
        """The link with the highest number."""
        return self.links[-1] if self.links else None


def read_chain(io: Io, roll_folder: int, *, roll: str | None = None, drive: str = "") -> Chain:
    """Read the records below an open roll folder: every header, and every file's SHA-256, streamed.

    With `roll`, records of another roll are foreign; without it, those that differ from the majority. Never raises
    for what the records hold; OSError when the drive cannot be listed.
    """
    try:
        with store.records_folder(io, roll_folder) as folder:
            there = store.look(io, folder)
            if len(there.records) > MAX_RECORDS:
                raise BadRecord(f"there are more than {MAX_RECORDS} of them")
            budget = _Budget()
            links = [_link(io, folder, record, budget) for record in there.records]
    except FileNotFoundError:
        return Chain((), (_finding(Kind.NO_HISTORY, "", "There are no records here.", drive, Severity.WARNING),))
    except BadRecord as problem:
        detail = f"The records cannot be read: {problem.message}."
        return Chain((), (_finding(Kind.FOREIGN_RECORD, names.RECORDS_FOLDER.decode(), detail, drive),))
    findings = [
        _finding(Kind.FOREIGN_RECORD, names.shown(name), "This file is no record of ours.", drive, Severity.WARNING)
        for name in there.strangers[:_MAX_NAMED]
    ]
    if len(there.strangers) > _MAX_NAMED:
        left = len(there.strangers) - _MAX_NAMED
        detail = f"{count_are(left, 'more file')} no record of ours."
        findings.append(_finding(Kind.FOREIGN_RECORD, "", detail, drive, Severity.WARNING))
    if not links:
        findings.append(_finding(Kind.NO_HISTORY, "", "There are no records here.", drive, Severity.WARNING))
    judge = _Judge([link for link, _ in links], [trouble for _, trouble in links], roll, drive)
    judge.run()
    return Chain(tuple(judge.links), tuple(findings + judge.findings))


@dataclass(slots=True)
class _Budget:
    header_bytes: int = MAX_HEADERS_BYTES


def _link(io: Io, folder: int, record: store.FoundRecord, budget: _Budget) -> tuple[Link, str]:
    """A record as far as it can be read on its own, and what is wrong with it."""
    if not record.is_file:
        trouble = "a link, a pipe or a folder lies in its place"
        return Link(record.name, record.sequence, record.kind, "", None, None, "unreadable"), trouble
    header: AnyHeader | None = None
    state: LinkState = "whole"
    trouble = sha256 = ""
    try:
        handle = io.open_read(record.name.encode("ascii"), folder, direct=False)
        try:
            text = Lines(io, handle)
            try:
                header, _ = header_of(text)
                budget.header_bytes -= text.header_bytes
                if budget.header_bytes < 0:
                    header = None
                    raise BadRecord("the headers of this chain are too long to be held together")
            except BadRecord as problem:
                state, trouble = _defect(problem)
            sha256, ends_well = text.finish()
            if not ends_well and state != "foreign":
                state, trouble = "truncated", "it ends in the middle"
        finally:
            io.close(handle)
    except BadRecord as problem:
        state, trouble = _defect(problem)
    except OSError as problem:
        state, trouble = "unreadable", f"it cannot be read ({problem.strerror or problem})"
    previous = header.previous_sha256 if header is not None else None
    return Link(record.name, record.sequence, record.kind, sha256, previous, header, state), trouble


def _defect(problem: BadRecord) -> tuple[LinkState, str]:
    states: dict[str, LinkState] = {"truncated": "truncated", "foreign": "foreign", "newer": "newer"}
    return states.get(problem.defect, "unreadable"), problem.message


class _Judge:
    """Looks at the links side by side."""

    def __init__(self, links: list[Link], troubles: list[str], roll: str | None, drive: str) -> None:
        self.links = links
        self.findings: list[Finding] = []
        self._troubles = troubles
        self._roll = roll
        self._drive = drive

    def run(self) -> None:
        """Fill in states and findings."""
        self._each_alone()
        self._foreign()
        self._duplicates()
        self._swapped()
        self._gaps()
        self._changed()

    def _say(self, kind: Kind, index: int, detail: str, state: LinkState) -> None:
        self.links[index] = replace(self.links[index], state=state)
        self.findings.append(_finding(kind, self.links[index].name, detail, self._drive))

    def _each_alone(self) -> None:
        for index, link in enumerate(self.links):
            if link.state == "foreign":
                self._say(Kind.FOREIGN_RECORD, index, f"This is a foreign file: {self._troubles[index]}.", link.state)
            elif link.state == "newer":
                detail = f"{link.name} needs a newer version of this tool: what it says is not known here."
                self.findings.append(
                    Finding(Kind.NEWER_VERSION, Severity.ERROR, link.name, detail, self._drive, NEWER_REMEDY)
                )
            elif link.state == "truncated":
                self._say(Kind.BAD_RECORD, index, "The record is cut off: it ends in the middle.", link.state)
            elif link.state != "whole":
                self._say(Kind.BAD_RECORD, index, f"The record is unreadable: {self._troubles[index]}.", link.state)

    def _foreign(self) -> None:
        readable = [
            (index, link.header)
            for index, link in enumerate(self.links)
            if link.header is not None and link.state != "foreign"
        ]
        # beside a history around rolls, at the top of a drive, lie the records of its handovers too
        self._of_others([each for each in readable if not _is_of_a_drive(each[1])], self._roll)
        self._of_others([each for each in readable if _is_of_a_drive(each[1])], None)

    def _of_others(self, readable: list[tuple[int, AnyHeader]], asked: str | None) -> None:
        if not readable:
            return
        owners = Counter((header.production, header.roll) for _, header in readable)
        # on a draw the record with the lowest number wins: most_common keeps the order of first appearance
        production, roll = owners.most_common(1)[0][0]
        if asked is not None:
            roll = asked
        for index, header in readable:
            if header.roll != roll:
                detail = f"The record is about another roll: {names.inert(header.roll or 'none')}."
                self._say(Kind.FOREIGN_RECORD, index, detail, "foreign")
            elif header.production != production:
                detail = f"The record is of another production: {names.inert(header.production or 'none')}."
                self._say(Kind.FOREIGN_RECORD, index, detail, "foreign")

    def _duplicates(self) -> None:
        numbers = Counter(link.sequence for link in self.links if link.state != "foreign")
        for index, link in enumerate(self.links):
            if link.state == "whole" and numbers[link.sequence] > 1:
                self._say(Kind.CHAIN_BROKEN, index, f"Two records have the number {link.sequence}.", "duplicate")

    def _swapped(self) -> None:
        for index, link in enumerate(self.links):
            header = link.header
            if link.state != "whole" or header is None:
                continue
            if header.sequence != link.sequence:
                detail = (
                    f"The record says that it is number {header.sequence}, its name says {link.sequence}:"
                    " records were swapped, or it was renamed."
                )
                self._say(Kind.CHAIN_BROKEN, index, detail, "swapped")
            elif header.kind != link.kind:
                detail = f"The record is of the kind {header.kind}, its name says {link.kind}: it was renamed."
                self._say(Kind.CHAIN_BROKEN, index, detail, "swapped")

    def _gaps(self) -> None:
        expected = 1
        for number in sorted({link.sequence for link in self.links if link.state != "foreign"}):
            if number > expected:
                what = f"Record {expected} is" if number == expected + 1 else f"Records {expected} to {number - 1} are"
                detail = f"{what} missing: removed, or left behind when the folder was copied."
                self.findings.append(_finding(Kind.RECORD_MISSING, "", detail, self._drive))
            expected = number + 1

    def _changed(self) -> None:
        by_number: dict[int, list[int]] = {}
        for index, link in enumerate(self.links):
            if link.state not in ("foreign", "swapped"):
                by_number.setdefault(link.sequence, []).append(index)
        for link in list(self.links):
            if link.header is None or link.state not in ("whole", "duplicate"):
                continue
            before = by_number.get(link.sequence - 1, [])
            if link.sequence == 1:
                if link.previous_sha256 is not None:
                    detail = "The first record names one before it: records before it were removed."
                    self.findings.append(_finding(Kind.RECORD_MISSING, link.name, detail, self._drive))
            elif before and not any(self.links[other].sha256 == link.previous_sha256 for other in before):
                for other in before:
                    if self.links[other].state in ("whole", "newer"):
                        detail = (
                            f"The record is not the one that {link.name} was written after:"
                            " it was changed or replaced, or one between them was removed."
                        )
                        self._say(Kind.CHAIN_BROKEN, other, detail, "changed")


def compare_with_memory(chain: Chain, remembered: Mapping[int, Iterable[str]], *, whose: str = "") -> list[Finding]:
    """What a chain lacks that somebody else remembers of it: the ledger, a sibling copy's records, a receipt.

    `remembered` holds, by number, the digests that a record of this chain was seen with. Records that are gone are
    `record-missing`, those that are others now are `chain-broken`. `whose` names the memory for the sentence.
    """
    there: dict[int, set[str]] = {}
    for link in chain.links:
        there.setdefault(link.sequence, set()).add(link.sha256)
    findings: list[Finding] = []
    said_by = whose or "this station"
    for number in sorted(remembered):
        digests = set(remembered[number])
        if number not in there:
            detail = f"Record {number} is missing here, and {said_by} remembers it."
            findings.append(_finding(Kind.RECORD_MISSING, "", detail, ""))
        elif not digests & there[number]:
            detail = f"Record {number} is not the one that {said_by} remembers: it was changed or replaced."
            findings.append(_finding(Kind.CHAIN_BROKEN, "", detail, ""))
    return findings


def newer_word(chain: Chain, remembered: Mapping[int, Iterable[str]]) -> bool:
    """Whether the newest offload, verify or receive of a chain is one that a memory does not know yet."""
    word = newest_word(chain)
    return word is not None and word.sha256 not in remembered.get(word.sequence, ())


def newest_word(chain: Chain) -> Link | None:
    """The newest offload, verify or receive that says something of the copy: what agreed and could not be shown to come
    from the drive says nothing."""
    words = (link for link in reversed(chain.links) if link.kind in ("offload", "verify", "receive"))
    return next((link for link in words if not says_nothing(link.header)), None)


def says_nothing(header: AnyHeader | None) -> bool:
    """Whether a record tells of a reading that agreed in everything, and may have been answered by a cache."""
    return (
        isinstance(header, VerifyHeader | ReceiveHeader)
        and header.verdict != "proven"
        and (header.totals.differ, header.totals.missing) == (0, 0)
        and header.copy_ is not None
        and (header.copy_.state, header.copy_.readback) == ("copied", Evidence.CACHE)
        and not any(found.severity == Severity.ERROR.value for found in header.findings)
    )


def _is_of_a_drive(header: AnyHeader) -> bool:
    return header.kind in ("handover", "receive") and header.roll is None


def _finding(kind: Kind, path: str, detail: str, drive: str, severity: Severity = Severity.ERROR) -> Finding:
    remedy = _REMEDY if severity is Severity.ERROR else ""
    return Finding(kind=kind, severity=severity, path=path, detail=detail, drive=drive, remedy=remedy)
