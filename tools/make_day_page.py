"""Writes docs/a-shooting-day.md: a whole day, walked through with the real commands. Root, Linux.

    sudo python tools/make_day_page.py

Cards and drives are small disk images on loop devices, mounted at the places that the page shows. It all happens in
a mount and host name space of its own: nobody else's /media and /mnt are touched, and nothing is left behind. What the
commands print goes into the page as it is, at 80 columns without colour; only the warnings that say of a drive that it
is a disk image are left out, and the page says so.
"""

from __future__ import annotations

import ctypes
import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests")]

from demo_media.stage import stage_card  # noqa: E402
from tools.demo import shoot_one_more, spoil  # noqa: E402
from tools.desk import Desk, why_no_desk  # noqa: E402

from support.loops import tool  # noqa: E402

PAGE = REPOSITORY / "docs" / "a-shooting-day.md"
_NEWNS, _NEWUTS = 0x00020000, 0x04000000
_ASSISTANT, _WRANGLER, _POST = "camera assistant", "data wrangler", "post assistant"


@dataclass
class Page:
    """The page as it grows, and the station that types."""

    folder: Path
    home: Path
    lines: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        """A paragraph or a heading."""
        self.lines += [text.strip(), ""]

    def at(self, host: str, folder: Path) -> None:
        """Another computer: a host name, and station files of its own."""
        socket.sethostname(host)
        self.folder, self.home = folder, folder / "station"
        folder.mkdir(parents=True, exist_ok=True)

    def type(self, line: str, *, status: int = 0, only: str = "", columns: int = 80) -> str:
        """Run a command line and take what it says into the page. `only` keeps the part from the line that begins so.

        Raises SystemExit when it ends in another way than this day has it.
        """
        words = shlex.split(line)
        done = subprocess.run(
            [sys.executable, "-m", *words] if words[0] == "rollproof" else words,
            cwd=self.folder,
            env={
                **{name: value for name, value in os.environ.items() if not name.startswith("ROLLPROOF_")},
                "ROLLPROOF_HOME": str(self.home), "COLUMNS": str(columns), "NO_COLOR": "1", "TZ": "UTC",
            },
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
        )  # fmt: skip
        if done.returncode != status:
            raise SystemExit(f"{line}\nended with {done.returncode} where {status} was due:\n{done.stdout}")
        told = without_image_warnings(done.stdout.rstrip("\n").split("\n"))
        if only:
            start = next(number for number, text in enumerate(told) if text.startswith(only))
            told = ["…", *told[start:]]
        self.lines += ["```text", f"$ {line}", *told, "```", ""]
        return done.stdout


def without_image_warnings(lines: list[str]) -> list[str]:
    """Without what is said of disk images only, and without a heading that has nothing below it then."""
    kept: list[str] = []
    passing = False
    for line in lines:
        if "is a disk image" in line or "holds disk images" in line:
            passing = True
            continue
        if passing and line.strip().startswith("Next: keep footage on drives"):
            continue
        if kept and kept[-1] in ("Warnings", "Notes") and not line.startswith("  "):
            kept.pop()
        passing = False
        kept.append(line)
    return [re.sub(r"\bdisk image (\S+)\.img on disk \S+", r"disk image \1.img", line) for line in kept]


def own_space() -> None:
    """A mount and host name space of our own, with empty /media and /mnt and no drives but ours."""
    library = ctypes.CDLL(None, use_errno=True)
    if library.unshare(_NEWNS | _NEWUTS):
        raise OSError(ctypes.get_errno(), "no name space of our own")
    tool("mount", "--make-rprivate", "/")
    with open("/proc/self/mounts", encoding="utf-8", errors="replace") as table:
        strangers = [line.split(" ")[1].replace("\\040", " ") for line in table]
    for mount in reversed(strangers):  # what else is mounted on this machine is no part of the story
        if mount.startswith(("/tmp/", "/media/", "/mnt/", "/run/media/")):
            tool("umount", "--lazy", mount, check=False)
    for place in ("/media", "/mnt"):
        Path(place).mkdir(exist_ok=True)
        tool("mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", place)


