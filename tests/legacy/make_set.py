"""Make the set of drives and ledgers in this folder, with the version of the tool that is installed.

    unshare --uts --mount sh -c 'hostname foundry-cart; .venv/bin/python tests/legacy/make_set.py 26e079e'

Needs root and loop devices. Run it at the commit whose files are to be kept, never again later: what counts is that
an earlier version wrote them. See README.md.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
sys.path.insert(0, str(HERE.parents[1]))

from legacy.kept import CARDS, DRIVES, Kept, ask_images, ask_trees  # noqa: E402
from support.devices import Drive  # noqa: E402
from support.loops import tool  # noqa: E402
from workflows.station import change_quietly, fill  # noqa: E402

PLACE = Path("/tmp/bell-foundry")
DAY = "2026-05-14"
ROLLS = {
    "A003": {"CLIP/A003C001_260514.mov": 30_000, "CLIP/A003C001_260514.xml": 120, "CLIP/A003C002_260514.mov": 7_001},
    "B002": {"CLIP/B002C001_260514.mov": 20_000, "NOTES.TXT": 12},
}
PRODUCTION = f"""name = "The Bell Foundry"
copies_required = 2
folder = "{{production}}/{{day}}/{{roll}}"

[[drives]]
role = "primary"
path = "{PLACE}/FOUNDRY_1"

[[drives]]
role = "backup"
path = "{PLACE}/FOUNDRY_2"
"""


def rollproof(home: Path, *words: str | Path, expect: int = 0) -> dict[str, object]:
    """Run the installed command as a person would, at the station with this home."""
    person = {"ROLLPROOF_BY": "the data wrangler", "ROLLPROOF_ROLE": "data wrangler"}
    environment = {**os.environ, "ROLLPROOF_HOME": str(home), **person}
    line = [sys.executable, "-m", "rollproof", *map(str, words), "--json"]
    done = subprocess.run(line, cwd=PLACE / "work", env=environment, capture_output=True, text=True, check=False)
    print(done.returncode, *words)
    if done.returncode != expect:
        raise SystemExit(f"{words}: {done.returncode}\n{done.stdout}\n{done.stderr}")
    answer: dict[str, object] = json.loads(done.stdout)
    return answer


def make_drives() -> dict[str, Drive]:
    """Images with file systems whose identities are invented too."""
    made = {}
    for number, (name, file_system) in enumerate({**CARDS, **DRIVES}.items(), start=1):
        image = PLACE / "images" / f"{name}.img"
        image.touch()
        os.truncate(image, 32 << 20)
        if file_system == "ext4":
            serial = f"00000000-0000-4000-8000-00000000000{number}"
            options = ("-E", "lazy_itable_init=0,lazy_journal_init=0", "-m", "0", "-N", "256", "-U", serial, "-L", name)
            tool("mkfs.ext4", "-q", "-F", *options, image)
        else:
            tool("mkfs.exfat", "-L", name, image)
        made[name] = Drive(image, PLACE / name, file_system).plug_in()
        if file_system == "ext4":
            (PLACE / name / "lost+found").rmdir()
    return made


def story(drives: dict[str, Drive], cart: Path, post: Path) -> None:
    """What happened to the two cards and the three drives."""
    folder = f"The Bell Foundry/{DAY}"
    one, two, three = (PLACE / name for name in DRIVES)
    for name, sizes in ROLLS.items():
        fill(PLACE / name, sizes)
        drives[name].replug()
    rollproof(cart, "offload", PLACE / "A003", "--day", DAY, "--roll", "A003")
    rollproof(cart, "offload", PLACE / "B002", "--day", DAY, "--roll", "B002", "--hash", "xxh128", "--hash", "md5")
    rollproof(cart, "may-wipe", PLACE / "A003")
    rollproof(cart, "verify", one)
    # the camera goes on with the same card: an addition
    fill(PLACE / "B002", {"CLIP/B002C002_260514.mov": 9_000})
    drives["B002"].replug()
    rollproof(cart, "offload", PLACE / "B002", "--day", DAY, "--roll", "B002", "--hash", "xxh128", "--hash", "md5")
    # copies of recorded copies, and a drive that travels
    rollproof(cart, "offload", one / "The Bell Foundry", "--to", three, expect=0)
    rollproof(cart, "handover", three, "--to", "the post house", "--via", "courier", "--sheet", PLACE / "sheet.html")
    rollproof(post, "receive", three)
    # one copy goes bad under the same size and date, and is found out
    change_quietly(two / folder / "B002" / "CLIP" / "B002C001_260514.mov")
    drives["FOUNDRY_2"].replug()
    rollproof(cart, "verify", two, expect=1)


def main(commit: str) -> None:
    """Make it all, keep it, and keep today's answers about it."""
    shutil.rmtree(PLACE, ignore_errors=True)
    for name in ("images", "work", "home/cart", "home/post"):
        (PLACE / name).mkdir(parents=True)
    (PLACE / "work" / "production.toml").write_text(PRODUCTION)
    drives = make_drives()
    try:
        story(drives, PLACE / "home" / "cart", PLACE / "home" / "post")
        tool("tar", "--format=posix", "--pax-option=delete=atime,delete=ctime", "--owner=0", "--group=0", "--sort=name",
             "-cJf", HERE / "trees.tar.xz", "-C", PLACE, *DRIVES)  # fmt: skip
    finally:
        for drive in drives.values():
            drive.unplug()
    for name in ("cart", "post"):
        for secret in (PLACE / "home" / name).glob("station_key"):
            secret.unlink()  # the private half stays at home
    tool("tar", "--format=gnu", "-S", "--owner=0", "--group=0", "--sort=name", "-cJf", HERE / "images.tar.xz",
         "-C", PLACE / "images", *(f"{name}.img" for name in drives))  # fmt: skip
    tool("tar", "--owner=0", "--group=0", "--sort=name", "-cJf", HERE / "homes.tar.xz", "-C", PLACE / "home", ".")
    answers = PLACE / "answers"
    kept = Kept.unpacked(answers)
    found = {"commit": commit, "made": time.strftime("%Y-%m-%d"), "trees": ask_trees(kept), "images": ask_images(kept)}
    (HERE / "answers.json").write_text(json.dumps(found, indent=1, sort_keys=True) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
