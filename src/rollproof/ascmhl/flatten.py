"""Packing lists: a history flattened into one stand-alone manifest, and the collection that lists several."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from rollproof.ascmhl.chain import ChainEntry, chain_chunks, read_chain
from rollproof.ascmhl.folder import C4Sum
from rollproof.ascmhl.manifest_xml import ManifestWriter
from rollproof.ascmhl.model import Creator, Expected, FileHash, Generation, History, Process, WrittenManifest
from rollproof.ascmhl.standard import COLLECTION_NAME, manifest_name
from rollproof.models.errors import UsageProblem
from rollproof.storage.files import write_new
from rollproof.storage.io import Io


class _Flat:
    """The files of one or several histories in path order, built one at a time whenever gone through."""

    def __init__(self, histories: Iterable[tuple[bytes, History]]) -> None:
        self._where: dict[bytes, Expected] = {}
        for folder, history in histories:
            prefix = folder + b"/" if folder else b""
            for path, expected in history.expected.items():
                self._where[prefix + path] = expected

    def __len__(self) -> int:
        return len(self._where)

    def __iter__(self) -> Iterator[FileHash]:
        for path in sorted(self._where):
            expected = self._where[path]
            yield FileHash(
                path=path,
                size=expected.size,
                modified_ns=expected.modified_ns,
                hashes=expected.hashes,
                actions=dict(expected.shape),
            )


def write_packing_list(
    io: Io,
    folder: int,
    data_set_name: bytes,
    histories: Iterable[tuple[bytes, History]],
    *,
    started_at: datetime,
    creator: Creator,
) -> WrittenManifest:
    """Write the packing list of a data set into the open folder `folder`, and list it in the collection there.

    `histories` are the outer one (with an empty folder) and the inner ones with their folders. It holds the earliest
    good hash of each file and algorithm, no folder hashes and nothing failed. Its name has the form of a manifest's,
    numbered as in the collection. Raises UsageProblem when there is nothing to list, UntrustedInput, with nothing
    written, when the collection that is there cannot be read, OSError when the drive fails.
    """
    histories = list(histories)
    files = _Flat(histories)
    if not len(files):
        raise UsageProblem("There is no good hash to put into a packing list.", hint="Offload or verify first.")
    patterns = dict.fromkeys(pattern for _, history in histories for pattern in history.ignore_patterns)
    generation = Generation(
        process=Process.FLATTEN,
        started_at=started_at,
        creator=creator,
        algorithms=(),
        files=files,
        folders=(),
        ignore_patterns=tuple(patterns),
    )
    listed = list(read_chain(io, folder, COLLECTION_NAME) or ())
    sequence = max((entry.sequence or 0 for entry in listed), default=0) + 1
    name = manifest_name(sequence, data_set_name, started_at)
    writer = ManifestWriter(generation)
    total = C4Sum()
    size, _ = write_new(io, folder, name, total.over(writer.chunks()))
    listed.append(ChainEntry(sequence, name, total.text))
    write_new(io, folder, COLLECTION_NAME, chain_chunks(listed), replace=True)
    return WrittenManifest(name, sequence, total.text, size, tuple(writer.left_out.findings()))
