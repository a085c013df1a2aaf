"""The keys of other stations that a person here has named: a file of OpenSSH's `allowed_signers` lines.

    "post house" namespaces="rollproof-record" ssh-ed25519 AAAA… known since 2026-05-14T08:15:02+00:00

The file can be handed to `ssh-keygen -Y verify -f` as it is (ssh-keygen(1), ALLOWED SIGNERS).
"""

from __future__ import annotations

import base64
import binascii
import re
from datetime import datetime
from pathlib import Path

from rollproof.models.counting import count_of
from rollproof.models.errors import UsageProblem
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.names import inert
from rollproof.records import clock
from rollproof.records.signing import KnownKey, KnownKeys
from rollproof.records.sshsig import KEY_TYPE, NAMESPACE, PublicKey
from rollproof.storage.station import closed_to_others

KNOWN_NAME = "known_keys"
MAX_FILE_BYTES = 1 << 20
MAX_NAME = 100
_KEY_FILE_BYTES = 64 << 10
_MAX_NAMED = 20
_SINCE = "known since "
# name (quoted or one word), options, key, comment
_LINE = re.compile(r'(?:"([^"]*)"|([^\s"]+))[ \t]+(?:\S+[ \t]+)??(ssh-ed25519)[ \t]+([A-Za-z0-9+/=]+)(?:[ \t]+(.*))?')
# what means something else than itself in a pattern list or a quoted word
_NOT_IN_NAMES = frozenset('"\\,*?!#')


def read_known_keys(home: Path, own: PublicKey | None = None) -> KnownKeys:
    """The named keys of a station's folder, and its own. Lines that make no sense are named in the findings, and so
    is a file that cannot be read; both leave the rest usable."""
    by_blob: dict[bytes, KnownKey] = {}
    findings: list[Finding] = []
    path = home / KNOWN_NAME
    try:
        lines = _text_of(path, MAX_FILE_BYTES).splitlines()
    except FileNotFoundError:
        lines = []
    except (OSError, UnicodeDecodeError, _TooLong) as problem:
        lines = []
        findings.append(_odd(path, f"the file of known keys cannot be read: {_said(problem)}"))
    odd = 0
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        found = _parsed(line)
        if found is not None:
            by_blob.setdefault(found[0].blob, found[1])
            continue
        odd += 1
        if odd <= _MAX_NAMED:
            findings.append(_odd(path, f"line {number} of the known keys is not understood and was passed over"))
    if odd > _MAX_NAMED:
        findings.append(
            _odd(path, f"{count_of(odd - _MAX_NAMED, 'more line')} of the known keys could not be understood")
        )
    if own is not None:
        by_blob[own.blob] = KnownKey("this station", own=True)
    return KnownKeys(by_blob, tuple(findings))


def trust_key(home: Path, key_file: Path, name: str, now: datetime) -> tuple[PublicKey, str]:
    """Name the key in a `.pub` file; returns it, and the name it had before under the same line ("" when new).

    A key that is known by the same name already is left as it is. Raises UsageProblem for a name that cannot be one,
    a file that holds no Ed25519 public key, and a key that is known by another name.
    """
    name = " ".join(name.split())
    if not name or len(name) > MAX_NAME or inert(name) != name or _NOT_IN_NAMES & set(name):
        raise UsageProblem(
            f'"{inert(name)[:MAX_NAME]}" cannot be the name of a key',
            hint=f"up to {MAX_NAME} letters, none of them invisible, and none of {' '.join(sorted(_NOT_IN_NAMES))}",
        )
    key = read_public_key(key_file)
    before = read_known_keys(home).of(key)
    if before is not None:
        if before.name != name:
            raise UsageProblem(
                f'this key is known already, as "{before.name}"',
                hint=f"take its line out of {inert(str(home / KNOWN_NAME))} first, if that name is wrong",
            )
        return key, before.name
    since = clock.to_text(now.replace(microsecond=0))
    line = f'"{name}" namespaces="{NAMESPACE.decode()}" {key.text} {_SINCE}{since}\n'
    _append(home, line)
    return key, ""


def read_public_key(path: Path) -> PublicKey:
    """The Ed25519 key in a `.pub` file. UsageProblem when there is none in it."""
    hint = "name the other station's station_key.pub; the private key never leaves its station"
    try:
        text = _text_of(path, _KEY_FILE_BYTES)
    except (OSError, UnicodeDecodeError, _TooLong) as problem:
        raise UsageProblem(f"the key file {inert(str(path))} cannot be read: {_said(problem)}", hint=hint) from None
    if "PRIVATE KEY" in text:
        raise UsageProblem(f"{inert(str(path))} is a private key: nobody but its station may have it", hint=hint)
    words = text.split()
    if len(words) >= 2 and words[0] == KEY_TYPE.decode() and (key := _key(words[1])) is not None:
        return key
    raise UsageProblem(f"{inert(str(path))} holds no Ed25519 public key in one line", hint=hint)


class _TooLong(Exception):
    pass


def _text_of(path: Path, limit: int) -> str:
    with path.open("rb") as file:
        content = file.read(limit + 1)
    if len(content) > limit:
        raise _TooLong
    return content.decode("utf-8")


def _parsed(line: str) -> tuple[PublicKey, KnownKey] | None:
    found = _LINE.fullmatch(line.strip())
    if found is None:
        return None
    quoted, bare, _, coded, comment = found.groups()
    name = inert(quoted if quoted is not None else bare)
    key = _key(coded)
    if key is None or not name:
        return None
    comment = comment or ""
    since = inert(comment.removeprefix(_SINCE))[:MAX_NAME] if comment.startswith(_SINCE) else ""
    return key, KnownKey(name[:MAX_NAME], since)


def _key(coded: str) -> PublicKey | None:
    try:
        key = PublicKey(base64.b64decode(coded, validate=True))
    except (binascii.Error, ValueError):
        return None
    return key if key.raw is not None else None


def _append(home: Path, line: str) -> None:
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = home / KNOWN_NAME
    with open(path, "ab+", opener=closed_to_others) as file:
        # somebody's editor may have left the last line without its end
        if file.tell():
            file.seek(-1, 2)
            if file.read(1) != b"\n":
                line = "\n" + line
        file.write(line.encode("utf-8"))
        file.flush()


def _odd(path: Path, detail: str) -> Finding:
    return warning(Kind.KNOWN_KEYS, detail, path=inert(str(path)), remedy="look into that file, or trust the keys anew")


def _said(problem: Exception) -> str:
    if isinstance(problem, OSError):
        return inert(problem.strerror or str(problem))
    return "it is too long" if isinstance(problem, _TooLong) else "it is no text"