def day(desk: Desk, page: Page, top: Path) -> None:
    """The day itself."""
    drives = {name: desk.drive(Path("/mnt") / name) for name in ("primary", "backup", "shuttle")}
    page.at("cart", top / "the-bell-foundry")
    page.say(
        """
# A shooting day

*The Bell Foundry*, day 1: a main unit with cameras A and B and a sound recorder; three drives on the camera cart. This
page is made by `tools/make_day_page.py`, which types the commands below and takes down what they print. The cards and
drives are small disk images on loop devices, each a device of its own to the computer; the warnings that say so are
left out here, everything else is as it came. (It all happened within a minute, so the times lie close together.)

## In the morning

A production file once, at the start of the shoot: which drives there are, how many copies are asked for.
"""
    )
    page.type('rollproof init --name "The Bell Foundry"')
    (page.folder / "production.toml").write_text(
        'name = "The Bell Foundry"\nfolder = "{production}/{day}/{roll}"\ncopies_required = 2\n\n'
        + "\n".join(f'[[drives]]\nrole = "{name}"\npath = "/mnt/{name}"\n' for name in drives)
    )
    page.say("Filled in for this shoot, it is short:")
    page.lines += ["```toml", *(page.folder / "production.toml").read_text().rstrip().split("\n"), "```", ""]
    page.say("Is everything there that will be needed?")
    page.type("rollproof drives")

    card = desk.card(Path("/media/A003"))
    stage_card("A003", card.mount)
    card.replug(read_only=True)
    page.say(
        """
## The first card change

The A camera's card comes, with the camera report: four clips, the last one A003C004. The drives are in the production
file, so the card is all there is to name.
"""
    )
    page.type('rollproof offload /media/A003 --expect-clips 4 --expect-last A003C004 --by "data wrangler"')
    page.say(
        """
The last line answers for the card already. Whoever takes it back to the camera asks once more, in their own name: that
is written down beside the copies, as a permit. Nothing was changed since the offload, so the card need not be read
again.
"""
    )
    page.type(f'rollproof may-wipe /media/A003 --by "{_ASSISTANT}"')

    other = desk.card(Path("/media/B002"))
    stage_card("B002", other.mount)
    other.replug(read_only=True)
    sound = desk.card(Path("/media/S001"))
    stage_card("S001", sound.mount)
    sound.replug(read_only=True)
    page.say("## The second camera, and sound\n\nSound rolls are treated like picture. Both cards in one go:")
    page.type('rollproof offload /media/B002 /media/S001 --by "data wrangler"', only="Roll B002: ")

    card.replug(read_only=False)
    shoot_one_more(card.mount)
    card.replug(read_only=True)
    page.say(
        """
## A card that was used again

A card lies on the cart that everybody thinks was copied. It was, this morning; since then it was in the camera again.
"""
    )
    page.type(f'rollproof may-wipe /media/A003 --by "{_ASSISTANT}"', status=1)
    page.say(
        "KEEP, with the reason and what to do about it. The new clip goes beside the others, which are only compared:"
    )
    page.type('rollproof offload /media/A003 --by "data wrangler"', only="Roll A003")
    page.type(f'rollproof may-wipe /media/A003 --by "{_ASSISTANT}"', only="MAY WIPE")

    page.say("## At lunch\n\nThe backup drive is read again while nobody waits for it.")
    page.type('rollproof verify /mnt/backup --by "data wrangler"')
    page.say(
        """
And what if a drive goes bad? One bit of one clip on the shuttle drive changes now, with size and date as they were: the
kind of fault that nothing but reading every byte can find.
"""
    )
    (clip,) = (drives["shuttle"].mount / "The Bell Foundry").rglob("B002C002_260514_R1BF.mov")
    whole = clip.read_bytes(), clip.stat()
    spoil(clip)
    page.type('rollproof verify /mnt/shuttle --by "data wrangler"', status=1)
    page.say(
        """
Two other copies are proven, and the card of roll B002 has not been formatted. Does the bad copy still count for it? It
does not, from this moment on, also once it is unplugged:
"""
    )
    page.type(f'rollproof may-wipe /media/B002 --by "{_ASSISTANT}"', only="Copies")
    page.say("The clip is put right from a proven copy, and the drive read again: the newest word decides.")
    clip.write_bytes(whole[0])
    os.utime(clip, ns=(whole[1].st_atime_ns, whole[1].st_mtime_ns))
    page.type('rollproof verify /mnt/shuttle --by "data wrangler"', only="PROVEN")

    page.say("## In the afternoon: where do we stand?")
    page.type("rollproof rolls")
    page.say("And the whole story of one roll, as this station remembers it:")
    page.type("rollproof rolls A003")

    page.say(
        """
## A drive leaves

The shuttle drive goes to post. What leaves is written on the drive itself, and the receipt is read out over the phone.
"""
    )
    told = page.type(
        'rollproof handover /mnt/shuttle --to "post house" --via courier --by "data wrangler" --sheet sheet.html'
    )
    receipt = re.search(r"\b[A-Z0-9]{4}(?:[- ][A-Z0-9]{2,4}){3,}\b", told)
    drives["shuttle"].replug()

    page.at("post", top / "post")
    shutil.copyfile(top / "the-bell-foundry" / "station" / "station_key.pub", page.folder / "cart_key.pub")
    page.say(
        """
## It arrives

At post, another computer with a memory of its own. The cart's public key came by mail and its fingerprint over the
phone; from then on its signatures have a name.
"""
    )
    page.type('rollproof custody trust cart_key.pub --name "the cart of The Bell Foundry"')
    said = f" --receipt {receipt[0].replace(' ', '-')}" if receipt else ""
    page.type(f'rollproof receive /mnt/shuttle{said} --by "{_POST}"')
    page.say("The same receipt at both ends means the same records. Who had what, when?")
    page.type("rollproof custody /mnt/shuttle")

    page.at("cart", top / "the-bell-foundry")
    page.say(
        """
## At wrap

The last moment at which cards, drives and people are in one place: every roll, on every drive.
"""
    )
    page.type("rollproof audit /mnt/primary /mnt/backup")
    page.say(
        """
## What no command can do

Somebody has looked at the pictures: a hash says that two files are alike, not that a shot is sharp. The clips were
compared with the camera and sound reports. The cards stay exposed until the production says otherwise: its insurer, its
completion guarantor or its data policy may ask for more than is counted here. The drives travel apart. Footage shows
people: what may lie where, and how long, is a matter of the production's data-protection duties and of local law.

More on each of these: [each card change](each-card-change.md), [may a card be wiped?](may-a-card-be-wiped.md),
[at lunch](at-lunch.md), [what this station remembers](what-this-station-remembers.md),
[a drive changes hands](a-drive-changes-hands.md), [at wrap](at-wrap.md).
"""
    )


def main() -> int:
    """Write the page; 1 with the reason when this machine cannot."""
    if why := why_no_desk():
        print(f"This page needs real cards and drives: {why}.", file=sys.stderr)
        return 1
    own_space()
    with tempfile.TemporaryDirectory(prefix="shooting-day-") as scratch, Desk(Path(scratch)) as desk:
        top = Path(scratch)
        page = Page(top, top / "station")
        day(desk, page, top)
    text = "\n".join(page.lines).rstrip() + "\n"
    PAGE.write_text(text.replace(f"{scratch}/", "~/"), encoding="utf-8")
    print(f"wrote {PAGE}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
