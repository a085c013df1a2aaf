"""Reading a history: chain, generations, and what every file must hash to. Every error is told, none stops the rest."""

from __future__ import annotations

from collections.abc import Iterator

from rollproof.ascmhl.chain import ChainEntry, read_chain
from rollproof.ascmhl.expected import ExpectedFiles, Outcome, compared
from rollproof.ascmhl.folder import C4Sum, Listed, c4_of, history_folder, list_manifests, manifest_chunks
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.model import Action, FileHash, FolderHash, History, ManifestRead, ManifestState
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.standard import CHAIN_NAME, number_in_name
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Kind, Severity
from rollproof.models.names import is_safe_relative, shown
from rollproof.storage.io import Io
from rollproof.storage.readback import ReadsDiffer

_CHAIN_TEXT = CHAIN_NAME.decode()


def read_history(io: Io, roll: int) -> History:
    """The history at the top of the open folder `roll`; an empty one where there is no `ascmhl/`.

    Told apart, each as an error finding: a manifest that does not match the chain (`manifest-changed`), one that is
    named but gone (`manifest-missing`), a gap or disorder in the chain or an unreadable chain (`chain-broken`), a
    manifest not in the chain (`manifest-not-in-chain`), one that breaks the format (`bad-manifest`), a path that
    would leave the folder (`path-escapes`), one the drive cannot read (`unreadable`). A warning only: the next
    manifest after the chain, when it says nothing but what the chain's own say; so a run ends that was interrupted
    between the two. OSError only when the folder itself cannot be listed, and `readback.ReadsDiffer` when a manifest
    did not read alike twice: then nothing that was read of it may be built on.
    """
    noted = Noted()
    try:
        with history_folder(io, roll) as folder:
            if folder is None:
                return History()
            return _HistoryReader(io, folder, noted).read()
    except UntrustedInput as error:
        noted.add(Kind.BAD_MANIFEST, error.message, path="ascmhl")
        return History(findings=noted.all())


def open_manifest(io: Io, roll: int, name: bytes, noted: Noted) -> Iterator[FileHash | FolderHash]:
    """Stream one manifest of the history below `roll`, checked, in flat memory whatever its size.

    Raises UntrustedInput when it breaks the format, OSError when it cannot be read.
    """
    with history_folder(io, roll) as folder:
        if folder is None:
            raise UntrustedInput("There is no history here.")
        if b"/" in name or not is_safe_relative(name):
            raise UntrustedInput("A manifest lies in the folder ascmhl itself.")
        yield from ManifestReader(manifest_chunks(io, folder, name), noted, shown(name))


