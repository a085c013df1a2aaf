"""Every row of the table of targets, on whatever machine this is: `make bench`, or

    python tests/benchmarks/run.py [--size small|middle|full] [--only ROW …] [--scratch DIR] [--rounds N] [--out DIR]

The tool and its yardstick (`cp`, `sync`, `xxhsum`, `fio`) run in turn on the same warmed disk, caches dropped in
between where root allows. Only figures of one row may be compared. Prints the rows as they come and writes them to
`docs/benchmarks.json` and `docs/benchmarks.md` after each; with `--only`, rows measured before on this machine at this
size stay there. `small` takes a few minutes, `full` most of an hour. Nothing here is a test: a row that misses its
target is a line in the table. A row whose command did not do its work prints no figure, and the status is 1.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from benchmarks.ground import DidNotWork, NotHere, Row  # noqa: E402
from benchmarks.rows import ROWS, SIZES, Setting  # noqa: E402
from benchmarks.table import Table, said  # noqa: E402


def measure(name: str, setting: Setting) -> list[Row]:
    """The rows of one name; or one that says why there is no figure."""
    try:
        rows = ROWS[name](setting)
    except NotHere as lacking:
        rows = [Row(name, "", no_figure=f"not measured: {lacking}")]
    except DidNotWork as failed:
        rows = [Row(name, "", no_figure=f"FAILED: {failed}", meets=False)]
    for row in rows:
        row.group = name
        row.measured_on = time.strftime("%Y-%m-%d")
    return rows


def main() -> int:
    """Run the rows asked for and write them down."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", choices=SIZES, default="middle")
    parser.add_argument("--only", choices=ROWS, nargs="+", default=list(ROWS))
    parser.add_argument("--scratch", type=Path, default=ROOT)
    parser.add_argument("--rounds", type=int, default=None)
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="where the two files go")
    given = parser.parse_args()
    missing = [name for name in ("fio", "xxhsum") if shutil.which(name) is None]
    if missing:
        print(f"not installed: {', '.join(missing)}", file=sys.stderr)
        return 1
    size = SIZES[given.size]
    table = Table(given.out, given.size)
    failed = False
    for name in given.only:
        with tempfile.TemporaryDirectory(dir=given.scratch, prefix="rollproof-bench-") as folder:
            os.environ["ROLLPROOF_HOME"] = str(Path(folder) / "home")
            rows = measure(name, Setting(Path(folder), size, given.rounds or size.rounds))
        for row in rows:
            failed = failed or row.no_figure.startswith("FAILED")
            missed = "  MISSED" if row.meets is False and not row.no_figure else ""
            print(f"{row.name:72} {row.target:>18}  {said(row)}{missed}  {row.note}", flush=True)
        table.put(name, rows, list(ROWS))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
