"""`make demo`: three cards to three drives, verified; may a card be wiped? `python tools/demo.py FOLDER`.

Where the machine allows it, every card and drive is a small disk image of its own, mounted: then both answers of
`may-wipe` are shown. Elsewhere they are folders below FOLDER, and the demo says why a card can only be kept then.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests")]

from demo_media.stage import cards, stage_card  # noqa: E402
from tools.desk import Desk, clear_away, why_no_desk  # noqa: E402

from support.loops import ToolFailed  # noqa: E402

MARK = "made-by-rollproof-demo"
DRIVES = ("primary", "backup", "shuttle")


class NotAsItMust(Exception):
    """A step that ended in another way than this demo must."""


def fresh(folder: Path) -> None:
    """An empty folder with our mark; one without the mark that holds something is left alone (FileExistsError)."""
    if folder.exists():
        if any(folder.iterdir()) and not (folder / MARK).exists():
            raise FileExistsError(f"{folder} holds something that this demo did not make; it is left alone.")
        if not why_no_desk():
            clear_away(folder)
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    (folder / MARK).write_text("make demo removes this whole folder when it runs again.\n", encoding="utf-8")


def rollproof(folder: Path, *words: str) -> int:
    """Show a command line as a person would type it, run it in `folder`, return its exit status."""
    print(f"\n$ rollproof {shlex.join(words)}", flush=True)
    command = Path(sys.executable).with_name("rollproof")
    environment = {
        **os.environ,
        "ROLLPROOF_HOME": str(folder / "station"),
        "ROLLPROOF_ROLE": "data wrangler",
    }
    return subprocess.run([command, *words], cwd=folder, env=environment, check=False).returncode


def must(expected: int, ended: int, what: str) -> None:
    """Raise NotAsItMust when a command ended otherwise."""
    if ended != expected:
        raise NotAsItMust(f"{what} ended with {ended} where {expected} was due. What it said is above.")


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


def shoot_one_more(card: Path) -> None:
    """A clip of the camera's next number: the first one's casting once more."""
    first = next(path for path in sorted(card.rglob("*")) if "C001_" in path.name and path.is_file())
    for path in first.parent.glob(f"{first.stem}.*"):
        shutil.copyfile(path, path.with_name(path.name.replace("C001_", "C005_")))


def offload_all(folder: Path) -> int:
    """Step 1; its exit status."""
    print("\n1. Three cards go to three drives, every copy is read back.")
    to = [word for drive in DRIVES for word in ("--to", f"drives/{drive}")]
    return rollproof(folder, "offload", *(f"cards/{name}" for name in cards()), *to)


def spoil_and_notice(folder: Path, number: int) -> None:
    """The last step."""
    print(
        f"\n{number}. One bit of one clip changes on the shuttle drive; size and date stay the same. Reading it again"
        " tells."
    )
    spoil(folder / "drives" / "shuttle" / "B002" / "B002R1BF" / "B002C002_260514_R1BF.mov")
    must(1, rollproof(folder, "verify", "drives/shuttle"), "The verify of a spoiled clip")


def with_devices(folder: Path, desk: Desk) -> None:
    """Cards and drives on devices of their own: both answers."""
    media = {name: desk.card(folder / "cards" / name) for name in cards()}
    for name in DRIVES:
        desk.drive(folder / "drives" / name)
    for name, card in media.items():
        stage_card(name, card.mount)
        card.replug(read_only=True)
    must(0, offload_all(folder), "The offload")

    print("\n2. At lunch a drive is read again.")
    must(0, rollproof(folder, "verify", "drives/backup"), "The verify")

    print("\n3. A camera is waiting for the card A003. May it be wiped?")
    must(0, rollproof(folder, "may-wipe", "cards/A003", "--by", "the camera assistant"), "The question")

    print("\n4. The card comes back with one clip more, and somebody asks before it was offloaded.")
    card = media["A003"]
    card.replug(read_only=False)
    shoot_one_more(card.mount)
    card.replug(read_only=True)
    must(1, rollproof(folder, "may-wipe", "cards/A003", "--by", "the camera assistant"), "The question")

    spoil_and_notice(folder, 5)
    shutil.copytree(folder / "drives" / "backup", folder / "what-lay-on-the-backup-drive")


def with_folders(folder: Path, why: str) -> None:
    """Cards and drives are folders: everything but MAY WIPE."""
    for name in cards():
        stage_card(name, folder / "cards" / name)
    for name in DRIVES:
        (folder / "drives" / name).mkdir(parents=True)
    status = offload_all(folder)
    if status == 1 and only_from_cache(folder):
        print(
            "\nThis machine's file system cannot show that a read came from the disk and not from memory, so Rollproof"
            "\ncalls the copies copied, not proven. On an ext4 or xfs disk it can. The demo goes on."
        )
    else:
        must(0, status, "The offload")

    print("\n2. At lunch a drive is read again.")
    must(status, rollproof(folder, "verify", "drives/backup"), "The verify")

    print("\n3. A camera is waiting for the card A003. May it be wiped?")
    must(1, rollproof(folder, "may-wipe", "cards/A003", "--by", "the camera assistant"), "The question")
    print(
        "\nIt has to be KEEP. Cards and drives are folders on one disk here: nothing shows that all of a card was seen,"
        "\nand three copies that burn with the card are no copies. With cards and drives on devices of their own this"
        f"\ndemo shows both answers; it could not make any, because: {why}."
    )
    spoil_and_notice(folder, 4)


def main(arguments: list[str]) -> int:
    """Run the demo; 0 when every step ended as it must."""
    folder = Path(arguments[0] if arguments else ".demo").resolve()
    try:
        fresh(folder)
    except FileExistsError as error:
        print(error, file=sys.stderr)
        return 1
    print('"The Bell Foundry", a documentary of our own invention. Main unit, cameras A and B, and sound.')
    here = folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder
    shown = f"{here}/what-lay-on-the-backup-drive"
    try:
        why = why_no_desk() or try_devices(folder)
        if why:
            with_folders(folder, why)
            shown = f"{here}/drives/backup"
    except NotAsItMust as end:
        print(f"\n{end}")
        return 1
    except KeyboardInterrupt:
        print("\nStopped. Nothing is left mounted.", file=sys.stderr)
        return 130
    answers = "KEEP, and why it can be nothing else here" if why else "MAY WIPE where it may be said, KEEP where not"
    print(
        f"""
