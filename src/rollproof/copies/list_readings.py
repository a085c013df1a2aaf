"""Reading copies again by somebody's list, with what is found wrong put down at once.

A list may speak of a folder above copies, of one, or of a part of one: each copy known there is being read. What a list
calls other is bad news until a verify; what it finds good proves nothing, and settles nothing but its own readings.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from functools import partial

from rollproof.copies.reading_journal import Reading, ReadingJournal, is_in
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Volume
from rollproof.reading.files import ReadTold


class ListReadings:
    """The readings of one folder of a volume."""

    def __init__(self, journal: ReadingJournal, volume: Volume, folder: bytes, drive: str) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        known: list[bytes] = []

        def ask(ledger: Ledger) -> None:
            copies = ledger.copies_on(DriveIdentity.of(volume))
            known.extend(dict.fromkeys(copy.folder for copy in copies))

        journal.write(ask)
        places = [place for place in known if is_in(place, folder) or is_in(folder, place)]
        self._readings = [(place, journal.begin(volume, place, drive)) for place in places or [folder]]

    def told(self, files: Sequence[FileEntry], agrees: Callable[[bytes, Mapping[str, str]], bool]) -> ReadTold:
        """For `reading.files.FileReader`: `agrees` says whether a file, by its path, is what the list calls for."""

        def file(number: int, texts: Mapping[str, str] | None) -> None:
            path = files[number].path
            if texts is None:
                self._each(path, Reading.unread)
            elif not agrees(path, texts):
                self._each(path, partial(Reading.differs, from_what="what a list of checksums says"))

        return ReadTold(file, self._lost)

    def _each(self, path: bytes, what: Callable[[Reading, bytes], None]) -> None:
        whole = self._folder + b"/" + path if self._folder else path
        with self._lock:
            for place, reading in self._readings:
                if is_in(whole, place):
                    what(reading, whole[len(place) :].lstrip(b"/"))

    def _lost(self, why: str) -> None:
        with self._lock:
            for _, reading in self._readings:
                reading.lost(why)

    def end(self) -> list[Finding]:
        """Everything on the list was read. Returns what could not be remembered."""
        for _, reading in self._readings:
            reading.finish(everything=False, evidence=None)
        return self.trouble()

    def trouble(self) -> list[Finding]:
        """Errors for what could not be remembered."""
        return [odd for _, reading in self._readings for odd in reading.trouble()]