class _HistoryReader:
    def __init__(self, io: Io, folder: int, noted: Noted) -> None:
        self._io = io
        self._folder = folder
        self._noted = noted
        self._expected = ExpectedFiles()
        self._agrees = False
        """Whether the stray manifest being read says nothing new so far."""

    def read(self) -> History:
        listed = list_manifests(self._io, self._folder)
        for name in sorted(listed.odd):
            self._noted.add(Kind.BAD_MANIFEST, "This manifest is not a regular file.", path=shown(name))
        chain = self._chain(listed)
        self._check_order(chain)
        generations = [self._chained(entry, listed) for entry in _each_once(chain)]
        named = {entry.path for entry in chain}
        last = max((entry.sequence or 0 for entry in chain), default=0)
        for name in sorted(listed.manifests - named):
            generations.append(self._stray(name, last + 1 if chain else 0))
            last += generations[-1].sequence == last + 1
        if self._expected.left_out:
            detail = (
                f"The history names more files than fit into memory: {self._expected.left_out} entries were left out,"
                " and their files are not compared."
            )
            self._noted.add(Kind.BAD_MANIFEST, detail, path="ascmhl")
        return History(tuple(generations), self._expected.found, self._noted.all())

    def _chain(self, listed: Listed) -> tuple[ChainEntry, ...]:
        try:
            chain = read_chain(self._io, self._folder, CHAIN_NAME)
        except UntrustedInput as error:
            self._noted.add(Kind.CHAIN_BROKEN, f"The chain cannot be read. {error.message}", path=_CHAIN_TEXT)
            return ()
        except OSError as error:
            self._noted.add(Kind.UNREADABLE, f"The drive cannot read the chain: {error.strerror}.", path=_CHAIN_TEXT)
            return ()
        if chain is None:
            if listed.manifests:
                self._noted.add(Kind.CHAIN_BROKEN, "There are manifests, but no chain.", path=_CHAIN_TEXT)
            return ()
        return chain

    def _check_order(self, chain: tuple[ChainEntry, ...]) -> None:
        before = 0
        seen: set[bytes] = set()
        for entry in chain:
            where = shown(entry.path)
            if entry.path in seen:
                self._noted.add(Kind.CHAIN_BROKEN, "The chain names this manifest twice.", path=where)
            seen.add(entry.path)
            if entry.sequence is None:
                self._noted.add(Kind.CHAIN_BROKEN, "The chain gives this manifest no number.", path=where)
                continue
            if entry.sequence > before + 1:
                missing = f"{before + 1}" if entry.sequence == before + 2 else f"{before + 1} to {entry.sequence - 1}"
                self._noted.add(Kind.CHAIN_BROKEN, f"The chain has a gap: {missing} missing.", path=where)
            elif entry.sequence <= before:
                detail = f"The chain is out of order: {entry.sequence} after {before}."
                self._noted.add(Kind.CHAIN_BROKEN, detail, path=where)
            if number_in_name(entry.path) not in (entry.sequence, None):
                detail = f"The chain calls this manifest number {entry.sequence}, its name says otherwise."
                self._noted.add(Kind.CHAIN_BROKEN, detail, path=where)
            before = max(before, entry.sequence)

    def _chained(self, entry: ChainEntry, listed: Listed) -> ManifestRead:
        where = shown(entry.path)
        unread = ManifestRead(entry.path, entry.sequence, ManifestState.UNREADABLE, "")
        if not is_safe_relative(entry.path):
            detail = "The chain names a manifest outside its folder; it was never opened."
            self._noted.add(Kind.PATH_ESCAPES, detail, path=where)
            return unread
        if entry.path not in listed.manifests:
            if entry.path in listed.odd:
                return unread
            detail = "The chain names this manifest, and it is gone."
            self._noted.add(Kind.MANIFEST_MISSING, detail, path=where)
            return ManifestRead(entry.path, entry.sequence, ManifestState.GONE, "")
        try:
            c4 = c4_of(self._io, self._folder, entry.path)
        except (UntrustedInput, OSError) as error:
            self._unreadable(entry.path, error)
            return unread
        state = ManifestState.WHOLE if c4 == entry.c4 else ManifestState.CHANGED
        if state is ManifestState.CHANGED:
            detail = "The manifest was changed: it does not match the chain."
            self._noted.add(Kind.MANIFEST_CHANGED, detail, path=where)
        return self._parsed(entry.path, entry.sequence, state, c4)

    def _stray(self, name: bytes, following: int) -> ManifestRead:
        number = number_in_name(name)
        self._agrees = bool(following) and number == following
        try:
            c4 = c4_of(self._io, self._folder, name)
        except (UntrustedInput, OSError) as error:
            self._not_in_chain(name, agrees=False)
            self._unreadable(name, error)
            return ManifestRead(name, number, ManifestState.UNREADABLE, "")
        found = self._parsed(name, number, ManifestState.NOT_IN_CHAIN, c4)
        self._not_in_chain(name, agrees=self._agrees and found.state is ManifestState.NOT_IN_CHAIN)
        return found

    def _not_in_chain(self, name: bytes, *, agrees: bool) -> None:
        severity = Severity.WARNING if agrees else Severity.ERROR
        detail = "The manifest is not in the chain." + (" An interrupted run may have left it so." if agrees else "")
        self._noted.add(Kind.MANIFEST_NOT_IN_CHAIN, detail, path=shown(name), severity=severity)

    def _parsed(self, name: bytes, sequence: int | None, state: ManifestState, c4: str) -> ManifestRead:
        total = C4Sum()
        reader = ManifestReader(total.over(manifest_chunks(self._io, self._folder, name)), self._noted, shown(name))
        files, failed = 0, 0
        try:
            for item in reader:
                if not isinstance(item, FileHash):
                    continue
                files += 1
                failed += any(item.action_of(each) is Action.FAILED for each in item.hashes)
                if state is ManifestState.WHOLE:
                    self._expected.take(item)
                elif state is ManifestState.NOT_IN_CHAIN and self._agrees:
                    self._agrees = compared(self._expected.found.get(item.path), item) is Outcome.VERIFIED
        except (UntrustedInput, OSError) as error:
            self._unreadable(name, error)
            state = ManifestState.UNREADABLE
        else:
            if total.text != c4:
                raise ReadsDiffer(name)  # what was just read from it is worth nothing
        return ManifestRead(name, sequence, state, c4, reader.header, tuple(reader.references), files, failed)

    def _unreadable(self, name: bytes, error: UntrustedInput | OSError) -> None:
        if isinstance(error, UntrustedInput):
            self._noted.add(Kind.BAD_MANIFEST, error.message, path=shown(name))
        else:
            detail = f"The drive cannot read this manifest: {error.strerror or error}."
            self._noted.add(Kind.UNREADABLE, detail, path=shown(name))


def _each_once(chain: tuple[ChainEntry, ...]) -> Iterator[ChainEntry]:
    """The entries, a manifest that is named twice only at its first place."""
    seen: set[bytes] = set()
    for entry in chain:
        if entry.path not in seen:
            seen.add(entry.path)
            yield entry
