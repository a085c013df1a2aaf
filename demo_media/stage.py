"""Lay the demo cards out as they were on the day: `python demo_media/stage.py FOLDER [CARD …]`.

git keeps neither modification times nor empty folders; `cards.json` does, and this puts them back.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from datetime import datetime
from pathlib import Path
from typing import TypedDict, cast

HERE = Path(__file__).resolve().parent


class StagedFile(TypedDict):
    """One file of a card, as `cards.json` knows it; `modified` is RFC 3339 in UTC."""

    path: str
    size: int
    modified: str
    sha256: str


class StagedCard(TypedDict):
    """One card: its clips as a person counts them, its files, and the folders that hold nothing."""

    clips: list[str]
    files: list[StagedFile]
    empty_folders: list[str]


def cards() -> dict[str, StagedCard]:
    """All demo cards by roll name."""
    manifest = json.loads((HERE / "cards.json").read_text(encoding="utf-8"))
    return cast(dict[str, StagedCard], manifest["cards"])


def stage_card(name: str, target: Path) -> StagedCard:
    """Copy one card into the (new or empty) folder `target`, with its dates and empty folders.

    Raises KeyError for a card that is not there and FileExistsError when `target` holds something already.
    """
    card = cards()[name]
    target.mkdir(parents=True, exist_ok=True)
    # a freshly made ext4 image brings lost+found
    if any(entry.name != "lost+found" for entry in target.iterdir()):
        raise FileExistsError(f"{target} is not empty")
    for file in card["files"]:
        destination = target / file["path"]
        destination.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(HERE / "cards" / name / file["path"], destination)
        modified_ns = int(datetime.fromisoformat(file["modified"]).timestamp()) * 1_000_000_000
        os.utime(destination, ns=(modified_ns, modified_ns))
    for folder in card["empty_folders"]:
        (target / folder).mkdir(parents=True, exist_ok=True)
    return card


def main(arguments: list[str]) -> int:
    """Stage the named cards (all when none is named) as folders below the first argument."""
    if not arguments:
        print("usage: python demo_media/stage.py FOLDER [CARD ...]", file=sys.stderr)
        return 2
    for name in arguments[1:] or list(cards()):
        stage_card(name, Path(arguments[0]) / name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
