"""Appending a generation to the history at the top of a folder.

Order, and what a crash leaves: the manifest is written, flushed and renamed, then the chain is replaced. Between the
two the history holds a whole manifest that the chain does not know; the next run takes it into the chain with an
entry of its own, and removes what lies there under temporary names. Manifests are never replaced. The caller holds
the roll's lock.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

from rollproof.ascmhl.chain import ChainEntry, chain_chunks, read_chain
from rollproof.ascmhl.folder import C4Sum, c4_of, history_folder, list_manifests, manifest_chunks
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.manifest_xml import ManifestBody, ManifestWriter
from rollproof.ascmhl.model import Generation, WrittenManifest
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.standard import CHAIN_NAME, MANIFEST_LIMIT_BYTES, is_manifest_name, manifest_name, number_in_name
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, error, warning
from rollproof.models.names import PARTIAL_SUFFIX, is_text, shown
from rollproof.storage.files import gathered, write_new
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import ReadsDiffer


def write_generation(
    io: Io,
    roll: int,
    folder_name: bytes,
    generation: Generation,
    *,
    medium: MediumAccess | None = None,
    body: ManifestBody | None = None,
) -> WrittenManifest:
    """Append a generation below the open folder `roll`, whose name is `folder_name`. `body` is made of the same files
    and folders, for another copy of them.

    On return manifest and chain were read back (`medium` says how their volume is read) and are flushed. Its findings
    (warnings, and errors about what was there before) say which names were left out and which manifests were taken
    into the chain. Raises UntrustedInput, with nothing written, when `ascmhl` is no folder or its chain cannot be
    read (replacing it would destroy the evidence), and OSError when the drive fails: `readback.ReadsDiffer`, with
    nothing written, when what the new chain is made of did not read alike twice, `readback.NotAsWritten` when the
    drive holds something else than was written.
    """
    with history_folder(io, roll, create=True) as folder:
        assert folder is not None
        try:
            chain = list(read_chain(io, folder, CHAIN_NAME, twice=True, medium=medium) or ())
        except UntrustedInput as error:
            raise UntrustedInput(
                f"The chain of the history in {shown(folder_name)} cannot be read, so nothing was added to it."
                f" {error.message}",
                hint="The manifests are still there. Take another copy's ascmhl folder to compare with.",
            ) from None
        _tidy(io, folder)
        found, findings = _taken_in(io, folder, chain, medium)
        sequence = _next_sequence(io, folder, chain + found)
        name = manifest_name(sequence, folder_name, generation.started_at)
        writer = ManifestWriter(generation, body)
        total = C4Sum()
        size, _ = write_new(io, folder, name, total.over(gathered(writer.chunks())), medium=medium)
        entries = [*chain, *found, ChainEntry(sequence, name, total.text)]
        write_new(io, folder, CHAIN_NAME, chain_chunks(entries), replace=True, medium=medium)
    findings += writer.left_out.findings()
    if size > MANIFEST_LIMIT_BYTES:
        findings.append(
            warning(
                Kind.BAD_MANIFEST,
                f"The manifest has {size} bytes; more than {MANIFEST_LIMIT_BYTES} are not read back by this tool.",
                path=shown(name),
                remedy="Offload in smaller rolls, or with fewer algorithms.",
            )
        )
    return WrittenManifest(name, sequence, total.text, size, tuple(findings))


def _tidy(io: Io, folder: int) -> None:
    """Remove what an interrupted run left under temporary names. Whatever cannot be removed stays: nobody reads it."""
    with contextlib.suppress(OSError):
        for name, kind in io.list_folder(folder):
            final = name.removesuffix(PARTIAL_SUFFIX)
            if kind is EntryKind.FILE and final != name and (is_manifest_name(final) or final == CHAIN_NAME):
                with contextlib.suppress(OSError):
                    io.remove(name, folder)


def _next_sequence(io: Io, folder: int, chain: Sequence[ChainEntry]) -> int:
    used = {entry.sequence or 0 for entry in chain} | {number_in_name(entry.path) or 0 for entry in chain}
    used |= {number_in_name(name) or 0 for name in list_manifests(io, folder).manifests}
    return max(used, default=0) + 1


def _taken_in(
    io: Io, folder: int, chain: Sequence[ChainEntry], medium: MediumAccess | None
) -> tuple[list[ChainEntry], list[Finding]]:
    """Entries for manifests newer than the chain that a crash left out of it, and what there is to say."""
    known = {entry.path for entry in chain}
    last = max((entry.sequence or 0 for entry in chain), default=0)
    entries: list[ChainEntry] = []
    findings: list[Finding] = []
    for name in sorted(list_manifests(io, folder).manifests - known):
        number = number_in_name(name)
        problem = "" if number and number > last and is_text(name) else "its number is not the next one"
        total = C4Sum()
        if not problem:
            problem = _why_unreadable(io, folder, name, total)
        if problem:
            detail = f"The manifest is not in the chain, and was not taken into it: {problem}."
            findings.append(error(Kind.MANIFEST_NOT_IN_CHAIN, detail, path=shown(name)))
            continue
        if c4_of(io, folder, name, fresh=True, medium=medium) != total.text:
            raise ReadsDiffer(name)
        last = number or last
        entries.append(ChainEntry(number, name, total.text))
        detail = "An interrupted run had left this manifest out of the chain; the chain holds it now."
        findings.append(warning(Kind.MANIFEST_NOT_IN_CHAIN, detail, path=shown(name)))
    return entries, findings


def _why_unreadable(io: Io, folder: int, name: bytes, total: C4Sum) -> str:
    noted = Noted()
    try:
        for _ in ManifestReader(total.over(manifest_chunks(io, folder, name)), noted):
            pass
    except UntrustedInput as error:
        return error.message.rstrip(".")
    return noted.all()[0].detail.rstrip(".") if noted.any else ""
