"""One look at one copy: its papers, its listing, and what the two together say. Nothing of the footage is read."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice

from rollproof.ascmhl.standard import DEFAULT_PATTERNS
from rollproof.copies.beside_records import history_findings
from rollproof.copies.card_findings import add_clip, on_the_card
from rollproof.copies.examine import record_facts
from rollproof.copies.history import Expectation, copy_rules, speaks_against, unfinished_finding
from rollproof.copies.location import place_on
from rollproof.copies.nesting import Around
from rollproof.copies.recorded import Papers, Recorded, merged, opened_copy, read_papers
from rollproof.copies.recorded_tree import RulesAround
from rollproof.copies.renamed import READ_IT, now_called
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.copies.strangers import noted_strangers
from rollproof.copying.plan import same_time
from rollproof.models.counting import count_of
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error, note, warning
from rollproof.models.grouped import grouped, other_names
from rollproof.models.names import ASCMHL_FOLDER, MARKER_NAME, shown, to_text
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.proof.copy import judge_copy
from rollproof.proof.copy_facts import CopyFacts, ListingFacts, Paths
from rollproof.proof.policy import Rules
from rollproof.proof.renamed import FileFacts, new_names
from rollproof.records.chain import Chain, read_chain
from rollproof.records.founding import founder_of
from rollproof.records.signing import KnownKeys, check_signature, signature_finding
from rollproof.records.standing import Standing, accepted_today, standing
from rollproof.storage.files import exists
from rollproof.storage.io import Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.audit.copy import AUDIT_STATES, CopyLook, Place, Told
from rollproof.workflows.audit.headers import note_headers, read_again_at
from rollproof.workflows.audit.hidden import hidden_footage
from rollproof.workflows.audit.sums import Sums
from rollproof.workflows.audit.topics import topic_of

_SEARCHED = 20_000
"""Missing and unknown files that are held beside each other."""
_NAMED = 5
"""Files of one kind in one copy that are said one by one."""


class CopyLooker:
    """Looks at copies, one after the other. One for each worker."""

    def __init__(self, io: Io, known: KnownKeys, cancel: Cancel, rules: Rules) -> None:
        self._io = io
        self._known = known
        self._cancel = cancel
        self._rules = rules

    def look_around(self, place: Place, around: Around) -> CopyLook:
        """The same for a history around rolls, of which only the files of its own are looked at. What is beside them
        without being recorded is told with everything else that lies outside of the rolls."""
        path = os.path.join(place.path, around.folder) if around.folder else place.path
        copy = CopyLook(place, around.folder, path, shown(os.path.basename(os.path.realpath(path))))
        copy.on_volume, copy.inner, copy.is_around = to_text(place_on(place.volume, path)), around.inner, True
        with opened_copy(self._io, path) as handle:
            _Look(self._io, handle, copy, self._known, self._cancel, self._rules).run()
        copy.told = [replace(told, roll="") for told in copy.told]
        return copy

    def look(self, place: Place, folder: bytes, inner: Sequence[bytes]) -> CopyLook:
        """What one copy is worth by its papers and its listing. OSError when its folder cannot be opened or listed."""
        path = os.path.join(place.path, folder) if folder else place.path
        copy = CopyLook(place, folder, path, shown(os.path.basename(os.path.realpath(path))))
        copy.on_volume = to_text(place_on(place.volume, path))
        copy.inner = tuple(below[len(folder) + 1 if folder else 0 :] for below in inner)
        with opened_copy(self._io, path) as handle:
            _Look(self._io, handle, copy, self._known, self._cancel, self._rules).run()
        return copy


class _Look:
    def __init__(self, io: Io, handle: int, copy: CopyLook, known: KnownKeys, cancel: Cancel, rules: Rules) -> None:
        self._rules = rules
        self._io = io
        self._handle = handle
        self._copy = copy
        self._volume: Volume = copy.place.volume
        self._known = known
        self._cancel = cancel
        self._drive = shown(copy.path)
        self._found: list[Finding] = []
        self._here = 0
        """How many of the files that should be there are there."""
        self._missing: list[bytes] = []
        self._gone: list[FileFacts] = []
        self._new: list[FileFacts] = []
        """What is missing and what is unknown, for the search of new names; of very many only the first."""
        self._differ: list[bytes] = []
        self._redated: list[bytes] = []
        self._unknown: list[bytes] = []
        self._strangers: frozenset[bytes] = frozenset()
        self._disagree: list[bytes] = []

    def run(self) -> None:
        """Fill in the copy."""
        copy = self._copy
        free = try_lock(self._io, self._handle)
        chain = read_chain(self._io, self._handle, drive=self._drive)
        papers = read_papers(self._io, self._handle, () if copy.is_around else copy.inner)
        here, accepted = place_on(self._volume, copy.path), accepted_today(chain, self._rules)
        found = standing(self._io, self._handle, chain, self._volume, accepted=accepted, folder=here)
        self._found += [odd for odd in chain.findings if odd.kind is not Kind.NO_HISTORY]
        self._found += [self._placed(odd, b"") for odd in history_findings(papers.history, chain)]
        for folder, history in papers.inner:
            self._found += [self._placed(odd, folder) for odd in history.findings]
        note_headers(copy, chain, papers)
        copy.founder = founder_of(chain)
        self._strangers = noted_strangers(self._io, self._handle, chain)
        there = self._listing(chain, papers, found)
        self._found += [self._named(odd) for odd in there.findings if speaks_against(odd)]
        left_out = there.ignored if not copy.is_around else set(there.ignored) - set(copy.inner)
        self._found += hidden_footage(self._io, self._handle, left_out, self._drive, self._cancel)
        unfinished = exists(self._io, self._handle, MARKER_NAME) is not None
        if not unfinished:
            self._leftovers(there)
        gone = any(odd.kind is Kind.MANIFEST_MISSING for odd in self._found)
        if chain.links and not papers.history.generations and not gone:
            detail = "its records are there, and the history of the open standard beside them is gone"
            remedy = "look who removed it, and verify this copy: that begins a new one; other people's tools need it"
            self._say(Kind.MANIFEST_MISSING, Severity.WARNING, ASCMHL_FOLDER, detail, remedy)
        self._compare(there, found, papers)
        self._signatures(chain)
        self._of_the_card(chain)
        self._judge(chain, papers, found, there, unfinished=unfinished, free=free)
        copy.told = [Told(topic_of(odd.kind), odd, copy.roll) for odd in grouped(self._found)]
        copy.links = tuple(replace(link, header=None) for link in chain.links)

    def _placed(self, odd: Finding, folder: bytes) -> Finding:
        path = f"{shown(folder)}/{odd.path}" if folder else odd.path
        return replace(odd, drive=self._drive, path=path, remedy=odd.remedy or "compare with the roll's other copies")

    def _named(self, odd: Finding) -> Finding:
        detail = odd.detail if not odd.path or odd.path in odd.detail else f"{odd.path}: {odd.detail}"
        return replace(odd, detail=detail, drive=self._drive)

    def _leftovers(self, there: Snapshot) -> None:
        """Unfinished files in a copy that is not marked as unfinished itself."""
        left = [odd.path for odd in there.findings if odd.kind is Kind.NOT_FINISHED and odd.path]
        if left:
            more = f" and {len(left) - 1:,} more" if len(left) > 1 else ""
            detail = f"{left[0]}{more}: an unfinished file of a run that was stopped"
            remedy = "verify this copy; if it is proven, the unfinished file is not needed"
            self._found.append(
                warning(Kind.UNKNOWN_FILE, detail, path=left[0], drive=self._drive, remedy=remedy, count=len(left))
            )

    def _say(self, kind: Kind, severity: Severity, path: bytes | str, detail: str, remedy: str) -> None:
        name = path if isinstance(path, str) else shown(path)
        self._found.append(Finding(kind, severity, name, detail, self._drive, remedy))

    # --- what the papers say of the whole

    def _listing(self, chain: Chain, papers: Papers, found: Standing) -> Snapshot:
        histories = [papers.history, *(history for _, history in papers.inner)]
        patterns = [pattern for history in histories for pattern in history.ignore_patterns]
        if found.newest_offload is not None:
            patterns += found.newest_offload.ignore
        if self._copy.is_around:
            return take_snapshot(self._io, self._handle, RulesAround(inner=self._copy.inner), cancel=self._cancel)
        rules = IgnoreRules(of_copy=True)
        if self._copy.inner:
            rules = IgnoreRules((ASCMHL_FOLDER.decode(),), of_copy=True)
        if set(patterns) - {*rules.patterns, *DEFAULT_PATTERNS}:
            # only then it matters whether one of them would hide what is recorded
            expectation = Expectation({}, chain, papers.history, found)
            files = dict.fromkeys(entry.path for entry in self._stream(found, papers))
            expectation.files = files  # type: ignore[assignment]  # only its paths are looked at
            rules, hidden = copy_rules(expectation, self._drive)
            self._found += hidden
        return take_snapshot(self._io, self._handle, rules, cancel=self._cancel)

    def _stream(self, found: Standing, papers: Papers) -> Iterator[Recorded]:
        """What should be there; a record that cannot be read through ends it and is said."""
        try:
            yield from merged(found, papers.expected, self._strangers)
        except UntrustedInput as problem:
            self._say(
                Kind.BAD_RECORD,
                Severity.ERROR,
                "",
                f"a record cannot be read through: {problem.message}",
                "look for the same record on another drive with this roll; the copy cannot be called proven",
            )

    # --- what lies there, beside it

    def _compare(self, there: Snapshot, found: Standing, papers: Papers) -> None:
        copy = self._copy
        ignored = frozenset(there.ignored)
        sums = Sums()
        files = iter(there.files)
        entry = next(files, None)
        for wanted in self._stream(found, papers):
            sums.add(wanted)
            if wanted.size:
                add_clip(copy.clips, wanted.path, wanted.hashes)
            self._disagree += [wanted.path] if wanted.disagrees else []
            while entry is not None and entry.path < wanted.path:
                self._unknown.append(entry.path)
                _note(self._new, entry.path, entry.size, entry.modified_ns)
                entry = next(files, None)
            if entry is not None and entry.path == wanted.path:
                self._one(wanted, entry)
                entry = next(files, None)
            elif wanted.path not in ignored:
                self._missing.append(wanted.path)
                _note(self._gone, wanted.path, wanted.size, wanted.modified_ns)
        while entry is not None:
            self._unknown.append(entry.path)
            _note(self._new, entry.path, entry.size, entry.modified_ns)
            entry = next(files, None)
        if copy.is_around:
            self._unknown.clear()
        copy.files, copy.size_bytes = sums.files, sums.size_bytes
        copy.moving, copy.sound = sums.moving, sums.sound
        copy.digests = sums.texts()
        copy.keys = sums.keys

    def _one(self, wanted: Recorded, entry: FileEntry) -> None:
        self._here += 1
        if wanted.size is not None and wanted.size != entry.size:
            self._differ.append(wanted.path)
        elif wanted.modified_ns is not None and not same_time(
            wanted.modified_ns, entry.modified_ns, self._volume.limits
        ):
            self._redated.append(wanted.path)

    def _of_the_card(self, chain: Chain) -> None:
        try:
            self._copy.card = on_the_card(self._io, self._handle, chain, self._copy.roll)
        except UntrustedInput as problem:
            detail = f"the clips in a record cannot be read through: {problem.message}"
            self._say(
                Kind.BAD_RECORD, Severity.ERROR, "", detail, "look for the same record on another drive with this roll"
            )

    def _signatures(self, chain: Chain) -> None:
        for link in chain.links:
            if link.header is None:
                continue
            try:
                signature = check_signature(self._io, self._handle, link.name, self._known)
            except UntrustedInput as problem:
                self._say(
                    Kind.BAD_RECORD,
                    Severity.ERROR,
                    link.name,
                    problem.message,
                    "compare with another drive with this roll",
                )
                continue
            if signature.state == "missing":
                self._copy.unsigned.append(link.name)
            elif signature.state == "unknown key":
                keys = self._copy.foreign_keys
                keys[signature.fingerprint] = keys.get(signature.fingerprint, 0) + 1
            else:
                odd = signature_finding(link.name, signature, self._drive)
                self._found += [odd] if odd is not None else []

    # --- what it comes to

    def _judge(
        self, chain: Chain, papers: Papers, found: Standing, there: Snapshot, *, unfinished: bool, free: bool
    ) -> None:
        copy = self._copy
        copy.read_at = read_again_at(copy, chain, len(self._unknown), accepted_today(chain, self._rules))
        copy.facts = self._facts(chain, papers, found, there, unfinished=unfinished)
        verdict = judge_copy(copy.facts, self._rules)
        copy.state, copy.why = AUDIT_STATES[verdict.state], verdict.why
        if copy.state == "record only":
            self._missing = []
            detail = f"there is a record of {count_of(copy.files, 'file')}, and nothing of that is there"
            self._say(Kind.RECORD_WITHOUT_FILES, Severity.ERROR, "", detail, verdict.remedy)
        copy.unfinished = copy.state == "incomplete" and (unfinished or not self._missing)
        if not free:
            self._found.append(locked_finding(self._drive, os.path.basename(copy.path)))
        if unfinished:
            self._found.append(unfinished_finding(self._drive))
        elif copy.state == "incomplete" and not self._missing:
            self._say(Kind.NOT_FINISHED, Severity.ERROR, "", " ".join(found.why), found.remedy)
        if copy.state == "damaged" and not self._differ:
            again = "keep the other copies and the card, and verify this one"
            self._say(Kind.DIFFERS, Severity.ERROR, "", copy.why, again)
        self._say_differences()

    def _facts(self, chain: Chain, papers: Papers, found: Standing, there: Snapshot, *, unfinished: bool) -> CopyFacts:
        copy = self._copy
        failed = sum(made.failed for made in papers.history.generations[-1:])
        records = replace(
            record_facts(chain, found),
            broken_beside=any(_is_broken(odd) for odd in self._found),
            failed_in_manifest=failed,
            read_again=copy.read_at is not None,
        )
        strangers: int | None = len(there.files) - self._here
        if copy.is_around and copy.files:
            strangers = None  # those of the rolls in it
        listing = ListingFacts(
            copy.files,
            self._here,
            strangers,
            missing=_paths(self._missing),
            differ=_paths(self._differ),
            redated=_paths(self._redated),
        )
        return CopyFacts(True, copy.place.name, unfinished=unfinished, records=records, listing=listing)

    def _say_differences(self) -> None:
        keep = "keep the other copies and the card"
        fresh = f"{keep}; copy this file from a proven copy into a new folder"
        read = "has another date than recorded: only reading it tells whether its content is another"
        again = "audit again with --reread, or verify this copy"
        missing = self._missing
        if missing and self._unknown:
            names = dict(islice(new_names(self._gone, self._new, self._volume.limits.timestamp_ns).items(), _NAMED))
            missing = [path for path in missing if path not in names]
            for path, name in names.items():
                self._say(Kind.MISSING, Severity.ERROR, path, f"{shown(path)} {now_called(name)}", READ_IT)
        self._say_each(Kind.MISSING, Severity.ERROR, missing, "is recorded and not there", keep)
        self._say_each(Kind.DIFFERS, Severity.ERROR, self._differ, "has another size than recorded", fresh)
        self._say_each(Kind.DIFFERS, Severity.ERROR, self._redated, read, again)
        if self._copy.unfinished:
            self._say_begun()
        else:
            strange = "is in no record", "look who put it there"
            self._say_each(Kind.UNKNOWN_FILE, Severity.WARNING, self._unknown, *strange)
        if self._disagree:
            first, more = shown(self._disagree[0]), len(self._disagree) - 1
            detail = f"record and manifest give different hashes for {first}" + (f" and {more:,} more" if more else "")
            self._found.append(
                error(
                    Kind.RECORD_AND_MANIFEST_DISAGREE,
                    f"{detail}; the record is believed",
                    path=first,
                    drive=self._drive,
                    remedy="one of them was changed: compare with the other drives, and find out by whom",
                    count=more + 1,
                )
            )

    def _say_begun(self) -> None:
        """What lies in a copy that is not finished is of that offload, as far as anybody can tell before its record is
        down: the finding that it is not finished says what to do."""
        if self._unknown:
            count = len(self._unknown)
            files = "1 file" if count == 1 else f"{count:,} files"
            detail = f"{files} of the offload that was not finished, in no record yet"
            name = shown(self._unknown[0])
            self._found.append(note(Kind.UNKNOWN_FILE, detail, path=name, drive=self._drive, count=count))

    def _say_each(self, kind: Kind, severity: Severity, paths: Sequence[bytes], what: str, remedy: str) -> None:
        """The first few by name; where there are more, one finding with their count: there may be very many."""
        named = paths if len(paths) <= _NAMED else paths[:1]
        for path in named:
            count = 1 if len(named) == len(paths) else len(paths)
            more = f" (and {count - 1:,} more like it)" if count > 1 else ""
            name = shown(path)
            others = other_names(paths) if count > 1 else ()
            self._found.append(
                Finding(kind, severity, name, f"{name} {what}{more}", self._drive, remedy, count, others)
            )


def _note(facts: list[FileFacts], path: bytes, size: int | None, modified_ns: int | None) -> None:
    if len(facts) < _SEARCHED:
        facts.append(FileFacts(path, size, modified_ns))


def _paths(paths: Sequence[bytes]) -> Paths:
    return Paths(len(paths), shown(paths[0]) if paths else "")


def _is_broken(odd: Finding) -> bool:
    return odd.severity is Severity.ERROR and odd.kind is not Kind.NEWER_VERSION and topic_of(odd.kind) == "custody"
