"""A story of a card and its drives told twice: once to the tool, once to a model that holds the true contents.

The model never asks the tool what is on a drive. It writes the card itself, looks at the drives' files itself, and
keeps book of its own: what was read from which device since it came there, and which bad word came last. From that it
says whether a MAY WIPE would be right. It errs to the generous side where a rule depends on what the tool chose to
look at; in everything else it is the rule book over again, written without a look at the records.

Two limits that docs/guarantees.md names are in it: other bytes under the same size and date are seen by a re-read
only, and a drive that is away counts for a day as it was when it was last seen.
"""

from __future__ import annotations

import copy
import itertools
import os
import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import RollproofError
from rollproof.models.requests import Cancel, MayWipeRequest, OffloadRequest, Person, VerifyRequest
from rollproof.models.results import MayWipeResult
from rollproof.models.volumes import MediumWay
from rollproof.station.context import Context
from rollproof.storage.station import station_home
from rollproof.workflows.may_wipe import may_wipe
from rollproof.workflows.offload import offload
from rollproof.workflows.rebuild import rebuild_ledger
from rollproof.workflows.verify import verify
from support.shelf import Desk, QuickIo, Thing
from workflows.station import SMALL

_WHEN = 1_747_210_000_000_000_000
_OURS = ("rollproof", "ascmhl")
_MANY_HOURS = 25
Content = dict[str, bytes]


@dataclass
class Place:
    """One roll folder on one drive, as the model knows it.

    `written` is what every record there can speak of and travels with the folder; `read` is what was read from this
    very device after it was written there. `quiet` are files changed since under the same size and date.
    """

    written: Content = field(default_factory=dict)
    read: Content = field(default_factory=dict)
    bad: bool = False
    """A word on the drive itself: a verify that failed."""
    copies_required: int = 0
    """What the newest offload that left a record there asked for."""
    quiet: set[str] = field(default_factory=set)
    sequence: int = 0
    """The drive's disk sequence number when it was written."""
    founded: int = 0
    """Which founding of a copy this was: it stays with the folder wherever it is dragged or cloned to."""


Key = tuple[int, str]
"""A drive's number and the name of a roll folder on it."""


@dataclass
class Memory:
    """What the model knows the station's ledger to remember. Lost with it."""

    seen: dict[Key, set[float]] = field(default_factory=dict)
    """At which hours of the story; the clock may have been put back since."""
    bad: set[Key] = field(default_factory=set)
    records: dict[Key, int] = field(default_factory=dict)
    latest: float = 0
    """The latest hour of the story at which a permit was written down."""


def quiet_event(_: object) -> None:
    """Nobody watches."""


