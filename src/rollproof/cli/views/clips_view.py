"""Clips as lines of a table: the columns that a width has room for, long lists folded to what matters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left, right
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.findings import Finding
from rollproof.models.inspect_results import ClipOut, ClipsResult

_LONGEST_LIST = 60
"""Clips that are shown one by one; of more, the first and last and all that are not whole."""

_ENDS = 8
_MOST_TROUBLED = 40
_NAME_LEAST, _NAME_KEPT, _NAME_MOST = 8, 20, 34
_STATES = {"sound": GOOD, "damaged": BAD, "odd": WARN, "unknown": QUIET}
_STATE_WORDS = {"sound": "whole", "damaged": "DAMAGED", "unknown": "not known"}


@dataclass(frozen=True, slots=True)
class _Column:
    heading: str
    most: int
    """It is as wide as what stands in it, up to this."""
    cell: Callable[[ClipOut], str]
    rank: int
    """Columns of a high rank go first when there is no room."""
    number: bool = True


def _length(clip: ClipOut) -> str:
    if clip.duration is not None:
        hours, rest = clip.duration.split(":", 1)
        return f"{int(hours)}:{rest[:-2]}"
    return words.counted(clip.essence_files, "frame") if clip.kind == "frames" else ""


def _picture(clip: ClipOut) -> str:
    if clip.resolution:
        return clip.resolution
    return words.counted(clip.channels, "track") if clip.channels else ""


_COLUMNS = (
    _Column("length", 14, _length, 1),
    _Column("start", 11, lambda clip: clip.timecode or "", 1),
    _Column("rate", 7, lambda clip: clip.frame_rate or "", 3),
    _Column("picture", 10, _picture, 2),
    _Column("codec", 12, lambda clip: clip.codec or "", 5, number=False),
    _Column("size", 9, lambda clip: words.size(clip.bytes), 0),
    _Column("files", 6, lambda clip: words.number(clip.files), 4),
)
_HEALTH = 9
_GAP = 2


def clip_table(clips: Sequence[ClipOut], width: int, *, show_all: bool = False, ends: int = _ENDS) -> Iterator[Text]:
    """A heading and a line per clip, nothing wider than `width`. Long lists are folded unless `show_all`."""
    shown = _folded(clips, ends) if len(clips) > _LONGEST_LIST and not show_all else [*clips]
    rows = [item for item in shown if isinstance(item, ClipOut)]
    name = max([cell_len(safe(clip.name).plain) for clip in rows] + [_NAME_LEAST])
    columns = [(column, cells) for column in _COLUMNS if (cells := _cells_wide(column, rows))]
    name_width = min(name, _NAME_MOST)

    def room() -> int:
        return width - 2 - sum(cells + _GAP for _, cells in columns) - _HEALTH - _GAP

    while columns and room() < min(name_width, _NAME_KEPT):
        # a name cut a little is better than a column lost
        columns.remove(max(columns, key=lambda column: column[0].rank))
    name_width = max(min(name_width, room()), 4)
    heading = join("  ", left("clip", name_width))
    for column, cells in columns:
        heading.append(" " * _GAP)
        heading.append_text((right if column.number else left)(column.heading, cells))
    yield join(heading, " " * _GAP, "health", style=QUIET)
    for item in shown:
        if isinstance(item, ClipOut):
            yield _row(item, columns, name_width)
        else:
            yield Text(f"  {item}", QUIET)


def _cells_wide(column: _Column, clips: Sequence[ClipOut]) -> int:
    """How wide a column must be; 0 when nothing stands in it."""
    widest = max((cell_len(safe(column.cell(clip)).plain) for clip in clips), default=0)
    return min(max(widest, len(column.heading)), column.most) if widest else 0


def _row(clip: ClipOut, columns: Sequence[tuple[_Column, int]], name_width: int) -> Text:
    line = join("  ", left(clip.name, name_width, STRONG if clip.state == "damaged" else ""))
    for column, cells in columns:
        line.append(" " * _GAP)
        line.append_text((right if column.number else left)(safe(column.cell(clip)).plain, cells))
    state = _STATE_WORDS.get(clip.state, clip.state)
    line.append(" " * _GAP)
    line.append(state, _STATES.get(clip.state, ""))
    if clip.set_aside:
        line.append(", set aside", QUIET)
    return line


def _folded(clips: Sequence[ClipOut], ends: int) -> list[ClipOut | str]:
    """The first and the last, those in trouble, and what was left out between them in words."""
    troubled = [number for number, clip in enumerate(clips) if clip.state in ("damaged", "odd")]
    troubled.sort(key=lambda number: clips[number].state != "damaged")
    chosen = {*range(ends), *range(len(clips) - ends, len(clips)), *troubled[:_MOST_TROUBLED]}
    out: list[ClipOut | str] = []
    skipped: list[ClipOut] = []
    for number, clip in enumerate(clips):
        if number not in chosen:
            skipped.append(clip)
            continue
        if skipped:
            out.append(_skipped(skipped))
            skipped = []
        out.append(clip)
    return out


def _skipped(clips: Sequence[ClipOut]) -> str:
    seconds = sum(clip.duration_seconds or 0 for clip in clips)
    sound = sum(clip.state == "sound" for clip in clips)
    state = "all whole" if sound == len(clips) else f"{words.number(sound)} of them whole"
    length = f", {words.took(seconds)}" if seconds else ""
    return f"… {words.counted(len(clips), 'clip')}{length}, {state}: --all shows them"


def worth_a_word(result: ClipsResult) -> list[Finding]:
    """What is said where only a list was asked for: what is wrong, and why columns are empty."""
    return [each for each in result.findings if each.severity == "error" or each.kind == "clip-facts-missing"]


def clips_lines(result: ClipsResult, *, width: int, fancy: bool) -> Iterator[Text]:
    """What `clips` says when the list goes to a file, or nowhere."""
    if result.csv is None:
        rolls: dict[str, list[ClipOut]] = {}
        for each in result.clips:
            rolls.setdefault(each.folder, []).append(each.clip)
        for folder, clips in rolls.items():
            yield safe(folder, STRONG)
            yield from clip_table(clips, width, show_all=True)
            yield Text()
    yield from finding_lines(worth_a_word(result) if result.csv is not None else result.findings)
    total = words.counted(len(result.clips), "clip")
    if result.csv is not None:
        yield join(f"{total} listed in ", safe(result.csv, STRONG), ".")
    else:
        yield Text(f"{total}.")
