"""The folder `ascmhl/` on a drive: opening it safely, listing it, reading one manifest out of it."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from rollproof.ascmhl.chain import not_a_plain_file
from rollproof.ascmhl.standard import MANIFEST_LIMIT_BYTES, is_manifest_name
from rollproof.hashing import text_of
from rollproof.models.errors import UntrustedInput
from rollproof.models.names import ASCMHL_FOLDER
from rollproof.storage.files import exists, read_chunks
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import fresh_chunks


@contextlib.contextmanager
def history_folder(io: Io, roll: int, *, create: bool = False) -> Iterator[int | None]:
    """The handle of `ascmhl/` below the handle `roll`, or None when there is none and `create` is not asked for.

    Raises UntrustedInput when something else than a folder has that name (a link is never followed).
    """
    found = exists(io, roll, ASCMHL_FOLDER)
    if found is None and create:
        with contextlib.suppress(FileExistsError):
            io.make_folder(ASCMHL_FOLDER, roll)
        io.flush(roll)
        found = EntryKind.FOLDER
    if found is None:
        yield None
        return
    if found is not EntryKind.FOLDER:
        raise UntrustedInput("The name ascmhl is taken by something that is no folder; nothing was read or written.")
    # should a link take its place in this very moment, the open itself refuses it
    handle = io.open_folder(ASCMHL_FOLDER, roll)
    try:
        yield handle
    finally:
        io.close(handle)


@dataclass(frozen=True, slots=True)
class Listed:
    """What is in `ascmhl/`: manifests by name, and those names of manifests that are no regular files."""

    manifests: frozenset[bytes]
    odd: frozenset[bytes]


def list_manifests(io: Io, folder: int) -> Listed:
    """The manifests in the folder, whether the chain knows them or not."""
    found = [(name, kind) for name, kind in io.list_folder(folder) if is_manifest_name(name)]
    return Listed(
        frozenset(name for name, kind in found if kind is EntryKind.FILE),
        frozenset(name for name, kind in found if kind is not EntryKind.FILE),
    )


class C4Sum:
    """Passes pieces through and knows the C4 of all that has passed."""

    def __init__(self) -> None:
        self._digest = hashlib.sha512()
        self.size = 0

    def over(self, chunks: Iterable[bytes]) -> Iterator[bytes]:
        """The same pieces."""
        for chunk in chunks:
            self._digest.update(chunk)
            self.size += len(chunk)
            yield chunk

    @property
    def text(self) -> str:
        """The C4 so far."""
        return text_of("c4", self._digest.digest())


def manifest_chunks(
    io: Io, folder: int, name: bytes, *, fresh: bool = False, medium: MediumAccess | None = None
) -> Iterator[bytes]:
    """The pieces of a manifest; `fresh` reads them past the page cache.

    Raises UntrustedInput when it is no regular file or larger than the limit, OSError when it is gone
    (FileNotFoundError) or the drive does not answer."""
    try:
        if fresh:
            yield from fresh_chunks(io, folder, name, limit=MANIFEST_LIMIT_BYTES, medium=medium)
        else:
            yield from read_chunks(io, folder, name, limit=MANIFEST_LIMIT_BYTES)
    except OSError as error:
        raise not_a_plain_file(error) or error from None


def c4_of(io: Io, folder: int, name: bytes, *, fresh: bool = False, medium: MediumAccess | None = None) -> str:
    """The C4 of a manifest; raises as `manifest_chunks`."""
    total = C4Sum()
    for _ in total.over(manifest_chunks(io, folder, name, fresh=fresh, medium=medium)):
        pass
    return total.text