class World:
    """One story. Every step is a method without arguments but chance; `STEPS` names them with their weights."""

    def __init__(self, folder: Path, told: Counter[str]) -> None:
        self.desk = Desk(folder)
        self.home = station_home()
        self.told = told
        self.io = QuickIo()
        self.table = folder / "table"
        self.table.mkdir(parents=True)
        self.places: dict[Key, Place] = {}
        self.ghosts: dict[Key, Place] = {}
        """Roll folders that left a drive: once it is unplugged, it still counts as it was last seen."""
        self.memory = Memory()
        self.ledger: Ledger = open_ledger()
        self.elsewhere = False
        self.kept_ledger: tuple[Path, Memory] | None = None
        self.backups: dict[int, tuple[Path, dict[str, Place]]] = {}
        self.bin: list[tuple[Key, Path, Place]] = []
        self.undo: list[Callable[[], None]] = []
        self.numbers = itertools.count(1)
        self.copies_required = 2
        self.rolls = itertools.count(3)
        self.roll = ""
        self.card = self.desk.thing("card", "card-1")
        self.on_card: Content = {}
        self.desk.plug_in(self.card, "A003")
        self.drives = [
            self.desk.thing("primary", "disk-1"),
            self.desk.thing("backup", "disk-2"),
            self.desk.thing("shuttle", "disk-3"),
            self.desk.thing("the other half of primary", "disk-1"),
            self.desk.thing("a drive that only caches answer for", "disk-4", way=MediumWay.NONE),
        ]
        for drive, slot in zip(self.drives, ("primary", "backup", "shuttle", "half", "weak"), strict=True):
            self.desk.plug_in(drive, slot)
        self._shoot(Random(0))

    def close(self) -> None:
        """Let go of the ledger."""
        self.ledger.close()

    # --- the true contents

    def raw(self, key: Key) -> Content:
        """What truly lies in a roll folder now."""
        top = self.drives[key[0]].top / key[1]
        return {
            str(path.relative_to(top)): path.read_bytes()
            for path in top.rglob("*")
            if path.is_file() and path.relative_to(top).parts[0] not in _OURS
        }

    def _records(self, key: Key) -> int:
        return len(list((self.drives[key[0]].top / key[1] / "rollproof").glob("*.json")))

    def _as_it_seems(self, key: Key) -> bool:
        """Whether the copy looks as it was written to somebody who sees sizes and dates only."""
        now, place = self.raw(key), self.places[key]
        return all(now.get(path) == content or path in place.quiet for path, content in place.written.items())

    def _is_as_written(self, key: Key) -> bool:
        now = self.raw(key)
        return all(now.get(path) == content for path, content in self.places[key].written.items())

    def _counts(self, key: Key, path: str, *, reread_copies: bool, hours: float) -> bool:
        drive = self.drives[key[0]]
        if drive.slot is not None and key not in self.places:
            return False
        if key in self.memory.bad:
            return False
        if drive.slot is None:
            as_seen = [known[key] for known in (self.places, self.ghosts) if key in known]
            good = any(not place.bad and place.read.get(path) == self.on_card[path] for place in as_seen)
            lately = any(0 <= hours - at < 24 for at in self.memory.seen.get(key, ())) and hours >= self.memory.latest
            return good and lately and not self.elsewhere
        place = self.places[key]
        if place.bad or place.read.get(path) != self.on_card[path]:
            return False
        if self._records(key) < self.memory.records.get(key, 0) or not self._as_it_seems(key):
            return False
        now = self.raw(key).get(path)
        return now == self.on_card[path] or (path in place.quiet and not reread_copies)

    def _devices(self, holders: list[Key]) -> set[str]:
        """The devices of as many holders as count beside each other: one that is away is no other than one with its
        volume, or with its folder."""
        known = {**self.ghosts, **self.places}

        def beside(one: Key, other: Key) -> bool:
            first, second = self.drives[one[0]], self.drives[other[0]]
            if one[0] == other[0] or (first.slot is not None and second.slot is not None):
                return True
            return first.serial != second.serial and known[one].founded != known[other].founded

        chosen = (
            some
            for count in range(len(holders) + 1)
            for some in itertools.combinations(holders, count)
            if all(beside(one, other) for one, other in itertools.combinations(some, 2))
        )
        return max(({self.drives[number].device for number, _ in some} for some in chosen), key=len)

    def agrees(self, *, reread_copies: bool, hours: float) -> str:
        """Empty when the card may be wiped for all that is true; otherwise what speaks against it."""
        for path in self.on_card:
            holders = [
                key
                for key in {**self.ghosts, **self.places}
                if self._counts(key, path, reread_copies=reread_copies, hours=hours)
            ]
            devices = self._devices(holders)
            known = {**self.ghosts, **self.places}
            # an offload that neither the ledger nor a drive it knows of remembers is one the tool cannot believe
            asked = [known[key].copies_required for key in holders if key in self.memory.seen]
            required = max([self.copies_required, *asked])
            if len(devices) < required:
                return f"{path} lies on {len(devices)} devices, {required} are required: {holders}"
            if not any(self.drives[number].slot for number, _ in holders):
                return f"no drive with {path} is attached"
        return ""

    # --- what a person asks the tool

    def _production(self) -> None:
        text = f'name = "The Bell Foundry"\nfolder = "{{roll}}"\ncopies_required = {self.copies_required}\n'
        (self.table / "production.toml").write_text(text)

    def _offload(self, chosen: list[Thing], roll: str) -> None:
        self._production()
        records = {key: self._records(key) for key in self.places}
        request = OffloadRequest(
            cards=(os.fsencode(self.card.top),),
            destinations=tuple(os.fsencode(drive.top) for drive in chosen),
            roll=roll,
            working_folder=os.fsencode(self.table),
            person=Person("the loader"),
        )
        try:
            result = offload(
                request,
                Context.of(
                    emit=quiet_event, cancel=Cancel(), io=self.io, drives=self.desk, ledger=self.ledger, settings=SMALL
                ),
            )
        except RollproofError:
            self.told["offloads refused"] += 1
            return
        for told in result.rolls:
            for each in told.destinations:
                drive = next(one for one in chosen if os.path.realpath(each.path).startswith(f"{one.top}/"))
                key = (self.drives.index(drive), Path(each.path).name)
                self._was_offloaded(key, each.state, records.get(key, 0))
            if told.card is not None and told.card.answer == "MAY WIPE":
                self.told["MAY WIPE at the end of an offload"] += 1
                against = self.agrees(reread_copies=False, hours=0)
                assert not against, f"an offload ended with MAY WIPE: {against}"

    def _was_offloaded(self, key: Key, state: str, records: int) -> None:
        if state not in ("proven", "copied"):
            if key in self.places:
                self.memory.bad.add(key)
            return
        place = self.places.setdefault(key, Place(founded=next(self.numbers)))
        now = self.raw(key)
        for path, content in self.on_card.items():
            quiet = path in place.quiet and path in place.written
            assert state != "proven" or now.get(path) == content or quiet, f"{key}: {path} was called proven"
        place.written |= self.on_card
        if self._records(key) > records:  # a copy that was proven already gets no record: nothing there says more
            place.copies_required = self.copies_required
        place.sequence = self.drives[key[0]].sequence
        if state == "proven":
            place.read |= {path: content for path, content in self.on_card.items() if now.get(path) == content}
            if self._is_as_written(key):
                place.bad = False
                self.memory.bad.discard(key)
        self._is_remembered(key)

    def _is_remembered(self, key: Key, hours: float = 0) -> None:
        self.memory.seen.setdefault(key, set()).add(hours)
        self.memory.records[key] = self._records(key)

    def _verify(self, drive: Thing) -> None:
        number = self.drives.index(drive)
        request = VerifyRequest((os.fsencode(drive.top),), person=Person("the data wrangler"))
        result = verify(
            request,
            Context.of(
                emit=quiet_event, cancel=Cancel(), io=self.io, drives=self.desk, ledger=self.ledger, settings=SMALL
            ),
        )
        for each in result.copies:
            key = (number, Path(each.path).name)
            place = self.places[key]
            whole = self._is_as_written(key)
            by_medium = drive.way is not MediumWay.NONE or drive.sequence != place.sequence
            assert each.verdict != "proven" or (whole and by_medium), f"{key} was called proven by a verify"
            if not whole:
                place.bad = True
            elif each.verdict == "proven":
                place.bad = False
                self.memory.bad.discard(key)
                place.read, place.quiet = dict(place.written), set()
            self._is_remembered(key)

    def _ask(self, *, reread: bool, reread_copies: bool, hours: float) -> MayWipeResult:
        self._production()
        request = MayWipeRequest(
            os.fsencode(self.card.top),
            reread=reread,
            reread_copies=reread_copies,
            working_folder=os.fsencode(self.table),
            person=Person("the camera assistant"),
        )
        against = self.agrees(reread_copies=reread_copies, hours=hours)
        result = may_wipe(
            request,
            Context.of(
                emit=quiet_event,
                cancel=Cancel(),
                io=self.io,
                drives=self.desk,
                ledger=self.ledger,
                settings=SMALL,
                now=datetime.now(UTC) + timedelta(hours=hours),
            ),
        )
        self.told[result.answer] += 1
        if result.answer == "MAY WIPE":
            assert not against, f"MAY WIPE was given: {against}"
            self.told[f"MAY WIPE by {result.basis}"] += 1
            self.memory.latest = max(self.memory.latest, hours)
        elif not against:
            self.told["KEEP where the model would have let it go"] += 1
        for each in result.copies:
            drive = self.desk.at(os.fsencode(each.path)) if each.attached else None
            if drive is None:
                continue
            key = (self.drives.index(drive), Path(each.path).name)
            if each.counted:
                self._is_remembered(key, hours)
            elif not each.why.startswith(("not needed", "it holds nothing")):
                self._has_said_a_bad_word(key)
        return result

    def _has_said_a_bad_word(self, key: Key) -> None:
        """The tool has seen that a copy is not as it should be, and said so: that stands until a verify."""
        if key not in self.places or not self._as_it_seems(key):
            self.memory.bad.add(key)

    # --- steps: the card

    def _shoot(self, chance: Random) -> None:
        """The camera writes a roll: other clips, often under the names, sizes and dates of those before."""
        for path in sorted(self.card.top.iterdir()):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        alike = [(path, len(content)) for path, content in self.on_card.items()] if chance.random() < 0.5 else []
        self.on_card = {}
        letter = chance.choice("AB")
        others = [(f"CLIP/{letter}00{number}.bin", chance.choice([900, 5_000])) for number in range(1, 3)]
        for name, size in alike or others:
            self._write_on_card(name, size)
        self.roll = f"A{next(self.rolls):03}"

    def _write_on_card(self, path: str, size: int) -> None:
        unit = b"take %d of %s " % (next(self.numbers), path.encode())
        content = (unit * (size // len(unit) + 1))[:size]
        where = self.card.top / path
        where.parent.mkdir(exist_ok=True)
        where.write_bytes(content)
        os.utime(where, ns=(_WHEN, _WHEN))
        self.on_card[path] = content

    def re_shoot(self, chance: Random) -> None:
        """The card goes back to the camera, and comes again."""
        self.desk.unplug(self.card)
        if chance.random() < 0.3:
            self.card.serial = f"formatted-{next(self.numbers)}"
        self._shoot(chance)
        self.desk.plug_in(self.card, "A003")

    def shoot_one_more(self, chance: Random) -> None:
        """One clip more, with or without the card leaving the reader."""
        if chance.random() < 0.5:
            self.reinsert(chance)
        self._write_on_card(f"CLIP/C{next(self.numbers):03}.bin", 700)

    def reinsert(self, chance: Random) -> None:
        """The card was out, and is back as it was, perhaps in another reader."""
        self.desk.unplug(self.card)
        self.desk.plug_in(self.card, chance.choice(["A003", "reader"]))

    def relabel(self, chance: Random) -> None:
        """Somebody gives the card, or a drive, another label."""
        chance.choice([self.card, *self.drives]).label = chance.choice(["A003", "B001", "SPARE"])

    # --- steps: the tool

    def offload_to_two(self, chance: Random) -> None:
        """To two drives that are attached, or to more or fewer."""
        there = [drive for drive in self.drives if drive.slot is not None]
        count = min(len(there), chance.choice([1, 2, 2, 2, 3]))
        if count:
            roll = self.roll if chance.random() < 0.85 else f"A{chance.randint(3, 5):03}"
            self._offload(chance.sample(there, count), roll)

    def offload_card(self, chosen: list[Thing]) -> None:
        """To these drives, under the name of its roll."""
        self._offload(chosen, self.roll)

    def ask(self, chance: Random) -> None:
        """May it be wiped?"""
        self._ask(reread=chance.random() < 0.2, reread_copies=chance.random() < 0.4, hours=0)

    def ask_next_day(self, chance: Random) -> None:
        """May it be wiped, a day later?"""
        self._ask(reread=False, reread_copies=chance.random() < 0.4, hours=_MANY_HOURS)

    def verify_one(self, chance: Random) -> None:
        """A drive is read again."""
        there = [
            drive
            for number, drive in enumerate(self.drives)
            if drive.slot is not None and any(key[0] == number for key in self.places)
        ]
        if there:
            self._verify(chance.choice(there))

    # --- steps: the drives

    def _some_copy(self, chance: Random) -> Key | None:
        there = sorted(key for key in self.places if self.drives[key[0]].slot is not None)
        return chance.choice(there) if there else None

    def corrupt(self, chance: Random) -> None:
        """One file of a copy is not what it was: quietly, or so that its size shows it; it can be undone."""
        key = self._some_copy(chance)
        if key is None:
            return
        place = self.places[key]
        file = chance.choice(sorted(place.written))
        path = self.drives[key[0]].top / key[1] / file
        if not path.exists():
            return
        before, dates = path.read_bytes(), path.stat()
        quiet = chance.random() < 0.6
        # the other bit on its second time: never back to what it was
        path.write_bytes(_flipped(before, chance) if quiet else before[:-1])
        os.utime(path, ns=(dates.st_mtime_ns, dates.st_mtime_ns))
        if quiet:
            place.quiet.add(file)

        def undo() -> None:
            where = self.drives[key[0]].top / key[1] / file
            if where.exists() and self.places.get(key) is place:
                where.write_bytes(before)
                os.utime(where, ns=(dates.st_mtime_ns, dates.st_mtime_ns))
                if before == place.written.get(file):
                    place.quiet.discard(file)

        self.undo.append(undo)

    def mend(self, chance: Random) -> None:
        """Whoever changed a file last puts it back as it was."""
        if self.undo:
            self.undo.pop()()

    def fail_a_verify(self, chance: Random) -> None:
        """A file is spoiled, a verify finds it, and the file is put back: the word of the verify stands."""
        count = len(self.undo)
        self.corrupt(chance)
        if len(self.undo) > count:
            key = next((key for key, place in self.places.items() if not self._is_as_written(key)), None)
            if key is not None and self.drives[key[0]].slot is not None:
                self._verify(self.drives[key[0]])
            self.undo.pop()()
            if chance.random() < 0.4:
                self.rebuild_the_ledger(chance)  # then only the drive itself remembers

    def delete_a_copy(self, chance: Random) -> None:
        """A roll folder disappears."""
        key = self._some_copy(chance)
        if key is not None:
            to = self.desk.folder / f"bin-{next(self.numbers)}"
            (self.drives[key[0]].top / key[1]).rename(to)
            self.bin.append((key, to, self._leaves(key)))

    def bring_back(self, chance: Random) -> None:
        """A roll folder that disappeared is put back where it was."""
        if self.bin:
            key, path, place = self.bin.pop()
            where = self.drives[key[0]].top / key[1]
            if not where.exists():
                path.rename(where)
                self.places[key] = place

    def drag(self, chance: Random) -> None:
        """A roll folder is dragged to another drive, or beside itself under another name; it may take harm."""
        key = self._some_copy(chance)
        there = [number for number, drive in enumerate(self.drives) if drive.slot is not None]
        if key is None:
            return
        to = (chance.choice(there), key[1] if chance.random() < 0.6 else f"{key[1]}-copy")
        target = self.drives[to[0]].top / to[1]
        if target.exists():
            return
        shutil.copytree(self.drives[key[0]].top / key[1], target)
        self.places[to] = _without_proof(self.places[key])
        self._may_take_harm(to, chance)
        if chance.random() < 0.3 and to != key:
            shutil.rmtree(self.drives[key[0]].top / key[1])
            self._leaves(key)

    def _leaves(self, key: Key) -> Place:
        self.ghosts[key] = self.places.pop(key)
        return self.ghosts[key]

    def _may_take_harm(self, key: Key, chance: Random) -> None:
        if chance.random() < 0.5:
            file = chance.choice(sorted(self.places[key].written))
            path = self.drives[key[0]].top / key[1] / file
            if path.exists():
                dates = path.stat()
                path.write_bytes(_flipped(path.read_bytes(), chance))
                os.utime(path, ns=(dates.st_mtime_ns, dates.st_mtime_ns))

    def clone_a_drive(self, chance: Random) -> None:
        """A drive's volume is written onto another disk, bit by bit; the original may leave."""
        there = [number for number, drive in enumerate(self.drives) if drive.slot is not None]
        if not there or len(self.drives) >= 8:
            return
        number = chance.choice(there)
        drive = self.drives[number]
        clone = self.desk.thing("clone", f"disk-{next(self.numbers)}-clone", way=drive.way, serial=drive.serial)
        clone.shelf.rmdir()
        shutil.copytree(drive.top, clone.shelf)
        self.drives.append(clone)
        for key, place in list(self.places.items()):
            if key[0] == number:
                to = (len(self.drives) - 1, key[1])
                self.places[to] = _without_proof(place)
                self._may_take_harm(to, chance)
        if chance.random() < 0.5 and drive.slot is not None:
            self.desk.plug_in(clone, drive.slot.name)
        else:
            self.desk.plug_in(clone, f"clone-{next(self.numbers)}")

    def back_a_drive_up(self, chance: Random) -> None:
        """Somebody keeps an image of a drive."""
        self._keep_image(chance.randrange(len(self.drives)))

    def _keep_image(self, number: int) -> None:
        to = self.desk.folder / f"backup-{next(self.numbers)}"
        shutil.copytree(self.drives[number].top, to)
        kept = {key[1]: copy.deepcopy(place) for key, place in self.places.items() if key[0] == number}
        self.backups[number] = (to, kept)

    def restore_a_drive(self, chance: Random) -> None:
        """The image is put back: the drive is as it was then."""
        if self.backups:
            self._put_back(chance.choice(sorted(self.backups)))

    def _put_back(self, number: int) -> None:
        image, kept = self.backups[number]
        drive = self.drives[number]
        shutil.rmtree(drive.top)
        shutil.copytree(image, drive.top)
        for key in [key for key in self.places if key[0] == number]:
            self._leaves(key)
        self.places |= {(number, name): copy.deepcopy(place) for name, place in kept.items()}
        if drive.slot is not None:
            self.desk.plug_in(drive, drive.slot.name)

    def an_older_state_comes_back(self, chance: Random) -> None:
        """An image is kept, the drive goes on being used, and the image is put back: its newest records are gone."""
        key = self._some_copy(chance)
        if key is not None:
            self._keep_image(key[0])
            self._verify(self.drives[key[0]])
            self._put_back(key[0])

    def unplug_a_drive(self, chance: Random) -> None:
        """A drive leaves."""
        self.desk.unplug(chance.choice(self.drives))

    def plug_in_a_drive(self, chance: Random) -> None:
        """A drive comes, perhaps where another one was."""
        drive = chance.choice(self.drives)
        slots = ["primary", "backup", "shuttle", "half", "weak"]
        free = [slot for slot in slots if not (self.desk.folder / "mnt" / slot).exists()]
        swap = chance.random() < 0.3
        if drive.slot is None and (swap or free):
            self.desk.plug_in(drive, chance.choice(slots if swap else free))

    # --- steps: the policy and the ledger

    def change_the_policy(self, chance: Random) -> None:
        """More or fewer copies are asked for."""
        self.copies_required = chance.choice([1, 2, 2, 3])

    def lose_the_ledger(self, chance: Random) -> None:
        """The station's memory is gone."""
        self.ledger.close()
        for path in self.home.glob("ledger.sqlite3*"):
            path.unlink()
        self._open(Memory())

    def keep_the_ledger(self, chance: Random) -> None:
        """Somebody keeps a copy of the ledger."""
        self.ledger.close()
        to = self.desk.folder / f"ledger-{next(self.numbers)}"
        shutil.copyfile(self.home / "ledger.sqlite3", to)
        self.kept_ledger = (to, copy.deepcopy(self.memory))
        self._open(self.memory, elsewhere=self.elsewhere)

    def put_the_ledger_back(self, chance: Random) -> None:
        """The copy is put back; or the ledger comes from another machine."""
        self.ledger.close()
        memory = self.memory
        if self.kept_ledger is not None:
            for path in self.home.glob("ledger.sqlite3-*"):
                path.unlink()
            was = (self.home / "ledger.sqlite3").read_bytes()
            shutil.copyfile(self.kept_ledger[0], self.home / "ledger.sqlite3")
            memory = copy.deepcopy(self.kept_ledger[1])
            if was != (self.home / "ledger.sqlite3").read_bytes():
                memory.seen = {}  # nobody knows what it has forgotten
            self._open(memory, elsewhere=self.elsewhere)
        else:
            self._open(memory, elsewhere=True)

    def rebuild_the_ledger(self, chance: Random) -> None:
        """The ledger is made anew from what is attached."""
        there = [os.fsencode(drive.top) for drive in self.drives if drive.slot is not None]
        if not there:
            return
        self.ledger.close()
        rebuild_ledger(there, Context.of(cancel=Cancel(), io=self.io, drives=self.desk))
        self._open(Memory())

    def _open(self, memory: Memory, *, elsewhere: bool = False) -> None:
        self.memory, self.elsewhere = memory, elsewhere
        self.ledger = open_ledger(machine="another machine" if elsewhere else None)


def _flipped(content: bytes, chance: Random) -> bytes:
    changed = bytearray(content)
    changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _without_proof(place: Place) -> Place:
    """The folder as it arrives on another device: its records came along, nothing was read there."""
    fresh = copy.deepcopy(place)
    fresh.read, fresh.quiet = {}, set()
    return fresh


STEPS: dict[str, int] = {
    "offload_to_two": 9, "ask": 4, "ask_next_day": 1, "verify_one": 4, "re_shoot": 4, "shoot_one_more": 2,
    "reinsert": 2, "relabel": 1, "corrupt": 3, "mend": 2, "fail_a_verify": 1, "delete_a_copy": 2, "bring_back": 2,
    "drag": 3, "clone_a_drive": 2, "back_a_drive_up": 1, "restore_a_drive": 2, "an_older_state_comes_back": 2,
    "unplug_a_drive": 2, "plug_in_a_drive": 2, "change_the_policy": 2, "lose_the_ledger": 1, "keep_the_ledger": 1,
    "put_the_ledger_back": 1, "rebuild_the_ledger": 2,
}  # fmt: skip
"""The steps of a story, and how often each comes."""
