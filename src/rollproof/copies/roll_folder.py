"""An open roll folder on a drive: where it is, and its handle."""

from __future__ import annotations

from dataclasses import dataclass

from rollproof.copies.location import place_on
from rollproof.models.volumes import Volume
from rollproof.records.chain import Chain, read_chain
from rollproof.records.standing import Standing, standing
from rollproof.storage.io import Io


@dataclass(frozen=True, slots=True)
class RollFolder:
    """The folder of a copy, opened by whoever made this, who also closes it. `drive` is its drive's name for people."""

    io: Io
    handle: int
    path: bytes
    volume: Volume
    drive: str

    @property
    def folder(self) -> bytes:
        """Where it lies on its volume."""
        return place_on(self.volume, self.path)

    def chain(self) -> Chain:
        """Its records as they are now. OSError when the drive fails."""
        return read_chain(self.io, self.handle, drive=self.drive)

    def standing(self, chain: Chain) -> Standing:
        """What these records say of the copy here. OSError when the drive fails."""
        return standing(self.io, self.handle, chain, self.volume, folder=self.folder)
