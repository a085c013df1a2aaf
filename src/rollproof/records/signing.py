"""Signatures beside records: `NAME.json.sig`, written after the record, checked against the keys a station knows.

A missing signature and one by an unknown key say little and harm nothing; a wrong one says that somebody changed the
record, or moved a signature to it.
"""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, error, note
from rollproof.models.names import inert
from rollproof.records import store
from rollproof.records.lines import MAX_RECORD_BYTES, BadRecord
from rollproof.records.sshsig import MAX_SIGNATURE_BYTES, BadSignature, PublicKey, Signed, read_signature
from rollproof.storage.files import read_chunks, read_small, write_new
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

Signer = Callable[[bytes], bytes]
"""From the SHA-512 of a record to the armored signature. Raises StationKeyProblem or OSError when it cannot sign."""

SignatureState = Literal["good", "missing", "unknown key", "wrong"]


@dataclass(frozen=True, slots=True)
class KnownKey:
    """A key that somebody gave a name. `since` is the moment as text, empty when the file does not say."""

    name: str
    since: str = ""
    own: bool = False
    """Whether it is this station's own key."""


@dataclass(frozen=True, slots=True)
class KnownKeys:
    """The keys a station knows, by their binary form, and what was odd in the file that lists them."""

    by_blob: Mapping[bytes, KnownKey] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def of(self, key: PublicKey) -> KnownKey | None:
        """The name of a key, or None."""
        return self.by_blob.get(key.blob)


NOBODY = KnownKeys()


@dataclass(frozen=True, slots=True)
class Signature:
    """What one record's signature says. `fingerprint` is empty without one; `known` is whose key it is.

    `good`: made by a known key over this very record. `unknown key`: the same by a key nobody has named (or, with
    `detail`, by a type of key that cannot be checked here). `wrong`: not over this record; `detail` says why.
    """

    state: SignatureState
    fingerprint: str = ""
    known: KnownKey | None = None
    detail: str = ""

    @property
    def name(self) -> str:
        """Who signed, empty when unknown."""
        return self.known.name if self.known is not None else ""


def write_signature(
    io: Io, folder: int, name: str, sha512: bytes, signer: Signer, *, medium: MediumAccess | None = None
) -> str:
    """Sign the record `name` in an open records folder, whose SHA-512 is given; returns the signature's file name.

    Raises OSError when the drive does not take it (EEXIST when there is one, `readback.NotAsWritten` when it holds
    something else), StationKeyProblem as the signer does.
    """
    signed_name = name.encode("ascii") + store.SIGNATURE_SUFFIX
    write_new(io, folder, signed_name, [signer(sha512)], medium=medium)
    return signed_name.decode("ascii")


def sign_record(io: Io, roll_folder: int, name: str, signer: Signer) -> str:
    """Sign a record that lies below an open roll folder, as it lies there now. For records of one's own only.

    `records.write.append_record` signs what it has just written without reading it again. Raises as
    `write_signature`, and BadRecord where no such record can be.
    """
    with store.records_folder(io, roll_folder) as folder:
        digest = _digest(io, folder, _checked(name), "sha512")
        return write_signature(io, folder, name, digest, signer)


def check_signature(io: Io, roll_folder: int, name: str, known: KnownKeys = NOBODY) -> Signature:
    """What the signature beside a record says; the record is read through once, streamed.

    Never raises for what lies there; OSError when the drive fails, FileNotFoundError when there is no such record.
    """
    with store.records_folder(io, roll_folder) as folder:
        signed = _found(io, folder, _checked(name))
        if isinstance(signed, Signature):
            return signed
        key = signed.key
        if key.raw is None:
            return Signature("unknown key", key.fingerprint, detail="it is of a type that only OpenSSH can check")
        if not signed.holds(_digest(io, folder, name, signed.hash_name)):
            detail = "it is not over this record: one of the two was changed, or it belongs to another record"
            return Signature("wrong", key.fingerprint, known.of(key), detail)
    whose = known.of(key)
    return Signature("good" if whose is not None else "unknown key", key.fingerprint, whose)


def _found(io: Io, folder: int, name: str) -> Signed | Signature:
    try:
        text = read_small(io, folder, name.encode("ascii") + store.SIGNATURE_SUFFIX, limit=MAX_SIGNATURE_BYTES)
        return read_signature(text)
    except FileNotFoundError:
        return Signature("missing")
    except BadSignature as problem:
        return Signature("wrong", detail=problem.message)
    except OSError as problem:
        if problem.errno in (errno.ELOOP, errno.EINVAL, errno.EISDIR, errno.EFBIG):
            return Signature("wrong", detail="it is no file that could hold a signature")
        raise


def _checked(name: str) -> str:
    if store.found_record(name.encode("utf-8", "surrogateescape")) is None:
        raise BadRecord(f"no record is called {inert(name)[:200]}")
    return name


def _digest(io: Io, folder: int, name: str, hash_name: str) -> bytes:
    digest = hashlib.new(hash_name)
    try:
        for chunk in read_chunks(io, folder, name.encode("ascii"), limit=MAX_RECORD_BYTES):
            digest.update(chunk)
    except OSError as problem:
        if problem.errno == errno.EFBIG:
            raise BadRecord(f"{name} is longer than a record can be") from None
        raise
    return digest.digest()


def signature_finding(name: str, signature: Signature, drive: str) -> Finding | None:
    """The finding for a record's signature; None for a good one. Only a wrong one is an error."""
    if signature.state == "good":
        return None
    if signature.state == "wrong":
        return error(
            Kind.SIGNATURE_WRONG,
            f"the signature of {name} is wrong: {signature.detail}",
            path=name,
            drive=drive,
            remedy="compare this record with the one on another copy, and ask whoever wrote it",
        )
    if signature.state == "missing":
        return note(Kind.NOT_SIGNED, f"{name} is not signed", path=name, drive=drive)
    why = f" ({signature.detail})" if signature.detail else ""
    return note(
        Kind.SIGNER_UNKNOWN,
        f"{name} is signed with the key {signature.fingerprint}, which nobody has named here{why}",
        path=name,
        drive=drive,
        remedy="ask the other station for its key's fingerprint over the phone, then: "
        "rollproof custody trust KEYFILE --name NAME",
    )


def wrong_signatures(io: Io, roll_folder: int, names: Iterable[str], drive: str) -> Iterator[Finding]:
    """Errors for the records of these names whose signature is wrong, whoever's it claims to be. A record that cannot
    be read through is passed over: its chain says so. Raises OSError when the drive fails."""
    for name in names:
        try:
            signature = check_signature(io, roll_folder, name)
        except UntrustedInput:
            continue
        if signature.state == "wrong" and (finding := signature_finding(name, signature, drive)) is not None:
            yield finding
