"""Valid documents for every parser, made by our own writers: what fuzzing damages."""

from __future__ import annotations

import functools
import hashlib
import json
import os
import plistlib
import tempfile
from pathlib import Path

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from ascmhl.mhl_trees import BELL, FOLDERS, files_of, generation
from drives.test_macos_drives import IMAGES, INFO, LISTING
from drives.test_windows_drives import answer as windows_answer
from media.corpus import corpus
from records.samples import ROLL, offload_header, roll_folder, row, rows, verify_header
from rollproof.ascmhl.chain import ChainEntry, chain_chunks
from rollproof.ascmhl.folder import C4Sum
from rollproof.ascmhl.manifest_xml import ManifestWriter
from rollproof.copying.marker import add_suspects, write_marker
from rollproof.ledger.opening import open_ledger
from rollproof.media.containers import Container
from rollproof.models.tree import FileEntry
from rollproof.production.template import template
from rollproof.records.rows import ClipRow
from rollproof.records.sshsig import public_key_of, sign_digest
from rollproof.storage.system import system_io

RECORD = "0001_offload_2026-05-14T081502Z.json"
MHL = b"0001_A003_2026-05-14_081502Z.mhl"
KEY = Ed25519PrivateKey.from_private_bytes(hashlib.sha256(b"the bell foundry").digest())


@functools.cache
def chain_of_records() -> dict[bytes, bytes]:
    """Four records of one roll, by file name: an offload with clips and an odd name, a clean verify and one that found
    something, another offload."""
    with tempfile.TemporaryDirectory() as folder, roll_folder(Path(folder)) as roll:
        files = sorted([*rows(*ROLL), row(b"CLIPS/odd \xff.mov", state="copied", proven=False)], key=lambda r: r.path)
        clips = [ClipRow("A003C001", 1, 5, "00:00:05:00", "10:00:00:00", "25", "sound")]
        roll.append(offload_header(files=files), files, clips)
        roll.append(verify_header())
        roll.append(verify_header(clean=False))
        roll.append(offload_header(files=rows(*ROLL)), rows(*ROLL))
        return {os.fsencode(path.name): path.read_bytes() for path in sorted((roll.path / "rollproof").iterdir())}


@functools.cache
def record() -> bytes:
    """The first of them."""
    return chain_of_records()[RECORD.encode()]


@functools.cache
def lines_of_record() -> tuple[bytes, ...]:
    """Single entries of its lists."""
    return tuple(line.strip().removesuffix(b",") for line in record().split(b"\n") if line.startswith(b'    {"'))


@functools.cache
def manifest() -> bytes:
    """A manifest with files, folders and two algorithms."""
    return b"".join(ManifestWriter(generation(files_of(BELL, "md5", "xxh128"), FOLDERS)).chunks())


def chain_for(data: bytes) -> bytes:
    """The chain that fits a manifest."""
    total = C4Sum()
    list(total.over([data]))
    return b"".join(chain_chunks([ChainEntry(1, MHL, total.text)]))


@functools.cache
def marker() -> bytes:
    """A marker that names two suspects."""
    with tempfile.TemporaryDirectory() as folder:
        io = system_io()
        handle = io.open_root(os.fsencode(folder))
        write_marker(io, handle, host="cart", card_serial="1234-ABCD", card_session="boot-1:7")
        add_suspects(io, handle, [FileEntry(b"CLIPS/A003C001.mov", 5, 1), FileEntry(b"odd \xff", 5, 1)])
        io.close(handle)
        return (Path(folder) / "NOT-FINISHED.rollproof-partial").read_bytes()


@functools.cache
def ledger() -> bytes:
    """A fresh ledger, all in one file."""
    with tempfile.TemporaryDirectory() as folder:
        open_ledger(Path(folder), machine="a machine").close()
        return (Path(folder) / "ledger.sqlite3").read_bytes()


def signature() -> bytes:
    """A signature over the record."""
    return sign_digest(KEY, hashlib.sha512(record()).digest())


def key_file() -> bytes:
    """A private key as it lies in the station's folder."""
    return KEY.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption()
    )


def public_key_file() -> bytes:
    """Its public half."""
    return f"{public_key_of(KEY).text} rollproof station cart\n".encode()


