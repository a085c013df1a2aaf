"""When a stopped audit was begun: a small note in the station's folder, so that the same command goes on.

A copy that this station has read again since then, with a clean verify record beside it, is not read a second time. The
note is taken away when an audit of the same drives comes to its end.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from rollproof.storage.files import read_small, write_new
from rollproof.storage.io import Io
from rollproof.storage.station import make_home, station_home
from rollproof.workflows.audit.copy import Place

_FOLDER = "audits"
_LIMIT = 10_000
_LONGEST = timedelta(days=7)
"""An audit that was stopped longer ago than this is begun anew."""


class StoppedAudit:
    """The note about one set of drives. Whatever keeps it from being read or written costs a second reading only."""

    def __init__(self, io: Io, places: Iterable[Place], home: Path | None = None) -> None:
        self._io = io
        self._home = home or station_home()
        named = sorted(
            place.volume.serial + ":" + os.path.relpath(os.fsdecode(place.path), os.fsdecode(place.volume.mount_point))
            if place.volume.serial is not None
            else os.path.realpath(os.fsdecode(place.path))
            for place in places
        )
        digest = hashlib.sha256("\0".join(named).encode("utf-8", "surrogateescape")).hexdigest()
        self._name = f"{digest[:32]}.json".encode()

    def begun_at(self, now: datetime) -> datetime | None:
        """When the stopped audit of these drives was begun; None when there is none, or it is too old."""
        try:
            folder = self._io.open_root(os.fsencode(self._home / _FOLDER))
        except OSError:
            return None
        try:
            said = json.loads(read_small(self._io, folder, self._name, limit=_LIMIT))
            begun = datetime.fromisoformat(said["begun_at"])
            return begun if begun.tzinfo is not None and timedelta(0) <= now - begun < _LONGEST else None
        except (OSError, ValueError, KeyError, TypeError, RecursionError, OverflowError):
            return None
        finally:
            self._io.close(folder)

    def begin(self, at: datetime) -> None:
        """Note that an audit was begun."""
        with contextlib.suppress(OSError):
            place = make_home(self._home) / _FOLDER
            place.mkdir(mode=0o700, exist_ok=True)
            folder = self._io.open_root(os.fsencode(place))
            try:
                text = json.dumps({"begun_at": at.isoformat(timespec="seconds")})
                write_new(self._io, folder, self._name, [text.encode()], replace=True)
            finally:
                self._io.close(folder)

    def end(self) -> None:
        """It came to its end."""
        with contextlib.suppress(OSError):
            folder = self._io.open_root(os.fsencode(self._home / _FOLDER))
            try:
                self._io.remove(self._name, folder)
            finally:
                self._io.close(folder)
