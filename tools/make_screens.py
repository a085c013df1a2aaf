"""Take the pictures of the real screens anew: `python tools/make_screens.py` (needs tmux; by hand, not in the tests).

Every picture is a real run, photographed in a terminal of 80 columns and 24 lines. Where the machine allows it (root on
Linux) cards and drives are small disk images of their own, as in the demo: only then may a card be wiped. The moving
screen is taken while a larger card is copied: the demo's own is through before anybody could look.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.text import Text

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPOSITORY))

from demo_media.stage import cards, stage_card  # noqa: E402
from tools.demo import DRIVES, shoot_one_more, spoil  # noqa: E402
from tools.desk import Desk, why_no_desk  # noqa: E402

from rollproof.cli.console import Manner, Output  # noqa: E402
from rollproof.cli.picture_file import save_picture  # noqa: E402

SCREENS = REPOSITORY / "docs" / "screens"
COLUMNS, LINES = 80, 24
LARGE_CLIP_BYTES = 700_000_000
WAIT_SECONDS = 120


def _environment(folder: Path) -> dict[str, str]:
    own = {"ROLLPROOF_HOME": str(folder / "station"), "ROLLPROOF_ROLE": "data wrangler"}
    return {**os.environ, **own, "ROLLPROOF_BY": "Kim"}


def _rollproof() -> str:
    return str(Path(sys.executable).with_name("rollproof"))


def _to() -> list[str]:
    return [word for drive in DRIVES for word in ("--to", f"drives/{drive}")]


def end_of(folder: Path, picture: str, last: str, *words: str) -> None:
    """Run a command in a terminal and keep its last screen, once `last` stands there."""
    photograph(folder, list(words), lambda screen: last in screen, picture)


def large_card(folder: Path) -> None:
    """Roll A004: three long takes, the demo's casting over and over (only the first turn of each would play)."""
    take = (REPOSITORY / "demo_media/cards/B002/B002R1BF/B002C002_260514_R1BF.mov").read_bytes()
    clips = folder / "cards" / "A004" / "A004R1BF"
    clips.mkdir(parents=True)
    for number in (1, 2, 3):
        with (clips / f"A004C{number:03}_260514_R1BF.mov").open("wb") as clip:
            while clip.tell() < LARGE_CLIP_BYTES:
                clip.write(take)


def photograph(folder: Path, words: list[str], good: Callable[[str], bool], picture: str) -> None:
    """Run a command in a terminal of its own and keep the first screen that is `good`."""
    tmux = ("tmux", "-L", f"rollproof-{picture}")  # a server of its own: one that is ending takes no session
    line = shlex.join([_rollproof(), *words])
    size = ("-x", str(COLUMNS), "-y", str(LINES))
    started = [*tmux, "new-session", "-d", *size, "-c", str(folder), f"{line}; sleep 5"]
    subprocess.run(started, env=_environment(folder), check=True)
    try:
        deadline = time.monotonic() + WAIT_SECONDS
        while time.monotonic() < deadline:
            time.sleep(0.1)
            shot = subprocess.run([*tmux, "capture-pane", "-e", "-p"], capture_output=True, text=True, check=False)
            if shot.returncode == 0 and good(Text.from_ansi(shot.stdout).plain):
                rows = shot.stdout.rstrip().split("\n")
                lines = [*(Text.from_ansi(row) for row in rows), Text(" ")]  # the last row is cut at its descenders
                save_picture({"ROLLPROOF_SCREEN_SVG": str(SCREENS / picture)}, Output(Manner()), lines)
                return
        raise SystemExit(f"{picture}: the screen looked for did not come within {WAIT_SECONDS} s")
    finally:
        subprocess.run([*tmux, "kill-server"], check=False)


def _pulled(folder: Path) -> None:
    """A card that was pulled too early: its last clip has no end."""
    stage_card("B002", folder / "pulled" / "B002")
    clip = folder / "pulled/B002/B002R1BF/B002C003_260514_R1BF.mov"
    written = clip.stat().st_mtime_ns
    os.truncate(clip, 300_000)  # its index stands at the end
    os.utime(clip, ns=(written, written))


def take(folder: Path, shoot: Callable[[], None]) -> None:
    """The day: offload, may it be wiped, lunch, a card used again, a drive that goes bad."""
    _pulled(folder)
    end_of(folder, "inspect.svg", "DAMAGED:", "inspect", "pulled/B002")
    end_of(folder, "offload-verdict.svg", "ALL PROVEN", "offload", *(f"cards/{name}" for name in cards()), *_to())
    end_of(folder, "may-wipe.svg", "\nMAY WIPE", "may-wipe", "cards/A003")
    end_of(folder, "verify.svg", "read again in", "verify", "drives/backup")
    shoot()
    end_of(folder, "may-wipe-keep.svg", "\nKEEP\n", "may-wipe", "cards/A003")
    spoil(folder / "drives" / "shuttle" / "B002" / "B002R1BF" / "B002C002_260514_R1BF.mov")
    end_of(folder, "verify-differs.svg", "NOT PROVEN:", "verify", "drives/shuttle")


def moving(folder: Path) -> None:
    """The screen in the middle of an offload."""
    large_card(folder)
    photograph(
        folder,
        ["offload", "cards/A004", *_to(), "--silent"],
        lambda screen: (
            screen.count("read-back") == len(DRIVES)
            and "second read" in screen
            and screen.count("B/s") == len(DRIVES) + 1
            and "estimating" not in screen
        ),
        "offload-working.svg",
    )


def main() -> int:
    """Take all pictures."""
    if shutil.which("tmux") is None:
        print("tmux is needed: apt-get install tmux", file=sys.stderr)
        return 1
    if why := why_no_desk():
        print(f"no picture of MAY WIPE can be taken here: {why}", file=sys.stderr)
        return 1
    SCREENS.mkdir(parents=True, exist_ok=True)
    work = REPOSITORY / ".demo"
    work.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="screens-", dir=work) as scratch, Desk(Path(scratch)) as desk:
        folder = Path(scratch)
        media = {name: desk.card(folder / "cards" / name) for name in cards()}
        for name in DRIVES:
            desk.drive(folder / "drives" / name)
        for name, card in media.items():
            stage_card(name, card.mount)
            card.replug(read_only=True)

        def shoot() -> None:
            media["A003"].replug(read_only=False)
            shoot_one_more(media["A003"].mount)
            media["A003"].replug(read_only=True)

        take(folder, shoot)
    with tempfile.TemporaryDirectory(prefix="screens-", dir=work) as scratch:
        for drive in DRIVES:
            (Path(scratch) / "drives" / drive).mkdir(parents=True)
        moving(Path(scratch))
    return 0


if __name__ == "__main__":
    sys.exit(main())
