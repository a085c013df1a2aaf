"""Papers of up to gigabytes beside a copy: the whole command, in a process of its own, in flat memory.

The peak is what the kernel says of that process (`ru_maxrss`), above that of one that meets an ordinary copy.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hostile.papers_at_hand import HEAD, MHL, TAIL, chain, entry
from hostile.place import Papers, Place
from rollproof.hashing import new_hasher
from support.counting import FAULTS
from support.forked import ForkedStation
from support.station import Ended, Station

_MORE_BYTES = 100 << 20
"""What a hostile paper may cost above an ordinary one: some buffers, and the hundred findings that are listed."""

_LONG_BYTES = int(os.environ.get("ROLLPROOF_LONG_MANIFEST_MB", "25")) << 20
"""How long the manifest is that has to be parsed to its end (a minute for 500 MB): the campaign asks for more."""

_LONGEST_SECONDS = 120 + 2 * (_LONG_BYTES >> 20)


def _alone(place: Place, *words: str | Path) -> Ended:
    """The command in a process of its own, which has everything imported from the start."""
    station = ForkedStation(Station(Path(os.environ["ROLLPROOF_HOME"]), place.top))
    ended = station.run(*words, longest_seconds=_LONGEST_SECONDS)
    assert b"Traceback" not in ended.stderr, ended.text
    assert not ended.killed, "it took too long"
    return ended


@pytest.fixture(scope="module")
def proven(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Place, Papers, int]]:
    """A proven roll, its papers, and the peak of verifying it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROLLPROOF_HOME", str(tmp_path_factory.mktemp("home")))
        made = Place(tmp_path_factory.mktemp("memory"))
        assert made.offload("--to", str(made.one)).status == 0
        papers = Papers(made.roll, tmp_path_factory.mktemp("kept"))
        ordinary = _alone(made, "verify", made.roll, "--json")
        assert ordinary.status == 0
        yield made, papers, ordinary.peak_bytes


def _sparse_manifest(place: Place) -> None:
    """600 MB that take no room on the drive."""
    path = next((place.roll / "ascmhl").glob("*.mhl"))
    os.truncate(path, 600 << 20)


def _hole_in_manifest(place: Place) -> None:
    """500 MB, all within the limit of a manifest, of which only the first bytes are one."""
    path = next((place.roll / "ascmhl").glob("*.mhl"))
    os.truncate(path, 500 << 20)


def _long_manifest(place: Place) -> None:
    """Many megabytes of well-formed entries, all of them useless: each is the same file again."""
    path = place.roll / "ascmhl" / MHL
    hasher = new_hasher("c4")
    piece = entry("x/" * 300 + "A003C001.mov").encode() * 1000
    count = _LONG_BYTES // len(piece)
    with path.open("wb") as out:
        for data in (HEAD.format(ignore="").encode(), *([piece] * count), TAIL.encode()):
            hasher.update(data)
            out.write(data)
    text = chain((MHL, b"")).decode()
    at = text.index("<c4>") + 4
    (place.roll / "ascmhl/ascmhl_chain.xml").write_text(text[:at] + hasher.text() + text[text.index("</c4>") :])


def _long_chain(place: Place) -> None:
    """A chain of 3 MB."""
    names = ((f"{n:05}_{'x' * 100}.mhl", b"") for n in range(20_000))
    (place.roll / "ascmhl/ascmhl_chain.xml").write_bytes(chain(*names))


def _sparse_record(place: Place) -> None:
    """A record of 300 MB of nothing."""
    os.truncate(next((place.roll / "rollproof").glob("*.json")), 300 << 20)


def _many_records(place: Place) -> None:
    """Nine thousand files that are named like records."""
    whole = next((place.roll / "rollproof").glob("*.json")).read_bytes()
    for number in range(2, 9_000):
        (place.roll / f"rollproof/{number:04}_verify_2026-05-14T081502Z.json").write_bytes(whole)


def _sparse_marker(place: Place) -> None:
    """A marker of 4 GB."""
    marker = place.roll / "NOT-FINISHED.rollproof-partial"
    marker.write_bytes(b"{}\n")
    os.truncate(marker, 4 << 30)


def _marker_of_line_ends(place: Place) -> None:
    """A marker of 30 MB, within its limit, of nothing but line ends."""
    (place.roll / "NOT-FINISHED.rollproof-partial").write_bytes(b"\n" * (30 << 20))


def _sparse_key(place: Place) -> None:
    """A signature of 1 GB beside the record."""
    record = next((place.roll / "rollproof").glob("*.json"))
    signature = record.with_name(record.name + ".sig")
    signature.write_bytes(b"-----BEGIN SSH SIGNATURE-----\n")
    os.truncate(signature, 1 << 30)


WAYS: dict[str, tuple[Callable[[Place], None], tuple[int, ...]]] = {
    "a sparse manifest above the limit": (_sparse_manifest, (1,)),
    "a manifest with a hole below the limit": (_hole_in_manifest, (1,)),
    "a long manifest of entries that are of no use": (_long_manifest, (1,)),
    "a chain of 20,000 manifests": (_long_chain, (1,)),
    "a sparse record": (_sparse_record, (1,)),
    "nine thousand records": (_many_records, (1,)),
    "a sparse marker": (_sparse_marker, (1,)),
    "a marker of line ends": (_marker_of_line_ends, (1,)),
    "a sparse signature": (_sparse_key, (0, 1)),
}


@pytest.mark.parametrize("way", WAYS)
def test_memory_stays_flat_whatever_lies_beside_the_copy(proven: tuple[Place, Papers, int], way: str) -> None:
    place, papers, ordinary = proven
    papers.restore()
    marker = place.roll / "NOT-FINISHED.rollproof-partial"
    lay, expected = WAYS[way]
    try:
        lay(place)
        FAULTS.add("oversized paper beside a copy")
        verified = _alone(place, "verify", place.roll, "--json")
        offloaded = _alone(place, "offload", place.card, "--to", place.one, "--dry-run", "--json")
    finally:
        marker.unlink(missing_ok=True)
    assert verified.status in expected, verified.text
    assert verified.json["copies"]
    assert offloaded.status in (0, 3)
    for ran in (verified, offloaded):
        assert len(ran.stdout) < 2_000_000
        assert ran.peak_bytes < ordinary + _MORE_BYTES, f"{(ran.peak_bytes - ordinary) >> 20} MB above the ordinary"
