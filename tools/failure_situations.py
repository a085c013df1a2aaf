"""The failures of `docs/when-things-go-wrong.md`: how each is made to happen, and what a person needs to know of it."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tools.failure_bench import CARD, HOME, MEDIA, bench

from support.fuse_fs import FuseRule
from support.trees import Blob, Tree, build


@dataclass(frozen=True)
class Situation:
    """One section. `play` makes it happen and gives what was typed and printed; the texts are for a tired person."""

    slug: str
    title: str
    looks: str
    play: Callable[[], Sequence[str]]
    safe: str
    do: str


def _unplugged() -> list[str]:
    with bench() as b:
        b.offload_with(b.drives["PRIMARY"].pull, when=b.writing())
        b.drives["PRIMARY"].replug()
        b.offload()
        return b.said


def _unmounted() -> list[str]:
    with bench() as b:
        b.offload_with(b.drives["PRIMARY"].unmount_lazily, when=b.writing())
        return b.said


def _not_there() -> list[str]:
    with bench() as b:
        b.drives["PRIMARY"].unplug()
        b.offload()
        return b.said


def _full() -> list[str]:
    blockers: list[Path] = []
    with bench() as b:
        b.offload_with(lambda: blockers.append(b.drives["PRIMARY"].fill()), when=b.writing())
        blockers[0].unlink()
        b.offload()
        return b.said


def _no_room() -> list[str]:
    with bench() as b:
        b.drives["BACKUP"].fill(leave_bytes=20 << 20)
        b.offload()
        return b.said


def _read_only() -> list[str]:
    with bench() as b:
        b.offload_with(b.drives["PRIMARY"].turn_read_only, when=b.writing())
        return b.said


def _hangs() -> list[str]:
    with bench(faulty=("PRIMARY",)) as b:
        stall = FuseRule("write", {"stall": True}, onward=True)
        disk = b.disks["PRIMARY"]
        # the verdict is said while the drive still hangs; only then is it let go
        b.offload_with(lambda: disk.set_rules([stall]), when=b.writing(), after=(b"Do not format it", disk.release))
        return b.said


def _slow() -> list[str]:
    with bench(faulty=("PRIMARY",), clips=8) as b:
        slow = [FuseRule(call, {"seconds": 0.03}, onward=True, least_bytes=64 << 10) for call in ("write", "read")]
        b.disks["PRIMARY"].set_rules(slow)
        b.offload()
        return b.said


def _flipped_on_the_way_out() -> list[str]:
    with bench(faulty=("PRIMARY",)) as b:
        flip = FuseRule("write", {"flip": 1}, nth=1, first_byte=1 << 20, least_bytes=32 << 10)
        b.disks["PRIMARY"].set_rules([flip])
        b.offload()
        b.disks["PRIMARY"].set_rules([])
        b.offload()
        return b.said


def _card_answers_differently() -> list[str]:
    with bench(faulty=("A003",)) as b:
        bad = b.disks["A003"].where(CARD / "CLIPS/A003C002_260514_R1BF.mov", 4_000_000)
        b.disks["A003"].set_rules([FuseRule("read", {"flip": 1}, first_byte=bad, last_byte=bad, nth=1)])
        b.offload()
        return b.said


def _card_block_unreadable() -> list[str]:
    with bench(faulty=("A003",)) as b:
        bad = b.disks["A003"].where(CARD / "CLIPS/A003C002_260514_R1BF.mov", 12_582_912)
        fault = FuseRule("read", {"errno": errno.EIO}, first_byte=bad, last_byte=bad + 4095, onward=True)
        b.disks["A003"].set_rules([fault])
        b.offload()
        return b.said


def _card_changed() -> list[str]:
    with bench(writable=True) as b:

        def add() -> None:
            build(CARD, {"CLIPS/A003C004_260514_R1BF.mov": Blob(2_000_000, seed=4)})

        b.offload_with(add, when=b.writing())
        return b.said


def _card_pulled() -> list[str]:
    with bench() as b:

        def pull() -> None:
            """First the device is gone, then the system takes its mount away."""
            b.card.pull()
            b.card.unmount_lazily()

        b.offload_with(pull, when=b.writing())
        return b.said


def _two_at_once() -> list[str]:
    with bench() as b:
        first = b.start(*b.offload_words)
        first.hold(b.writing())
        b.offload()
        first.process.send_signal(signal.SIGCONT)
        b.finish(first, show=False)
        return b.said


def _killed() -> list[str]:
    with bench() as b:
        running = b.start(*b.offload_words)
        running.hold(b.writing())
        os.killpg(running.process.pid, signal.SIGKILL)
        running.finish()
        listed = subprocess.run(["ls", "-R", str(b.roll())], capture_output=True, text=True, check=True).stdout
        b.said.append(f"$ ls -R {b.roll()}\n\n{listed}")
        b.offload()
        return b.said


def _stopped() -> list[str]:
    with bench() as b:
        running = b.start(*b.offload_words)
        running.hold(b.writing())
        running.process.send_signal(signal.SIGINT)
        running.process.send_signal(signal.SIGCONT)
        b.finish(running)
        return b.said


def _tampered() -> list[str]:
    with bench() as b:
        b.offload(show=False)
        record = next((b.roll() / "rollproof").glob("0001_*.json"))
        text = record.read_text(encoding="utf-8")
        record.write_text(text.replace('"role": "data wrangler"', '"role": "data stranger"', 1), encoding="utf-8")
        b.run("may-wipe", str(CARD))
        b.run("verify", str(b.roll()))
        return b.said


def _rotten_copy() -> list[str]:
    with bench() as b:
        b.offload(show=False)
        os.sync()
        b.drives["PRIMARY"].flip(b.clip(), 12_000_000)
        b.run("verify", str(b.roll()))
        b.run("may-wipe", str(CARD))
        return b.said


def _another_roll() -> list[str]:
    with bench() as b:
        other: Tree = {f"CLIPS/A003C00{number}_260514_R1BF.mov": Blob(3_000_000, seed=20 + number) for number in (1, 2)}
        build(b.roll(), other)
        b.offload()
        return b.said


def _unknown_card() -> list[str]:
    with bench() as b:
        b.run("may-wipe", str(CARD))
        return b.said


def _one_copy_away() -> list[str]:
    with bench() as b:
        words = ("offload", str(CARD), "--to", str(MEDIA / "PRIMARY"))
        b.run(*words)
        return b.said


def _no_card() -> list[str]:
    with bench() as b:
        b.card.unplug()
        b.run("may-wipe", str(CARD))
        return b.said


def _ledger_damaged() -> list[str]:
    with bench() as b:
        b.offload(show=False)
        ledger = next((HOME / ".local").rglob("ledger.sqlite3"))
        for beside in ledger.parent.glob("ledger.sqlite3-*"):
            beside.unlink()
        content = bytearray(ledger.read_bytes())
        content[4096:12288] = os.urandom(8192)
        ledger.write_bytes(content)
        b.run("may-wipe", str(CARD))
        b.run("ledger", "rebuild", str(MEDIA / "PRIMARY"), str(MEDIA / "BACKUP"))
        return b.said


def _wrong_clips() -> list[str]:
    with bench() as b:
        b.run(*b.offload_words, "--expect-clips", "4", "--expect-last", "A003C004")
        return b.said


def _moved_copy() -> list[str]:
    with bench() as b:
        b.run("offload", str(CARD), "--to", str(MEDIA / "PRIMARY"), show=False)
        shutil.copytree(b.roll(), b.roll("BACKUP"))
        os.sync()
        b.run("may-wipe", str(CARD))
        b.run("verify", str(b.roll("BACKUP")))
        b.run("may-wipe", str(CARD))
        return b.said


SITUATIONS: tuple[Situation, ...] = (
    Situation(
        "drive-unplugged",
        "A drive was unplugged, or its cable was kicked",
        "The other drive goes on and finishes. The one that went away is named once, however many files were "
        "still to come. Plug it in again and type the same command:",
        _unplugged,
        "The copy on the other drive is proven. On the drive that went away no file has a final name that is "
        "not whole.",
        "Look at cable and port before you look at the drive. Plug it in and run the same command again. If "
        "it goes away twice, take another drive for this roll and have that one looked at.",
    ),
    Situation(
        "drive-unmounted",
        "A drive was forced off the system while it was written to",
        "Its folder is still there, but it is an empty folder of the computer's own disk. Nothing is written into it.",
        _unmounted,
        "The copy on the other drive. Nothing landed on the computer's own disk by mistake.",
        "Unplug the drive, plug it in again, run the same command again.",
    ),
    Situation(
        "drive-not-there",
        "A drive is not there, and its folder is",
        "A drive that is away leaves the folder behind where it was mounted: an empty folder of this computer's own "
        "disk. An offload does not take it for the drive. The same goes for a path in the production file, and for "
        "one where this station has seen a drive before.",
        _not_there,
        "The card, and all that was copied before. Nothing was written anywhere.",
        "Attach and mount the drive, look with `rollproof drives`, and run the same command again. Only where the "
        "computer's own disk is really meant, add `--system-disk`, or `system_disk = true` for that drive in the "
        "production file: then it counts as a device, and is lost with the computer.",
    ),
    Situation(
        "drive-full",
        "A drive filled up in the middle",
        "There was room when the offload began, and something else used it up meanwhile. After room was made, "
        "the same command goes on:",
        _full,
        "The other drive's copy. What is finished on the full drive is whole and will not be copied again.",
        "Find out what is writing to that drive, and stop it. Make room by moving something you know, never "
        "by deleting a roll. Run the same command again, or name another drive.",
    ),
    Situation(
        "no-room",
        "There is not enough room to begin with",
        "Refused before anything is written, with all the reasons at once.",
        _no_room,
        "Everything: nothing was written anywhere.",
        "Name another drive, or make room, and run the command again. Do not take the drive out of the "
        "command to get it through: one copy is not two.",
    ),
    Situation(
        "drive-read-only",
        "A drive became read-only",
        "The system does this by itself when it finds a drive's file system inconsistent.",
        _read_only,
        "The other drive's copy. What lies on this drive can still be read.",
        "Let the drive be checked before it is written to again; a new drive is the quicker way on a set. "
        "Then run the same command again.",
    ),
    Situation(
        "drive-hangs",
        "A drive does not answer any more",
        "It neither fails nor works. After two minutes without a byte it is left behind, and the verdict is "
        "said without it.",
        _hangs,
        "The other drive's copy. Of the hanging drive nothing is claimed.",
        "If the prompt does not come back, unplug the drive: the computer is waiting for it, not Rollproof. "
        "Then another cable or port, and the same command again.",
    ),
    Situation(
        "drive-slow",
        "A drive is far slower than the others",
        "A tired drive, a bad cable or a port of the wrong kind: it would hold up the whole table. After some seconds "
        "the others go on without it and the card is read at their speed; the slow one gets the rest from another "
        "drive's copy, and is proven like every copy:",
        _slow,
        "All copies that are called proven, this one too: it was read back from its own medium and compared with what "
        "the card gave. The card may be pulled when the screen says so, which is before the slow drive is done.",
        "Leave every drive attached until the slow one is done: it takes its bytes from another one. Then try it at "
        "another cable and port. A drive that was quick yesterday and is slow today may be failing: copy what only it "
        "holds, and do not give it tomorrow's rolls.",
    ),
    Situation(
        "readback-differs",
        "What a drive stored is not what it was given",
        "A bit flipped in the cable, the bridge or the drive. The computer's memory still holds the good "
        "bytes; the read-back from the drive itself shows the bad ones. The next run writes that file afresh "
        "beside the suspect one, and removes it once the new copy is proven:",
        _flipped_on_the_way_out,
        "The other drive's copy, and all files of this drive but the one that is named.",
        "Another cable first, then another port. Run the same command again. A drive that does it twice "
        "should not hold footage.",
    ),
    Situation(
        "card-reads-differ",
        "The card answers differently when it is read again",
        "The first reading was copied, the second one was not the same. Which of them is right, nobody can "
        "say: so the file is proven nowhere.",
        _card_answers_differently,
        "All other files, on both drives. The card itself was not touched.",
        "Take the card out and put it in again, or try another reader or port. Run the same command again: "
        "that file is read and copied afresh. Keep the card until it is proven.",
    ),
    Situation(
        "card-block-unreadable",
        "The card cannot be read in one place",
        "The file is named with the bytes that cannot be read. Everything else is copied and proven.",
        _card_block_unreadable,
        "All other files, on both drives. No half file has a final name.",
        "Reseat the card, try another reader, run the same command again. If the bytes stay unreadable, stop "
        "reading the card: each try can make it worse. Keep it as it is and let a recovery service look at "
        "it; the other files need no recovery.",
    ),
    Situation(
        "card-changed",
        "The card changed while it was copied",
        "Something wrote to it: a camera that is still connected, a program that makes thumbnails, a person.",
        _card_changed,
        "The files that did not change have their copies.",
        "Find out who writes to cards. Lock the card if it has a switch. Run the same command again: it takes "
        "in what is new and proves the whole.",
    ),
    Situation(
        "card-pulled",
        "The card was taken out too early",
        "Before the second reading of the card was through.",
        _card_pulled,
        "What is on the drives is kept, but it is not proven: the card was not read to its end twice.",
        "Put the same card in again and run the same command again.",
    ),
    Situation(
        "two-at-once",
        "Two offloads of one roll at the same time",
        "Somebody else, or another window, is at work on the same roll folder. The second one does not begin.",
        _two_at_once,
        "Everything: the first offload goes on undisturbed.",
        "Wait for the first one. If the program that held the roll has died, nothing needs to be removed: its "
        "hold ended with it.",
    ),
    Situation(
        "killed",
        "The computer crashed, or the program was killed",
        "Finished files have their names, unfinished ones end in `.rollproof-partial`, and a file in the "
        "folder says that the roll is not finished. The same command goes on:",
        _killed,
        "Every file under its final name is whole. It is hashed again all the same, because nothing on the "
        "drive says yet that it is proven.",
        "Run the same command again. Remove nothing by hand.",
    ),
    Situation(
        "stopped",
        "You pressed Ctrl-C",
        "It stops in an orderly way and says what is there.",
        _stopped,
        "The card, and what is finished on the drives.",
        "Run the same command again when you are ready.",
    ),
    Situation(
        "expected-clips",
        "The camera report says something else than the card",
        "Nothing is copied before the numbers agree, because a clip that was never written has no hash.",
        _wrong_clips,
        "Everything: nothing was written.",
        "Ask the camera crew. Is it the right card? Is a clip missing from the report? If the card is short "
        "of a clip, keep it and tell the first assistant before anything else happens to it.",
    ),
    Situation(
        "too-few-copies",
        "One copy is proven, and two were asked for",
        "The copy is good, but it is only one.",
        _one_copy_away,
        "The one copy is proven.",
        "Run the command with another drive. Until then keep the card: it is the second copy.",
    ),
    Situation(
        "other-roll",
        "The drive already has another card's roll of that name",
        "Two cards can carry one name. Nothing on the drive is touched.",
        _another_roll,
        "Everything: nothing was written, and the roll that is there is as it was.",
        "Find out which of the two is misnamed. If both are right, give this one a name of its own with `--roll`.",
    ),
    Situation(
        "copy-rotten",
        "A copy has gone bad on its drive",
        "It was proven once, and now a reading from the drive gives other bytes. A failed verify takes the "
        "proof away, and the card may not be wiped on its account any more.",
        _rotten_copy,
        "The other copies, as far as they are verified. The card, if it still exists.",
        "Verify the other copies now. Make a fresh copy on a sound drive, from the card if it exists, else "
        "from a copy that is verified. Keep the bad drive apart: the rest of it may still be wanted.",
    ),
    Situation(
        "copy-moved",
        "A copy was dragged from one drive to another",
        "Its records speak of the drive it came from. On the new drive it is a copy that nobody has read, and it "
        "counts for nothing; a verify reads all of it there, and then it counts:",
        _moved_copy,
        "The copy it was dragged from, where that still exists.",
        "Verify the copy where it lies now. Where it replaced a roll folder that this station had offloaded, the "
        "verify says that its record is not believed: then offload the card to another folder there.",
    ),
    Situation(
        "record-changed",
        "Somebody changed a record",
        "Records hold each other's hashes, and this station remembers them too.",
        _tampered,
        "The footage: it is judged by its own hashes, and the records on the other drive are untouched.",
        "Compare with the other copy's records, and find out who was at this drive. No verify makes up for a record "
        "that was changed: offload the card to another folder, or from the other copy where the card is gone.",
    ),
    Situation(
        "card-unknown",
        "A card that nobody has offloaded, and somebody wants to wipe it",
        "There is no record of it anywhere that can be seen.",
        _unknown_card,
        "The card, as long as nobody formats it.",
        "Offload it.",
    ),
    Situation(
        "no-card",
        "There is no card where you point",
        "An empty folder where a card should be is never an empty card.",
        _no_card,
        "The card, wherever it is.",
        "See that the card is in the reader and shown by the system, then ask again.",
    ),
    Situation(
        "ledger-damaged",
        "This computer's memory of the rolls is damaged",
        "The ledger is only an index. A damaged one is set aside, and rebuilt from the drives:",
        _ledger_damaged,
        "All footage and all records: they are on the drives.",
        "Attach the drives and rebuild it. Copies on drives that are not attached count for nothing until "
        "they are seen again.",
    ),
)
