"""The table: how many sound files were called sound, how many damaged ones damaged, per kind of file and damage."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from media import damage
from media.corpus import corpus
from rollproof.media.health import examine
from rollproof.media.source import BytesSource


@dataclass(slots=True)
class Row:
    """Counts of one kind of file. `misses` lists what should have been seen and was not: nothing, if all is well."""

    sound: int = 0
    sound_files: int = 0
    tried: Counter[str] = field(default_factory=Counter)
    damaged: Counter[str] = field(default_factory=Counter)
    odd: Counter[str] = field(default_factory=Counter)
    unseen: Counter[str] = field(default_factory=Counter)
    misses: list[str] = field(default_factory=list)


def measure() -> dict[str, Row]:
    """Try every damage on every file of the corpus."""
    rows: dict[str, Row] = defaultdict(Row)
    for name, data in corpus().items():
        row = rows[damage.kind_of(name)]
        row.sound_files += 1
        row.sound += examine(BytesSource(data), name.encode()).state == "sound"
        for case in damage.cases(name, data):
            answer = examine(BytesSource(case.data), name.encode())
            row.tried[case.what] += 1
            if answer.state == "damaged":
                row.damaged[case.what] += 1
                continue
            if answer.state == "odd":
                row.odd[case.what] += 1
            if case.unseen:
                row.unseen[case.unseen] += 1
            else:
                row.misses.append(f"{name}, {case.what}, {len(case.data):,} of {len(data):,} bytes: {answer.state}")
    return dict(rows)


DAMAGES = ("cut at a border", "cut at a random place", "header never finished", "index removed", "tail zeroed",
           "size patched")  # fmt: skip


def as_markdown(rows: dict[str, Row]) -> str:
    """Two tables for the docs."""
    lines = ["| kind of file | sound files called sound | " + " | ".join(DAMAGES) + " |"]
    lines.append("|---|---|" + "---|" * len(DAMAGES))
    for kind in damage.KINDS:
        row = rows[kind]
        cells = [
            f"{row.damaged[what]:,} of {row.tried[what]:,}" + (f" (+{row.odd[what]} odd)" if row.odd[what] else "")
            if row.tried[what]
            else "—"
            for what in DAMAGES
        ]
        lines.append(f"| {kind} | {row.sound} of {row.sound_files} | " + " | ".join(cells) + " |")
    unseen: Counter[str] = Counter()
    for row in rows.values():
        unseen.update(row.unseen)
    lines += ["", "| not called damaged, because | times |", "|---|---|"]
    lines += [f"| {reason} | {count:,} |" for reason, count in unseen.most_common()]
    return "\n".join(lines) + "\n"
