"""The table of the docs, and the same as JSON: rows of one machine and one size, kept until they are measured anew."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Sequence
from pathlib import Path

from benchmarks.ground import Row

_HEAD = """# Benchmarks

Written by `make bench`; figures of other machines, or of other runs, do not compare. A ratio is the time of what the
row names after its colon over the tool's: above 1 the tool was faster. In brackets the smallest and the largest of all
rounds. A row whose command did not do its work, or that the machine cannot have, shows no figure and says why.
"""


_BY_HAND = "<!-- written by hand from here on -->"
"""What stands below this line of the page is kept."""


class Table:
    """`benchmarks.json` and `benchmarks.md` in one folder; rows of another machine or size in them are dropped."""

    def __init__(self, folder: Path, size: str) -> None:
        self._folder = folder
        self._size = size
        self._machine = machine()
        self._rows: list[Row] = []
        known = folder / "benchmarks.json"
        if known.exists():
            told = json.loads(known.read_text())
            if (told.get("machine"), told.get("size")) == (self._machine, size):
                self._rows = [Row(**row) for row in told["rows"]]

    def put(self, group: str, rows: Sequence[Row], order: Sequence[str]) -> None:
        """These rows in the place of those of the same name, and both files written."""
        kept = [row for row in self._rows if row.group != group and row.group in order]
        self._rows = sorted([*kept, *rows], key=lambda row: order.index(row.group))
        self._folder.mkdir(parents=True, exist_ok=True)
        told = {"machine": self._machine, "size": self._size, "rows": [row.as_json() for row in self._rows]}
        (self._folder / "benchmarks.json").write_text(json.dumps(told, indent=1) + "\n")
        page = self._folder / "benchmarks.md"
        by_hand = page.read_text().partition(_BY_HAND)[1:] if page.exists() else ()
        page.write_text("\n".join([self.page().rstrip(), "", "".join(by_hand)]).rstrip() + "\n")

    def page(self) -> str:
        """The table for the docs, and below it what the rows remark."""
        if not self._rows:
            return f"{_HEAD}\nNo row has been measured for this page yet.\n"
        days = sorted({row.measured_on for row in self._rows})
        when = " to ".join(sorted({days[0], days[-1]})) if days else ""
        lines = [
            _HEAD,
            f"Machine: {self._machine}; size `{self._size}`; measured {when}.",
            "",
            "| row | target | measured | target met | peak memory | processor time |",
            "|---|---|---|---|---|---|",
        ]
        remarks = []
        for row in self._rows:
            peak = f"{row.peak_mib:.0f} MiB" if row.peak_mib else ""
            processor = f"{row.processor_seconds:.1f} s" if row.processor_seconds else ""
            met = {True: "yes", False: "no", None: ""}[row.meets]
            cells = (row.name, row.target, said(row), met, peak, processor)
            lines.append("| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |")
            if row.note:
                remarks.append(f"- *{row.name}*: {row.note}.")
        if remarks:
            lines += ["", "## Remarks", "", *remarks]
        return "\n".join(lines) + "\n"


def said(row: Row) -> str:
    """The figure of a row, with its spread; or why there is none."""
    if row.no_figure:
        return row.no_figure
    spread = row.ratios or row.figures
    many = f" ({min(spread):.2f}–{max(spread):.2f})" if len(spread) > 1 else ""
    return f"{row.median:.2f}{' ' + row.unit if row.unit else ''}{many}"


def machine() -> str:
    """This machine in a line."""
    about = Path("/proc/cpuinfo")
    known = about.read_text().splitlines() if about.exists() else []
    names = [line.partition(":")[2].strip() for line in known if "model name" in line]
    model = names[0] if names else platform.processor()
    pages = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30 if hasattr(os, "sysconf") else 0
    return (
        f"{os.cpu_count()} processors ({model}), {pages:.0f} GiB of memory, {platform.system()} {platform.release()},"
        f" Python {platform.python_version()}"
    )
