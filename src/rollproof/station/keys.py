"""This station's key and the keys it knows, from the station's folder: the one place where records meet the station.

Workflows hand `station_signer()` to whatever writes records; the records themselves know no folder of the station.
"""

from __future__ import annotations

import socket
from pathlib import Path

from rollproof.models.errors import StationKeyProblem
from rollproof.models.findings import Finding, Kind, warning
from rollproof.records.known_keys import read_known_keys
from rollproof.records.signing import KnownKeys, Signer
from rollproof.records.sshsig import PublicKey
from rollproof.records.station_key import KEY_NAME, key_signer, station_public_key
from rollproof.storage.station import station_home


def station_signer(home: Path | None = None) -> Signer:
    """Signs with this station's key, which is made when the first record is signed."""
    return key_signer(home or station_home(), host=socket.gethostname())


def own_key(home: Path | None = None) -> PublicKey | None:
    """The public half of this station's key; None when it has none that may be used."""
    try:
        return station_public_key(home or station_home())
    except StationKeyProblem:
        return None


def station_known_keys(home: Path | None = None) -> KnownKeys:
    """This station's own key and those a person has named. What keeps either from being used is in the findings."""
    home = home or station_home()
    own: PublicKey | None = None
    findings: tuple[Finding, ...] = ()
    try:
        own = station_public_key(home)
    except StationKeyProblem as problem:
        if (home / KEY_NAME).is_symlink() or (home / KEY_NAME).exists():
            findings = (warning(Kind.COULD_NOT_SIGN, problem.message, remedy=problem.hint),)
    known = read_known_keys(home, own)
    return KnownKeys(known.by_blob, (*findings, *known.findings))
