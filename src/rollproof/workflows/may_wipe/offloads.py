"""Which offloads a card is of: known by its unchanged listing, or by its content when it is read again."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice

from rollproof.copies.tree_hashes import HashesByPath
from rollproof.copies.tree_read import TreeRead, TreeToRead, read_tree
from rollproof.drives.cached_pages import INSTALL, lacks_right
from rollproof.ledger.entries import KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.models.events import Leg
from rollproof.models.findings import Finding, Kind
from rollproof.models.names import shown
from rollproof.models.requests import MayWipeRequest
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.acceptance import Subject
from rollproof.proof.policy import Rules
from rollproof.station.context import Context
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.workflows.may_wipe.card import CardInHand, keep

_LOOKED_UP_AT_ONCE = 500


def _may_be_known(card: CardInHand, ledger: Ledger) -> bool:
    """Whether a file on the card has a path and a size that were offloaded before. Such a file makes no card known:
    it only says that reading the card can tell more."""
    return ledger.knows_one_of((file.path, file.size) for file in card.snapshot.files if file.size)


@dataclass(slots=True)
class OffloadsOfCard:
    """Finds the offloads that a card is of. `read` and `hashes` are what is then known of its content; what speaks
    against the card on the way is added to `reasons`."""

    ctx: Context
    request: MayWipeRequest
    reasons: list[Finding]
    hashes: HashesByPath = field(default_factory=HashesByPath)
    read: TreeRead | None = None

    def by_listing(self, card: CardInHand, ledger: Ledger, rules: Rules) -> list[KnownOffload]:
        """Offloads by this very station whose card has not been away or changed since; none when a re-read is due."""
        if self.request.reread:
            return []
        digests = [card.snapshot.listing_digest]
        if card.hidden:  # what an offload of this production lists is the rest
            ignore = IgnoreRules(rules.ignore)
            digests.append(take_snapshot(self.ctx.io, card.root, ignore, cancel=self.ctx.cancel).listing_digest)
        boot, sequence = self.ctx.drives.medium_now(card.volume)
        found = []
        for offload in (each for digest in digests for each in ledger.find_by_listing(digest)):
            then = offload.card
            unchanged = (
                offload.ours
                and None not in (boot, sequence, then.serial)
                and (then.boot_id, then.disk_sequence) == (boot, sequence)
                and then.mount_point == card.volume.mount_point
                and then.serial == card.volume.serial
                and then.device_number == card.volume.st_dev
                and sum(read is Evidence.MEDIUM for read in then.reads) >= 2
            )
            if unchanged:
                found.append(offload)
        hashes = HashesByPath(card.snapshot.files)
        for offload in found:
            for file in ledger.files_of(offload.id):
                if file.hash_text is None:
                    continue
                if hashes.remembered(file.path, file.algorithm, file.hash_text) != file.hash_text:
                    return []  # two runs over one listing that read different bytes: only the card itself can tell
        self.hashes = hashes
        return found

    def by_reread(self, card: CardInHand, ledger: Ledger) -> list[KnownOffload]:
        """Read the card from the medium and look the hashes up; by content, never by name."""
        algorithms = ledger.algorithms()
        if not algorithms or not (self.request.reread or _may_be_known(card, ledger)):
            return []  # there is nothing to compare with: reading all of it would end in the same answer
        tree = TreeToRead(card.root, card.snapshot.files, card.volume)
        read = read_tree(self.ctx, tree, algorithms, Leg.READ_CARD)
        self.read, self.hashes = read, read.hashes
        if read.lost is not None:
            self.reasons.append(read.lost)
        for path, fault in read.faults.items():
            if not card.takes(Subject("path", shown(path))):
                self.reasons.append(fault)
        files = card.snapshot.files
        weak = [n for n in range(len(files)) if read.evidence(n) not in (None, Evidence.MEDIUM)]
        if weak:
            self.reasons.append(
                keep(
                    Kind.SOURCE_FROM_CACHE,
                    "the card was read, but a cache may have answered instead of the medium",
                    _again(card.volume),
                    path=shown(files[weak[0]].path),
                    count=len(weak),
                )
            )
        found: dict[int, None] = {}
        for algorithm in algorithms:
            texts = read.hashes.texts(algorithm)
            while batch := set(islice(texts, _LOOKED_UP_AT_ONCE)):
                for file in ledger.find_files(algorithm, batch):
                    # the same content under another path (an empty file, a default look) makes no roll of this card
                    if read.hashes.get(file.path, {}).get(algorithm) == file.hash_text:
                        found[file.offload_id] = None
        return ledger.offloads(found)


def _again(volume: Volume) -> str:
    """What lets a re-read of the card count."""
    if lacks_right(volume):
        return f"once on this computer: {' && '.join(INSTALL)}; then take the card out, put it back, and ask again"
    return "take the card out, put it back, and ask again"
