"""The key a station signs with: made on first use, kept where only its owner can read it, never sent anywhere.

An OpenSSH private key file (`station_key`) with its public half beside it (`station_key.pub`), which may be handed to
anyone. Whoever can read or replace the private one can sign in this station's name: a key file that others could
have touched is refused, not mended.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from rollproof.models.errors import StationKeyProblem
from rollproof.models.names import inert
from rollproof.records.signing import Signer
from rollproof.records.sshsig import PublicKey, public_key_of, sign_digest
from rollproof.storage.station import closed_to_others

KEY_NAME = "station_key"
PUBLIC_NAME = "station_key.pub"
_LIMIT_BYTES = 64 << 10
_OTHERS_MAY_READ_OR_WRITE = 0o077
_OTHERS_MAY_WRITE = 0o022


def station_key(home: Path, *, host: str = "", make: bool = True) -> Ed25519PrivateKey:
    """The key in a station's folder; made when there is none yet and `make` allows it.

    Safe with two processes starting at once: one key is made, both use it. `host` goes into the comment of the public
    half. Raises StationKeyProblem for a key that is missing, unreadable, somebody else's, open to others, or no key;
    the message names the remedy.
    """
    path = home / KEY_NAME
    try:
        return _load(path, home)
    except FileNotFoundError:
        if not make:
            raise StationKeyProblem(
                f"this station has no key yet: {_shown(path)} is not there",
                hint="it is made with the first record that this station writes",
            ) from None
    key = Ed25519PrivateKey.generate()
    text = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption()
    )
    try:
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        _publish(path, text)
    except OSError as error:
        raise StationKeyProblem(
            f"no key for this station could be made at {_shown(path)} ({_said(error)})",
            hint="see to the room and the rights of that folder; records are written without a signature until then",
        ) from None
    try:
        made = _load(path, home)  # maybe that of another process, which was first
    except FileNotFoundError:
        raise StationKeyProblem(
            f"the station's key vanished while it was made: {_shown(path)}", hint="try again"
        ) from None
    _write_public(home / PUBLIC_NAME, made, host)
    return made


def station_public_key(home: Path) -> PublicKey:
    """The public half of the station's key, which is not made here. StationKeyProblem as `station_key`."""
    return public_key_of(station_key(home, make=False))


def key_signer(home: Path, *, host: str = "", load: Callable[..., Ed25519PrivateKey] = station_key) -> Signer:
    """A signer with the key in `home`, which is looked for (or made) at the first record."""
    found: list[Ed25519PrivateKey] = []

    def sign(sha512: bytes) -> bytes:
        if not found:
            found.append(load(home, host=host))
        return sign_digest(found[0], sha512)

    return sign


def _load(path: Path, home: Path) -> Ed25519PrivateKey:
    # opened without following a link or waiting on a pipe, and judged by the open file: no gap between look and use
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        handle = os.open(path, flags)
    except FileNotFoundError:
        raise
    except OSError as error:
        if error.errno == errno.ELOOP:
            raise _refused(path, "is a link", "put the key itself there") from None
        raise _refused(
            path, f"cannot be read ({_said(error)})", f"make it readable for you alone: {_mend(path)}"
        ) from None
    try:
        status = os.fstat(handle)
        _judge(path, status, home)
        text = os.read(handle, _LIMIT_BYTES + 1) if stat.S_ISREG(status.st_mode) else b""
    except OSError as error:
        raise _refused(path, f"cannot be read ({_said(error)})", "see to the disk of this computer") from None
    finally:
        os.close(handle)
    return _parsed(path, text)


def _judge(path: Path, status: os.stat_result, home: Path) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise _refused(path, "is no file", "move it away; a new key is made with the next record")
    if os.name == "nt":
        return  # rights are kept in lists there, and a user's data folder is the user's own
    if status.st_uid != os.geteuid():
        raise _refused(
            path, "belongs to another user", f"run as its owner, or take it over: chown {_me()} {_shown(path)}"
        )
    if status.st_mode & _OTHERS_MAY_READ_OR_WRITE:
        raise _refused(
            path,
            f"is open to others (mode {stat.S_IMODE(status.st_mode):04o})",
            f"{_mend(path)}  (if others could read it for a while, move it away instead: a new one is made)",
        )
    if home.stat().st_mode & _OTHERS_MAY_WRITE:
        raise _refused(path, f"lies in a folder that others may change: {_shown(home)}", f"chmod 700 {_shown(home)}")


def _parsed(path: Path, text: bytes) -> Ed25519PrivateKey:
    again = "move it away; a new key is made with the next record, and others must be told its fingerprint"
    try:
        if len(text) > _LIMIT_BYTES:
            raise ValueError("too long")
        key = serialization.load_ssh_private_key(text, password=None)
    except TypeError:
        raise _refused(path, "is protected by a passphrase", "take the passphrase off: ssh-keygen -p -f FILE") from None
    except (ValueError, UnsupportedAlgorithm):
        raise _refused(path, "holds no OpenSSH private key", again) from None
    if not isinstance(key, Ed25519PrivateKey):
        raise _refused(path, "is a key of another type than Ed25519", again)
    return key


def _publish(path: Path, text: bytes) -> None:
    """Not through `write_new`: a private key must be closed to others from its first moment, and two processes that
    start at once must end with one key."""
    temporary = path.with_name(f"{path.name}-{secrets.token_hex(8)}.rollproof-partial")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with open(handle, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileExistsError):
            os.link(temporary, path)
    finally:
        os.unlink(temporary)


def _write_public(path: Path, key: Ed25519PrivateKey, host: str) -> None:
    comment = " ".join(inert(f"rollproof station {host}").split())
    try:
        with open(path, "w", encoding="utf-8", opener=closed_to_others) as file:
            file.write(f"{public_key_of(key).text} {comment}\n")
    except OSError:
        pass  # for people to hand on; what is signed does not depend on it


def _refused(path: Path, why: str, remedy: str) -> StationKeyProblem:
    return StationKeyProblem(f"the station's key {_shown(path)} {why}", hint=remedy)


def _mend(path: Path) -> str:
    return f"chmod 600 {_shown(path)}"


def _me() -> str:
    return str(os.geteuid()) if os.name != "nt" else ""


def _shown(path: Path) -> str:
    return inert(str(path))


def _said(error: OSError) -> str:
    return inert(error.strerror or str(error))
