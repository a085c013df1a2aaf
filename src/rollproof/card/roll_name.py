"""What the roll on a card is called, as far as the card itself says.

Three things may speak: the part before the clip counter in the clips' names, the folder at the top, and the volume's
label. A name that anything could have (`UNTITLED`, `DCIM`, `card`) says nothing. Two that name different rolls need a
person to decide.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rollproof.models.folder_names import folder_name_problem
from rollproof.models.names import to_text
from rollproof.models.tree import Clip, Snapshot

# The roll before the clip counter: A003C012…, A003_C012…, A003_05140812_C012…, SR012-C003…
CLIP_NAME = re.compile(
    r"(?P<roll>[A-Z]{1,3}_?[0-9]{3,4})[_-]?(?:[0-9]{6,14}[_-])?C(?P<number>[0-9]{3,4})(?![0-9])", re.IGNORECASE
)
# What a roll name looks like: letters, digits, perhaps a code of the camera behind (A003, A003R1BF, SR012, S001_MIX).
_ROLL = re.compile(r"[A-Z]{1,5}[_-]?[0-9]{2,5}(?:[A-Z_-][A-Z0-9_-]{0,20})?", re.IGNORECASE)
_FOLDER_SUFFIX = re.compile(r"\.(?:RDM|RDC)$", re.IGNORECASE)
# Words that name the medium, the reader, the mount or the camera's habits, with or without a number.
_GENERIC = re.compile(
    r"(?:card|cards|mag|media|medium|mnt|mount|mounts|volume|volumes|vol|disk|disc|drive|usb|usbdisk|sd|sdcard|sdxc|sdhc|cf|cfast"
    r"|cfe|cfexpress|xqd|ssd|reader|slot|untitled|no[ _-]?name|new[ _-]?volume|unnamed|none|dcim|private|contents|clip"
    r"|clips|xdroot|m4root|avchd|bdmv|stream|video|audio|sound|source|src|tmp|temp|root|home|camera|cam|data|removable"
    r"|backup|copy|test|footage|misc|[0-9]{3}[a-z_]{5})[ _-]*[0-9]{0,3}",
    re.IGNORECASE,
)
# A roll with the day behind it, as some cameras name their folders: A003_0514, A003_0514BF.
_DATED = re.compile(r"(?P<roll>.+)[ _-](?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])[A-Z0-9]{0,4}", re.IGNORECASE)
_SERIAL = re.compile(r"[0-9a-f]{4}-[0-9a-f]{4}|[0-9a-f-]{16,}|[0-9]+", re.IGNORECASE)

FROM_CLIPS = "the names of the clips"
FROM_CARD_FOLDER = "the folder at the top of the card"
FROM_FOLDER = "the folder the card is mounted on"
FROM_LABEL = "the label of the volume"


@dataclass(frozen=True, slots=True)
class RollGuess:
    """`best` is None when nothing on the card names a roll. `candidates` are (name, where it was read), best first.
    When they `disagree`, only a person can say."""

    best: str | None
    candidates: tuple[tuple[str, str], ...]
    disagree: bool


def guess_roll(snapshot: Snapshot, clips: Sequence[Clip], top_folder: bytes, label: str) -> RollGuess:
    """The best guess at the roll's name.

    `top_folder` is the name of the folder the card is mounted on (or that was named), `label` the volume's label or
    empty. Names that look like a roll (`A003`) come first; only where there is none, another telling name of the
    mount folder or the label is offered. `A003` and `A003R1BF` agree, and so do `A003` and `a003`.
    """
    mounted = to_text(top_folder).strip()
    label = label.strip()
    strong = [(name, FROM_CLIPS) for name in _before_the_counter(clips)]
    strong.extend(
        (name, where)
        for name, where in ((_only_top_folder(snapshot), FROM_CARD_FOLDER), (mounted, FROM_FOLDER), (label, FROM_LABEL))
        if looks_like_roll(name)
    )
    candidates = strong or [
        (name, where)
        for name, where in ((mounted, FROM_FOLDER), (label, FROM_LABEL))
        if not _is_generic(name) and folder_name_problem(name) is None
    ]
    if not candidates:
        return RollGuess(None, (), False)
    names = [name for name, _ in candidates]
    disagree = any(not _agree(one, other) for index, one in enumerate(names) for other in names[index + 1 :])
    return RollGuess(names[0], tuple(candidates), disagree)


def looks_like_roll(name: str) -> bool:
    """Whether a name is made like a roll's (letters and digits, `A003`) and is not one that anything could have."""
    return _ROLL.fullmatch(name) is not None and not _is_generic(name) and folder_name_problem(name) is None


def is_valid_roll_name(text: str) -> bool:
    """Whether a roll may be called so: safe as a folder name on every file system."""
    return folder_name_problem(text) is None


def roll_name_problem(text: str) -> str | None:
    """What is wrong with a roll name as a phrase that follows "it"; None when nothing is."""
    return folder_name_problem(text)


def _before_the_counter(clips: Iterable[Clip]) -> list[str]:
    """Each roll that the clips' names begin with, the most frequent first."""
    found = Counter(match["roll"].upper() for clip in clips if (match := CLIP_NAME.match(clip.name)) is not None)
    return [name for name, _ in sorted(found.items(), key=lambda item: (-item[1], item[0]))]


def _only_top_folder(snapshot: Snapshot) -> str:
    """The folder that holds everything on the card, without the suffix some cameras give it; empty if there is none."""
    top = [folder for folder in snapshot.folders if b"/" not in folder]
    if len(top) != 1:
        return ""
    return _FOLDER_SUFFIX.sub("", to_text(top[0]))


def _is_generic(name: str) -> bool:
    return not name or _GENERIC.fullmatch(name) is not None or _SERIAL.fullmatch(name) is not None


def _agree(one: str, other: str) -> bool:
    """Whether two names can mean one roll: equal but for case and separators, or one with a code added to the other,
    or with the day and a code (`A003` and `A003_0514BF`)."""
    named, short_name = sorted((one, other), key=len, reverse=True)
    short, long = _bare(short_name), _bare(named)
    if not long.startswith(short):
        return False
    dated = _DATED.fullmatch(named)
    return not long[len(short) :][:1].isdigit() or (dated is not None and _bare(dated["roll"]) == short)


def _bare(name: str) -> str:
    return re.sub(r"[ _-]", "", name.casefold())
