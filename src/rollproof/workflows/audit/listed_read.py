"""Reading a copy again that only checksum files speak of, and comparing it with these. Nothing is appended anywhere."""

from __future__ import annotations

import contextlib

from rollproof.copies.list_readings import ListReadings
from rollproof.copies.location import place_on
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.models.counting import count_are
from rollproof.models.findings import Kind, Severity, error, note, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import shown
from rollproof.proof.policy import Rules
from rollproof.reading.files import FileReader
from rollproof.station.context import Context
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.audit.against import Against
from rollproof.workflows.audit.copy import CopyLook, Told
from rollproof.workflows.audit.listed import is_checksum_file, named_by_lists
from rollproof.workflows.audit.topics import topic_of


class ListedReader:
    """Reads such copies, one after the other."""

    def __init__(self, ctx: Context, rules: Rules) -> None:
        self._io = ctx.io
        self._journal = ReadingJournal(ctx.station, "audit --reread")
        self._accepted = rules.accepted_for(None)
        self._cancel = ctx.cancel
        self._reader = FileReader(ctx.io, ctx.settings, ctx.emit, ctx.cancel)

    def read(self, copy: CopyLook, against: Against | None = None) -> int:
        """Read every file that a list names and put into the copy what came of it; returns the bytes read. `against`
        is another copy to compare it with at once, by a hash that the lists do not have.

        Raises UntrustedInput when a list cannot be read any more, OSError when the folder cannot, Interrupted.
        """
        named = named_by_lists(self._io, copy)
        drive = shown(copy.path)
        handle = self._io.open_root(copy.path)
        hangs = False
        try:
            there = take_snapshot(self._io, handle, IgnoreRules(of_copy=True), cancel=self._cancel)
            numbers = {entry.path: number for number, entry in enumerate(there.files)}
            also = (against.algorithm,) if against is not None else ()
            wanted = {
                numbers[path]: tuple(dict.fromkeys((*named.algorithms(path), *also)))
                for path in sorted(named.files)
                if path in numbers
            }
            volume = copy.place.volume
            readings = ListReadings(self._journal, volume, place_on(volume, copy.path), drive)
            told = readings.told(
                there.files, lambda path, texts: path not in named.files or named.agrees(path, dict(texts))
            )
            read = self._reader.read(handle, volume, there.files, wanted, name=copy.roll, drive=drive, told=told)
            hangs = read.hangs
            read.findings += readings.trouble() if hangs else readings.end()
        finally:
            if not hangs:  # else a read that hangs still uses it
                with contextlib.suppress(OSError):
                    self._io.close(handle)
        missing = [path for path in named.files if path not in numbers]
        unlisted = [path for path in numbers if path not in named.files and not is_checksum_file(path)]
        differ = [
            path
            for path in sorted(named.files)
            if path in numbers
            and numbers[path] in read.hashes
            and not named.agrees(path, read.hashes.texts(numbers[path]))
        ]
        remedy = "keep the other copies and the card; copy this file from a proven copy into a new folder"
        odd = [
            error(
                Kind.DIFFERS,
                f"{shown(path)} is not what its checksum says",
                path=shown(path),
                drive=drive,
                remedy=remedy,
            )
            for path in differ
        ]
        odd += read.findings
        copy.was_compared = True
        errors = any(finding.severity is Severity.ERROR for finding in odd)
        if differ:
            copy.state, copy.why = "damaged", f"{count_are(len(differ), 'file')} not as the checksum says"
        elif errors:
            copy.state, copy.why = "damaged", "not every file of it could be read"
        elif missing:
            pass  # it was said when it was looked at
        elif unlisted:
            copy.why = f"read again and as its checksums say, but {count_are(len(unlisted), 'file')} in no list"
        elif read.readback not in self._accepted:
            copy.why = "it is as its checksums say, but a cache may have answered instead of the drive"
            again = "unplug the drive, plug it in again, and audit again with --reread"
            odd.append(warning(Kind.READBACK_FROM_CACHE, copy.why, drive=drive, remedy=again))
        else:
            copy.state, copy.why, copy.reread_now = "reread", "every file was read again and is as its checksum", True
        copy.told = [told for told in copy.told if told.finding.kind is not Kind.FILES_WITHOUT_RECORD]
        copy.told.append(_no_record(copy))
        copy.told += [Told(topic_of(finding.kind), finding, copy.roll) for finding in grouped(odd)]
        if against is not None and not hangs:
            against.take(self._io, b"", read.hashes)
            against.settle(is_written_down=False)
        return read.hashes.size_bytes


def _no_record(copy: CopyLook) -> Told:
    """A note that stays: what was read now is written down nowhere beside this copy."""
    detail = f"{shown(copy.folder) or copy.roll} was compared with a checksum file; it has no records to append this to"
    remedy = "for a history of its own, copy the roll with `rollproof offload`"
    return Told(
        "copies",
        note(Kind.FILES_WITHOUT_RECORD, detail, drive=copy.place.name, remedy=remedy),
        copy.roll,
    )
