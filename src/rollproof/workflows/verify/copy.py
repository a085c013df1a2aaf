"""Read one copy again, compare it with its own papers, and append to both histories."""

from __future__ import annotations

import contextlib
import os
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from rollproof.ascmhl.nested import check_references
from rollproof.copies.history import (
    Wanted,
    copy_rules,
    read_expectation,
    speaks_against,
    unfinished_finding,
)
from rollproof.copies.inner_history import InnerSets
from rollproof.copies.ledger_update import other_offload_records, remember_verify
from rollproof.copies.location import place_on
from rollproof.copies.outer_history import LOOK_ELSEWHERE, own_files
from rollproof.copies.reading_journal import Reading, ReadingJournal
from rollproof.copies.roll_folder import RollFolder
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.hashing import ALGORITHMS, chosen, proof_algorithm
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import Interrupted, UntrustedInput
from rollproof.models.events import Leg, LegEnded, LegStarted, Moved
from rollproof.models.file_table import size_of
from rollproof.models.findings import Finding, Kind, error, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import MARKER_NAME, shown, to_text
from rollproof.models.reads import Reads
from rollproof.models.requests import VerifyRequest
from rollproof.models.results import VerifiedCopy
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.policy import Rules
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass, PassSettings
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import Stalled, Stopped
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.records.chain import read_chain
from rollproof.records.signing import wrong_signatures
from rollproof.records.standing import accepted_today, standing
from rollproof.station.context import Context
from rollproof.storage.errors import hanging, said
from rollproof.storage.files import exists
from rollproof.storage.medium import MediumAccess
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.verify.append import append_result
from rollproof.workflows.verify.differences import compare, is_other, seen_bad
from rollproof.workflows.verify.work import Work, was_away


