"""Detached signatures in the OpenSSH signature format (PROTOCOL.sshsig), Ed25519 only: bytes in, bytes out.

What is signed is the SHA-512 of a file, so that a long record is never held in memory. Anyone can check one with
stock `ssh-keygen -Y verify -n rollproof-record`, without this tool.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from rollproof.models.errors import UntrustedInput

NAMESPACE = b"rollproof-record"
"""What a signature is for: one made for mail or for commits by the same key never passes for one of a record."""
KEY_TYPE = b"ssh-ed25519"
MAX_SIGNATURE_BYTES = 16 << 10

_MAGIC = b"SSHSIG"
_VERSION = 1
_BEGIN = b"-----BEGIN SSH SIGNATURE-----"
_END = b"-----END SSH SIGNATURE-----"
_LINE_LETTERS = 70
_KEY_BYTES = 32
_SIGNATURE_BYTES = 64
HASHES = ("sha512", "sha256")
"""The two that the format knows; we write the first and read both."""


class BadSignature(UntrustedInput):
    """A signature file that breaks its format, or that was made for something else than a record."""


@dataclass(frozen=True, slots=True)
class PublicKey:
    """An OpenSSH public key in its binary form. `raw` is None for a type of key that cannot be checked here."""

    blob: bytes

    @classmethod
    def of(cls, raw: bytes) -> PublicKey:
        """The key for 32 raw bytes of Ed25519."""
        return cls(_string(KEY_TYPE) + _string(raw))

    @property
    def raw(self) -> bytes | None:
        """The 32 bytes of an Ed25519 key."""
        reader = _Reader(self.blob)
        try:
            if reader.string() != KEY_TYPE:
                return None
            raw = reader.string()
            reader.end()
        except BadSignature:
            return None
        return raw if len(raw) == _KEY_BYTES else None

    @property
    def fingerprint(self) -> str:
        """As `ssh-keygen -l` writes it: `SHA256:` and base 64 without padding."""
        return "SHA256:" + base64.b64encode(hashlib.sha256(self.blob).digest()).decode("ascii").rstrip("=")

    @property
    def text(self) -> str:
        """As it stands in a `.pub` file, without a comment."""
        return f"{KEY_TYPE.decode()} {base64.b64encode(self.blob).decode('ascii')}"


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature as it was found; nothing of it was checked yet. `hash_name` says which digest it is over."""

    key: PublicKey
    hash_name: str
    signature: bytes

    def holds(self, digest: bytes) -> bool:
        """Whether the key in it made it over a file with this digest. False for a type of key that is not Ed25519."""
        raw = self.key.raw
        if raw is None:
            return False
        try:
            Ed25519PublicKey.from_public_bytes(raw).verify(self.signature, _to_sign(self.hash_name.encode(), digest))
        except (InvalidSignature, ValueError):
            return False
        return True


def public_key_of(private: Ed25519PrivateKey) -> PublicKey:
    """The public half."""
    return PublicKey.of(private.public_key().public_bytes_raw())


def sign_digest(private: Ed25519PrivateKey, sha512: bytes) -> bytes:
    """The armored signature over a file with this SHA-512, as it lies beside the file."""
    signature = _string(KEY_TYPE) + _string(private.sign(_to_sign(b"sha512", sha512)))
    blob = (
        _MAGIC
        + _VERSION.to_bytes(4, "big")
        + _string(public_key_of(private).blob)
        + _string(NAMESPACE)
        + _string(b"")
        + _string(b"sha512")
        + _string(signature)
    )
    coded = base64.b64encode(blob)
    lines = [coded[at : at + _LINE_LETTERS] for at in range(0, len(coded), _LINE_LETTERS)]
    return b"\n".join([_BEGIN, *lines, _END]) + b"\n"


def read_signature(armored: bytes) -> Signed:
    """Take an armored signature apart. BadSignature for whatever is not one over a record."""
    reader = _Reader(_unarmored(armored))
    if reader.take(len(_MAGIC)) != _MAGIC:
        raise BadSignature("it is no signature of OpenSSH")
    version = int.from_bytes(reader.take(4), "big")
    if version != _VERSION:
        raise BadSignature(f"its format has the version {version}, which is not known here")
    key = PublicKey(reader.string())
    namespace = reader.string()
    if namespace != NAMESPACE:
        raise BadSignature("it was made for something else than a record")
    reader.string()  # reserved: whatever stands there is ignored, says the protocol
    hash_name = reader.string()
    if hash_name not in (name.encode() for name in HASHES):
        raise BadSignature("it is over a digest that the format does not know")
    inner = _Reader(reader.string())
    reader.end()
    kind, signature = inner.string(), inner.string()
    if key.raw is not None:
        inner.end()
        if kind != KEY_TYPE or len(signature) != _SIGNATURE_BYTES:
            raise BadSignature("its signature is of another type or length than its key makes")
    return Signed(key, hash_name.decode(), signature)


def _to_sign(hash_name: bytes, digest: bytes) -> bytes:
    return _MAGIC + _string(NAMESPACE) + _string(b"") + _string(hash_name) + _string(digest)


def _string(value: bytes) -> bytes:
    return len(value).to_bytes(4, "big") + value


def _unarmored(armored: bytes) -> bytes:
    if len(armored) > MAX_SIGNATURE_BYTES:
        raise BadSignature("it is longer than a signature is")
    text = armored.replace(b"\r\n", b"\n").strip(b"\n")
    if not text.startswith(_BEGIN + b"\n") or not text.endswith(b"\n" + _END):
        raise BadSignature("it does not begin and end as a signature of OpenSSH does")
    body = text.removeprefix(_BEGIN).removesuffix(_END)
    try:
        return base64.b64decode(body.replace(b"\n", b""), validate=True)
    except binascii.Error:
        raise BadSignature("its base 64 is none") from None


class _Reader:
    """Takes SSH strings (RFC 4251 section 5) from bytes; BadSignature when they do not fit."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, count: int) -> bytes:
        piece = self._data[self._at : self._at + count]
        if len(piece) != count:
            raise BadSignature("it ends in the middle")
        self._at += count
        return piece

    def string(self) -> bytes:
        return self.take(int.from_bytes(self.take(4), "big"))

    def end(self) -> None:
        if self._at != len(self._data):
            raise BadSignature("something follows after its end")
