"""The kept set, unpacked, and the questions that are asked of it: by the script that made it, and by the tests."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tarfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from support.devices import Drive

HERE = Path(__file__).resolve().parent
CARDS = {"A003": "exfat", "B002": "ext4"}
DRIVES = {"FOUNDRY_1": "ext4", "FOUNDRY_2": "exfat", "FOUNDRY_3": "ext4"}


@dataclass(frozen=True)
class Kept:
    """The set, unpacked below one folder. Every question may change it: unpack it anew where that matters."""

    place: Path

    @classmethod
    def unpacked(cls, place: Path) -> Kept:
        """Unpack all of it into a folder that is made."""
        for name in ("trees", "images", "homes"):
            (place / name).mkdir(parents=True)
            with tarfile.open(HERE / f"{name}.tar.xz") as packed:
                packed.extractall(place / name, filter="fully_trusted" if name == "images" else "data")
        (place / "work").mkdir()
        return cls(place)

    def home(self, name: str) -> Path:
        """The home of one of the two stations, `cart` or `post`; any other name is a new one, empty."""
        home = self.place / "homes" / name
        home.mkdir(exist_ok=True)
        return home

    def ask(self, home: str, *words: str | Path) -> tuple[int, dict[str, Any]]:
        """Exit status and JSON of a command, at the station with this home."""
        environment = {name: value for name, value in os.environ.items() if not name.startswith("ROLLPROOF_")}
        environment |= {"ROLLPROOF_HOME": str(self.home(home)), "ROLLPROOF_BY": "the assistant editor"}
        line = [sys.executable, "-m", "rollproof", *map(str, words), "--json"]
        done = subprocess.run(
            line, cwd=self.place / "work", env=environment, capture_output=True, text=True, check=False
        )
        assert "Traceback" not in done.stderr, done.stderr
        return done.returncode, json.loads(done.stdout)

    @contextmanager
    def plugged_in(self) -> Iterator[dict[str, Drive]]:
        """The images of cards and drives, mounted."""
        with_systems = {**CARDS, **DRIVES}
        drives = {
            name: Drive(self.place / "images" / f"{name}.img", self.place / "mounts" / name, file_system)
            for name, file_system in with_systems.items()
        }
        try:
            for name, drive in drives.items():
                drive.plug_in(read_only=name in CARDS)
            yield drives
        finally:
            for drive in drives.values():
                drive.give_up()


def ask_trees(kept: Kept) -> dict[str, Any]:
    """What is said of the drives as plain folders: on any machine, whoever asks."""
    folders = {name: kept.place / "trees" / name for name in DRIVES}
    answers: dict[str, Any] = {
        "rolls": _rolls(kept.ask("cart", "rolls")),
        "history of A003": _history(kept.ask("cart", "rolls", "A003")),
        "history of B002": _history(kept.ask("cart", "rolls", "B002")),
        "audit with the ledger": _audit(kept.ask("cart", "audit", *folders.values())),
        "audit without": _audit(kept.ask("new", "audit", *folders.values())),
    }
    answers |= {f"custody of {name}": _custody(kept.ask("new", "custody", folder)) for name, folder in folders.items()}
    status, rebuilt = kept.ask("rebuilt", "ledger", "rebuild", *folders.values())
    answers["rebuild"] = [status, _numbers(rebuilt)]
    answers["rolls rebuilt"] = _rolls(kept.ask("rebuilt", "rolls"))
    answers |= {f"verify of {name}": _verify(kept.ask("new", "verify", folder)) for name, folder in folders.items()}
    return answers


def ask_images(kept: Kept) -> dict[str, Any]:
    """What is said of the drives as drives, and of the cards they came from."""
    shutil.copytree(kept.home("cart"), kept.place / "homes" / "cart2")
    with kept.plugged_in() as drives:
        mounts = [drives[name].mount for name in DRIVES]
        answers: dict[str, Any] = {
            "audit with the ledger": _audit(kept.ask("cart2", "audit", *mounts)),
            "audit without": _audit(kept.ask("new2", "audit", *mounts)),
            "may-wipe unknown": _wipe(kept.ask("new2", "may-wipe", drives["A003"].mount)),
        }
        status, rebuilt = kept.ask("rebuilt2", "ledger", "rebuild", *mounts)
        answers["rebuild"] = [status, _numbers(rebuilt)]
        answers["rolls rebuilt"] = _rolls(kept.ask("rebuilt2", "rolls"))
        for name in CARDS:
            answers[f"may-wipe {name} rebuilt"] = _wipe(kept.ask("rebuilt2", "may-wipe", drives[name].mount))
        for name in DRIVES:
            answers[f"verify of {name}"] = _verify(kept.ask("rebuilt2", "verify", drives[name].mount))
        for name in CARDS:
            answers[f"may-wipe {name} verified"] = _wipe(kept.ask("rebuilt2", "may-wipe", drives[name].mount))
    return answers


def _findings(found: Mapping[str, Any], *severities: str) -> list[str]:
    kinds: set[str] = set()

    def walk(value: Any) -> None:
        if isinstance(value, dict):
            if value.get("severity") in severities:
                kinds.add(value["kind"])
            for each in value.values():
                walk(each)
        elif isinstance(value, list):
            for each in value:
                walk(each)

    walk(found)
    return sorted(kinds)


def _numbers(found: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in found.items() if isinstance(value, int)}


def _rolls(answer: tuple[int, dict[str, Any]]) -> Any:
    status, found = answer
    kept = (
        "roll", "production", "day", "camera", "files", "bytes", "state", "copies", "copies_proven",
        "devices_proven", "copies_required", "permit",
    )  # fmt: skip
    return [status, [{name: roll.get(name) for name in kept} for roll in found["rolls"]]]


def _history(answer: tuple[int, dict[str, Any]]) -> Any:
    status, found = answer
    (history,) = found["histories"]
    copies = [[copy["drive"], copy["state"], copy["readback"]] for copy in history["copies"]]
    lines = [[line["what"], line["drive"], line["verdict"], line["record"]] for line in history["timeline"]]
    return [status, sorted(copies), sorted(line for line in lines if line[0] != "finding")]


def _audit(answer: tuple[int, dict[str, Any]]) -> Any:
    status, found = answer
    rolls = [
        {"name": roll["name"], "state": roll["state"], "copies": sorted(copy["state"] for copy in roll["copies"])}
        for roll in found["rolls"]
    ]
    return [status, found["verdict"], rolls, _findings(found, "error")]


def _custody(answer: tuple[int, dict[str, Any]]) -> Any:
    status, found = answer
    chains = [
        [chain["of"], chain["roll"], chain["whole"], *([link["record"], link["state"]] for link in chain["links"])]
        for chain in found["chains"]
    ]
    return [status, found["verdict"], chains, _findings(found, "error", "warning")]


def _verify(answer: tuple[int, dict[str, Any]]) -> Any:
    status, found = answer
    copies = [
        {name: copy[name] for name in ("verdict", "files", "differ", "missing", "unknown")}
        for copy in sorted(found["copies"], key=lambda copy: copy["path"])
    ]
    return [status, found["verdict"], copies]


def _wipe(answer: tuple[int, dict[str, Any]]) -> Any:
    status, found = answer
    rolls = [[roll["roll"], roll["files"], roll["copies_counted"], roll["copies_required"]] for roll in found["rolls"]]
    return [status, found["answer"], found["basis"], rolls, _findings(found, "error")]