class CopyVerifier:
    """Verifies copies one after the other."""

    def __init__(
        self,
        ctx: Context,
        request: VerifyRequest,
        journal: ReadingJournal | None = None,
        rules: Rules | None = None,
    ) -> None:
        self._rules = rules if rules is not None else Rules()
        self._ctx = ctx
        self._io = ctx.io
        self._request = request
        self._journal = journal if journal is not None else ReadingJournal(ctx.station, "verify")
        self._pool = BufferPool(ctx.settings.block_bytes)
        self._hangs = False
        """Whether the drive at hand does not answer: nothing more may be asked of it, and its handle is in use."""

    def run(
        self,
        path: bytes,
        inner: Sequence[bytes] = (),
        *,
        also: tuple[str, ...] = (),
        take: Callable[[Reads], None] | None = None,
    ) -> VerifiedCopy:
        """One copy from its papers to its verdict. Raises Interrupted; OSError when the folder cannot be opened.

        `inner` are the folders in it with a history of their own, verified before: their files are theirs to record.
        `also` are algorithms to compute as well, in this copy only; `take` is given what was read.
        """
        drive = shown(path)
        handle = self._io.open_root(path)
        self._hangs = False
        try:
            volume = self._ctx.drives.volume_of(path)
            self._ctx.station.at_work.begin(volume)
            if not try_lock(self._io, handle):
                return _untouched(path, locked_finding(drive, os.path.basename(path)))
            reading = self._journal.begin(volume, place_on(volume, path), drive)
            try:
                return self._with_lock(path, drive, handle, volume, tuple(inner), also, take, reading)
            except UntrustedInput as problem:
                reading.fails(f"its history cannot be relied on: {problem.message}")
                raise
            except OSError as error:
                reading.lost(f"it could not be read ({said(error)})")
                raise
        finally:
            if not self._hangs:  # else a read that hangs still uses it
                with contextlib.suppress(OSError):
                    self._io.close(handle)

    def _with_lock(
        self,
        path: bytes,
        drive: str,
        handle: int,
        volume: Volume,
        inner: tuple[bytes, ...],
        also: tuple[str, ...],
        take: Callable[[Reads], None] | None,
        reading: Reading,
    ) -> VerifiedCopy:
        started_at = datetime.now().astimezone()
        papers = read_expectation(self._io, handle, volume, drive)
        reading.saw(papers.chain)
        rules, hidden = copy_rules(papers, drive)
        there = own_files(take_snapshot(self._io, handle, rules, cancel=self._ctx.cancel), inner, papers.files)
        work = Work(
            path,
            drive,
            handle,
            volume,
            papers,
            there,
            Reads(there.files),
            rules,
            was_away=was_away(papers, volume),
            inner=inner,
        )
        work.findings += papers.findings + hidden
        work.findings += wrong_signatures(self._io, handle, papers.chain.digests, drive)
        work.findings += [replace(finding, drive=drive) for finding in there.findings if speaks_against(finding)]
        if exists(self._io, handle, MARKER_NAME) is not None:
            work.findings.append(unfinished_finding(drive))
        if not papers.has_papers:
            work.findings.append(
                error(
                    Kind.NO_HISTORY,
                    "there are no records and no manifests to compare with",
                    drive=drive,
                    remedy="offload the card again; a copy without history cannot be proven",
                )
            )
        sets = InnerSets(self._io, handle, inner) if inner else None
        gone = check_references(papers.history, sets.histories if sets is not None else ()).all()
        work.findings += [replace(odd, drive=drive, remedy=odd.remedy or LOOK_ELSEWHERE) for odd in gone]
        seen_bad(work, reading)
        self._read(work, also, reading)
        compare(work, strict=self._request.strict)
        if take is not None and not self._hangs:
            take(work.read)
        work.findings += self._ctx.station.tell(lambda ledger: self._other_records(ledger, work)) or []
        if not self._hangs:
            append_result(self._io, work, started_at, self._request.person, self._ctx.signer, sets, forgets=bool(gone))
            if not work.clean and not reading.bad:
                reading.fails("a verify found that this copy is not as recorded")
            reading.finish(everything=work.is_whole, evidence=work.readback)
            self._remember(work)
        trouble = reading.trouble()
        work.findings += trouble
        return self._result(work, remembered=not trouble)

    # --- reading

    def _read(self, work: Work, also: tuple[str, ...], reading: Reading) -> None:
        files = work.there.files
        extra = chosen(self._request.add_hashes) if self._request.add_hashes else ()
        extra = (*extra, *also)
        groups: dict[tuple[str, ...], list[int]] = defaultdict(list)
        for number, entry in enumerate(files):
            wanted = work.papers.files.get(entry.path)
            if wanted is not None and wanted.size is not None and wanted.size != entry.size:
                continue  # another size is another content: nothing a hash could add
            groups[_algorithms(work, wanted, extra)].append(number)
        total = sum(len(numbers) for numbers in groups.values())
        size = sum(size_of(files, numbers) for numbers in groups.values())
        roll = work.roll
        self._ctx.emit(LegStarted(roll, Leg.READ_BACK, work.drive, total, size))
        ok = False
        try:
            for algorithms, numbers in groups.items():
                self._pass(work, roll, algorithms, numbers, reading)
            ok = True
        except Stopped:
            told = self._journal.told()
            raise Interrupted(
                "verify was interrupted; nothing was written for this copy" + (f"; {told}" if told else "")
            ) from None
        except TreeLost as lost:
            reading.lost(lost.finding.detail)
            work.findings.append(replace(lost.finding, drive=work.drive))
        except Stalled:
            self._hangs = True
            work.findings.append(hanging(work.drive, self._ctx.settings.stall_seconds))
            reading.lost(work.findings[-1].detail)
        finally:
            self._ctx.emit(LegEnded(roll, Leg.READ_BACK, work.drive, ok))

    def _pass(
        self, work: Work, roll: str, algorithms: tuple[str, ...], numbers: Sequence[int], reading: Reading
    ) -> None:
        files = work.there.files
        access = MediumAccess(
            self._io, work.volume.way, work.volume.source, at_once=self._ctx.settings.files_on(work.volume)
        )
        reader = TreeReader(self._io, OpenTree(work.handle, files, access, work.drive), self._ctx.settings)

        def hashed(number: int, texts: dict[str, str], evidence: Evidence) -> None:
            work.read.add(number, texts)
            work.evidences.add(Evidence.MEDIUM if work.was_away else evidence)
            wanted = work.papers.files.get(files[number].path)
            if wanted is not None and is_other(wanted, texts):
                reading.differs(files[number].path)

        def fault(number: int, finding: Finding) -> None:
            reading.unread(files[number].path)
            work.findings.append(finding)

        def moved(size: int, count: int, number: int) -> None:
            self._ctx.emit(Moved(roll, Leg.READ_BACK, work.drive, size, count, shown(files[number].path)))

        HashPass(
            self._pool,
            reader,
            algorithms,
            self._ctx.settings,
            PassSettings(
                "verify",
                self._ctx.cancel.is_set,
                self._ctx.settings.reads_on(work.volume.device, self._ctx.settings.read_depth),
                self._ctx.settings.stall_seconds,
            ),
        ).run(numbers, hashed, fault, moved)

    # --- remembering

    def _other_records(self, ledger: Ledger, work: Work) -> list[Finding]:
        return other_offload_records(ledger, work.papers.chain, self._folder(work))

    def _folder(self, work: Work) -> RollFolder:
        return RollFolder(self._io, work.handle, work.path, work.volume, work.drive)

    def _remember(self, work: Work) -> None:
        """Tell the station's ledger, after the record on the drive. Its troubles are warnings."""
        remembered = self._ctx.station.tell(
            lambda ledger: remember_verify(
                ledger,
                self._folder(work),
                clean=work.clean,
                findings=work.findings,
                now=datetime.now().astimezone(),
            )
        )
        known = {(finding.kind, finding.detail) for finding in work.findings}
        work.findings += [finding for finding in remembered or () if (finding.kind, finding.detail) not in known]
        work.findings += self._ctx.station.findings()

    # --- telling

    def _result(self, work: Work, *, remembered: bool) -> VerifiedCopy:
        strict = self._request.strict and bool(work.unknown)
        accepted = work.readback in accepted_today(work.papers.chain, self._rules)
        proven = work.clean and accepted and remembered and not strict
        if work.clean and work.readback is Evidence.CACHE:
            work.findings.append(
                warning(
                    Kind.READBACK_FROM_CACHE,
                    "everything matches, but a cache may have answered instead of the drive",
                    drive=work.drive,
                    remedy="unplug the drive, plug it in again, then verify it",
                )
            )
        if proven and work.papers.newest is not None:
            proven = self._stands(work)
        return VerifiedCopy(
            path=work.drive,
            roll=work.roll,
            verdict="proven" if proven else "not proven",
            files=work.files,
            bytes=work.read.size_bytes,
            readback=work.readback.value if work.readback is not None else None,
            differ=[to_text(path) for path in work.differ],
            missing=[to_text(path) for path in work.missing],
            unknown=[to_text(path) for path in work.unknown],
            appended=work.appended,
            findings=grouped(work.findings),
        )

    def _stands(self, work: Work) -> bool:
        """What the records, this verify's own included, now say (the two reads of the card too)."""
        chain = read_chain(self._io, work.handle, drive=work.drive)
        here = place_on(work.volume, work.path)
        accepted = accepted_today(chain, self._rules)
        now = standing(self._io, work.handle, chain, work.volume, accepted=accepted, folder=here)
        if now.state == "proven":
            return True
        work.findings.append(
            warning(
                Kind.SINGLE_READ,
                f"every file is as recorded, yet the copy is not proven: {' '.join(now.why)}",
                drive=work.drive,
                remedy=now.remedy,
            )
        )
        return False


def _untouched(path: bytes, finding: Finding) -> VerifiedCopy:
    return VerifiedCopy(
        path=shown(path),
        roll=shown(os.path.basename(path)),
        verdict="not proven",
        files=0,
        bytes=0,
        readback=None,
        differ=[],
        missing=[],
        unknown=[],
        findings=[finding],
    )


def _algorithms(work: Work, wanted: Wanted | None, extra: tuple[str, ...]) -> tuple[str, ...]:
    known = [name for name in (wanted.hashes if wanted is not None else ()) if name in ALGORITHMS]
    if not known:
        newest = next((wish.hashes for wish in work.papers.files.values() if wish.hashes), {})
        known = [name for name in newest if name in ALGORITHMS and ALGORITHMS[name].standard_name] or ["xxh128"]
    standard = [name for name in known if ALGORITHMS[name].standard_name]
    # one hash decides, the fastest; the open standard's own history wants one that it knows
    return tuple(dict.fromkeys((proof_algorithm(standard or known), *extra)))