def known_keys() -> bytes:
    """A file of known keys with comments, a quoted and a bare name."""
    text = public_key_of(KEY).text
    return (
        "# stations\n"
        f'"post house" namespaces="rollproof-record" {text} known since 2026-05-14T08:15:02+00:00\n'
        f"cart-2 {text}\n"
    ).encode()


def production() -> tuple[bytes, ...]:
    """The file that `init` writes, and one with everything in it."""
    full = (
        'name = "The Bell Foundry"\nfolder = "{production}/{day}/{roll}"\nfirst_day = 2026-05-11\n'
        'day_turns_at = "05:30"\nhashes = ["xxh128", "md5"]\nignore = ["*.tmp"]\ncopies_required = 3\n'
        '[[drives]]\nrole = "primary"\npath = "/media/PRIMARY"\n'
        '[[drives]]\nrole = "backup"\nvolume = "1234-ABCD"\npath = "rolls"\n'
        '[[people]]\nname = "data wrangler"\nrole = "camera assistant"\n'
    )
    return template(system="linux").encode(), full.encode()


MOUNTINFO = (
    b"22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw\n"
    b"31 22 8:17 / /media/A003\\040card ro,nosuid master:2 shared:7 - exfat /dev/sdb1 ro,fmask=0022\n"
    b"40 22 0:45 /@home /home rw - btrfs /dev/sdc1 rw,subvol=/@home\n"
)
BLKID = b"DEVNAME=/dev/sdb1\nLABEL=A003\\ card\nUUID=1234-ABCD\nTYPE=exfat\nPTTYPE=gpt\n"
UDEV = b"S:disk/by-label/A003\nE:ID_FS_LABEL=A003\nE:ID_FS_LABEL_ENC=A003\\x20card\nE:ID_FS_UUID=1234-ABCD\nG:systemd\n"
ATTRIBUTES = (b"4096\n", b"8:17\n", b"1\n", b"Shuttle Drive   \n", b"\0\x80\0\x08B3LL-042", b"naa.5000c500a1b2c3d4\n")


def plists() -> tuple[bytes, ...]:
    """What the programs of macOS answer, in both forms of a property list."""
    found = (LISTING, IMAGES, INFO["disk4s2"], INFO["disk4"], INFO["disk3s5"])
    return tuple(plistlib.dumps(each, fmt=fmt) for each in found for fmt in (plistlib.FMT_XML, plistlib.FMT_BINARY))


def powershell() -> bytes:
    """What PowerShell answers."""
    return json.dumps(windows_answer()).encode()


NAMES_ON_CARD = (
    b"CLIPS/A003C001_260514_R1BF.mov\nCLIPS/A003C001_260514_R1BF.xml\nCLIPS/A003C002_260514_R1BF.mov\nSHOTS/a.0001.dng\n"
    b"SHOTS/a.0002.dng\nSHOTS/._a.0002.dng",
    b"A003_0514/C0001.MP4\nA003_0514/C0001M01.XML\nTAKE 3.WAV\nsound \xff.wav",
)


@functools.cache
def _small_media() -> dict[str, bytes]:
    return {name: data for name, data in corpus().items() if len(data) < _MEDIA_BYTES}


def media(container: Container) -> tuple[bytes, ...]:
    """The small files of one kind."""
    return tuple(data for data in _small_media().values() if container.recognises(data[:2048]))


def media_texts() -> tuple[bytes, ...]:
    """Sidecars, and sound files whose chunks hold text."""
    return tuple(data for name, data in _small_media().items() if name.lower().endswith((".xml", ".wav")))


_MEDIA_BYTES = 100_000
_MD5 = b"d41d8cd98f00b204e9800998ecf8427e"
CHECKSUMS = (
    _MD5 + b"  CLIPS/A003C001.mov\r\n# by hand\n" + _MD5 + b" *./A003.xml\n\\" + _MD5 + b"  odd\\nname.mov\n",
    b"MD5 (CLIPS/A003C001.mov) = " + _MD5 + b"\nXXH3 (x.mov) = d41d8cd98f00b204\nSHA512 (y) = " + b"ab" * 64 + b"\n",
)
"""Checksum files in both forms."""
