"""`make demo`: three cards to three drives, verified, then one drive goes bad. `python tools/demo.py FOLDER`.

Everything is real but the hardware: the cards and drives are folders below FOLDER, and the output says what that means.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPOSITORY))

from demo_media.stage import cards, stage_card  # noqa: E402

MARK = "made-by-rollproof-demo"
DRIVES = ("primary", "backup", "shuttle")


def fresh(folder: Path) -> None:
    """An empty folder with our mark; one without the mark that holds something is left alone (FileExistsError)."""
    if folder.exists():
        if any(folder.iterdir()) and not (folder / MARK).exists():
            raise FileExistsError(f"{folder} holds something that this demo did not make; it is left alone.")
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    (folder / MARK).write_text("make demo removes this whole folder when it runs again.\n", encoding="utf-8")


def rollproof(folder: Path, *words: str) -> int:
    """Show a command line as a person would type it, run it in `folder`, return its exit status."""
    print(f"\n$ rollproof {' '.join(words)}", flush=True)
    command = Path(sys.executable).with_name("rollproof")
    environment = {**os.environ, "ROLLPROOF_HOME": str(folder / "station"), "ROLLPROOF_ROLE": "data wrangler"}
    return subprocess.run([command, *words], cwd=folder, env=environment, check=False).returncode


def offload_records(folder: Path) -> Iterator[Path]:
    """The offload records on the demo's drives."""
    return folder.glob("drives/*/*/rollproof/0001_offload_*.json")


def only_from_cache(folder: Path) -> bool:
    """Whether this disk gave no better evidence than its cache: then *copied* is the right answer, not *proven*."""
    copies = [json.loads(path.read_text(encoding="utf-8"))["copy"] for path in offload_records(folder)]
    return bool(copies) and any(copy["readback"] == "cache" for copy in copies)


def spoil(file: Path) -> None:
    """Change one bit in the middle of a file and put its date back: what a drive that goes bad looks like."""
    before = file.stat()
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


def main(arguments: list[str]) -> int:
    """Run the demo; 0 when every step ended as it must."""
    folder = Path(arguments[0] if arguments else ".demo").resolve()
    try:
        fresh(folder)
    except FileExistsError as error:
        print(error, file=sys.stderr)
        return 1
    print('"The Bell Foundry", a documentary of our own invention. Main unit, cameras A and B, and sound.')
    for name in cards():
        stage_card(name, folder / "cards" / name)
    for name in DRIVES:
        (folder / "drives" / name).mkdir(parents=True)

    print("\n1. Three cards go to three drives, every copy is read back.")
    to = [word for drive in DRIVES for word in ("--to", f"drives/{drive}")]
    status = rollproof(folder, "offload", *(f"cards/{name}" for name in cards()), *to)
    if status == 1 and only_from_cache(folder):
        print(
            "\nThis machine's file system cannot show that a read came from the disk and not from memory, so Rollproof"
            "\ncalls the copies copied, not proven. On an ext4 or xfs disk it can. The demo goes on."
        )
    elif status != 0:
        print(f"\nThe offload ended with {status}, and that is not how this demo ends. What it said is above.")
        return status

    print("\n2. At lunch a drive is read again.")
    verified = rollproof(folder, "verify", "drives/backup")
    if verified != status:
        print(f"\nThe verify ended with {verified}; expected was {status}.")
        return verified or 1

    print("\n3. One bit of one clip changes on the shuttle drive; size and date stay the same. Reading it again tells.")
    spoil(folder / "drives" / "shuttle" / "B002" / "B002R1BF" / "B002C002_260514_R1BF.mov")
    noticed = rollproof(folder, "verify", "drives/shuttle")
    if noticed != 1:
        print(f"\nThe spoiled clip was not noticed: the verify ended with {noticed} where 1 was due.")
        return 1

    here = folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder
    print(
        f"""
What was shown: {len(cards())} cards on {len(DRIVES)} drives, and a spoiled bit found (exit status 1, as it must be).
What was not: cards and drives are folders on one disk. Three copies that burn with the card are no copies, so Rollproof
counts none of them and says KEEP. With a real card, and a real drive behind each --to, it counts one for each device.

Where to look:
  {here}/drives/backup/A003/            the copy of the A camera's card; its clips play
  {here}/drives/backup/A003/rollproof/  the records: who, when, which drive, which evidence
  {here}/drives/backup/A003/ascmhl/     the same history in the open ASC MHL standard
  docs/getting-started.md                the same with a card of your own"""
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
