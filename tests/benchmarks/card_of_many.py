"""Every command on a card of very many files, each in a process of its own: seconds, processor time and peak memory.

    python tests/benchmarks/card_of_many.py [--files 200000] [--folder-files 500] [--only COMMAND …] [--scratch DIR]

Card and drives are real file systems on loop devices (needs root), in memory where there is room. Nothing here is a
test.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from benchmarks import ground as bench  # noqa: E402
from support.devices import Devices, why_no_devices  # noqa: E402

COMMANDS = ("offload", "rerun", "verify", "may-wipe", "may-wipe --reread", "audit", "inspect", "inspect of the copy")
_STATUSES: dict[str | Path, tuple[int, ...]] = {"may-wipe": (1,), "audit": (0, 1), "inspect": (1,)}
"""Other than 0: files too short to be what their names say keep a card, and are damaged."""
_FOR_A_FILE = 16 << 10
"""Bytes of a drive for every file: an inode, a block, its folder entry, records and manifests, with room to spare."""


def every_command(
    scratch: Path | None, files: int, only: Sequence[str], folder_files: int = 500
) -> Iterator[tuple[str, bench.Cost]]:
    """Offload such a card to two drives, then all else that reads it. A command that ends otherwise than it should
    raises `DidNotWork`; the files are tiny and no movies, so the card is never to be wiped."""
    with tempfile.TemporaryDirectory(dir=scratch) as held, Devices(Path(held)) as devices:
        card, one, two = (
            devices.image("ext4", size_bytes=(256 << 20) + files * _FOR_A_FILE, name=name)
            for name in ("A003", "primary", "backup")
        )
        for drive in (card, one, two):
            (drive.mount / "lost+found").rmdir()
        bench.small_card(card.mount / "frames", files, smallest=64, largest=512, folder_files=folder_files)
        offload: list[str | Path] = ["offload", card.mount, "--to", one.mount, "--to", two.mount, "--roll", "A003"]
        wipe: list[str | Path] = ["may-wipe", card.mount, "--by", "the camera assistant"]
        words: dict[str, list[str | Path]] = {
            "offload": offload,
            "rerun": offload,
            "verify": ["verify", one.mount / "A003"],
            "may-wipe": wipe,
            "may-wipe --reread": [*wipe, "--reread"],
            "audit": ["audit", one.mount, two.mount],
            "inspect": ["inspect", card.mount],
            "inspect of the copy": ["inspect", one.mount / "A003"],
        }
        for name in COMMANDS:
            if name in only or name == "offload":
                bench.settle()
                yield name, bench.command(words[name], _STATUSES.get(words[name][0], (0,)))


def main() -> int:
    """Build, measure, clean up."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--folder-files", type=int, default=500, help="files in one folder")
    parser.add_argument("--only", choices=COMMANDS, nargs="+", default=list(COMMANDS))
    parser.add_argument("--scratch", type=Path, default=None)
    given = parser.parse_args()
    if reason := why_no_devices():
        print(reason, file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory(dir=given.scratch) as home:
        os.environ["ROLLPROOF_HOME"] = home
        for name, cost in every_command(given.scratch, given.files, given.only, given.folder_files):
            answer = str(cost.answer.get("verdict") or cost.answer.get("answer") or "")
            print(
                f"{name:20} {cost.seconds:7.1f} s  processor {cost.processor_seconds:6.1f} s"
                f"  peak {cost.peak_mib:4.0f} MiB  {answer}",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
