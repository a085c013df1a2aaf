"""This computer: where the tool keeps its own files on it, and what tells it from another."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

HOME_VARIABLE = "ROLLPROOF_HOME"
_IDENTITY_FILES = ("/etc/machine-id", "/var/lib/dbus/machine-id")


def station_home(environ: Mapping[str, str] | None = None) -> Path:
    """The folder of all station files (ledger, keys, settings): `ROLLPROOF_HOME`, else the system's place for a user's
    data. It is not created here."""
    named = (os.environ if environ is None else environ).get(HOME_VARIABLE)
    if named:
        return Path(named).expanduser()
    import platformdirs  # noqa: PLC0415 - not needed where the variable is set

    return platformdirs.user_data_path("rollproof", appauthor=False)


def make_home(home: Path) -> Path:
    """Create the folder where it is missing, for its owner alone; returns it. OSError when that fails."""
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    return home


def closed_to_others(path: str | bytes, flags: int) -> int:
    """An `opener` for `open`: what it makes is its owner's alone, whatever the umask."""
    return os.open(path, flags, 0o600)


def station_id(files: Iterable[str] = _IDENTITY_FILES) -> str:
    """A digest that is the same on this machine always and on others never; empty when the machine has no identity.

    The identity itself is confidential (machine-id(5)), so only a digest with a purpose of our own leaves the house.
    """
    for path in files:
        try:
            identity = Path(path).read_text(encoding="ascii").strip()
        except (OSError, ValueError):
            continue
        if identity:
            return _digest(identity)
    address = _hardware_address()
    return _digest(address) if address else ""


def _digest(identity: str) -> str:
    return hashlib.sha256(b"rollproof station\0" + identity.encode()).hexdigest()[:32]


def _hardware_address() -> str:
    import uuid  # noqa: PLC0415 - slow to import, and only where there is no machine-id

    node = uuid.getnode()
    return "" if node >> 40 & 1 else f"{node:012x}"  # the multicast bit marks a made-up address