What was shown: {len(cards())} cards on {len(DRIVES)} drives, {answers},
and a spoiled bit found (exit status 1, as it must be).

Where to look:
  {shown}/A003/            the copy of the A camera's card; its clips play
  {shown}/A003/rollproof/  the records: who, when, which drive, which evidence
  {shown}/A003/ascmhl/     the same history in the open ASC MHL standard
  docs/a-shooting-day.md   a whole day with real cards and drives
  docs/getting-started.md  the same with a card of your own"""
    )
    return 0


def try_devices(folder: Path) -> str:
    """The demo on devices; why not, when the machine turns out not to let us."""
    try:
        with Desk(folder) as desk:
            try:
                (folder / "probe").mkdir()
                desk.card(folder / "probe").unplug()
            except (OSError, ToolFailed, subprocess.SubprocessError) as problem:
                return " ".join(str(problem).split())[:200]
            with_devices(folder, desk)
    finally:
        for empty in ("probe", *(f"{kind}/{name}" for kind, names in _mounts() for name in names), "cards", "drives"):
            if (folder / empty).is_dir() and not any((folder / empty).iterdir()):
                (folder / empty).rmdir()
    return ""


def _mounts() -> Iterator[tuple[str, tuple[str, ...]]]:
    yield "cards", tuple(cards())
    yield "drives", DRIVES


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
