"""How long an audit without `--reread` takes, and its peak memory: by hand, not a test.

    python tests/benchmarks/audit_listing.py --scratch /mnt/scratch --rolls 500 --files 400 --drives 2

Makes the rolls with the tool's own functions (tiny files), drops what is cached where that is allowed, runs the real
command in a process of its own and prints seconds and peak memory, cold and warm.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

from audit.production import Made, ToShoot  # noqa: E402
from rollproof.copies.location import place_on  # noqa: E402
from rollproof.drives.system import system_drives  # noqa: E402
from rollproof.models.names import to_text  # noqa: E402
from rollproof.models.volumes import Volume  # noqa: E402
from rollproof.records.models import CopyBlock  # noqa: E402
from rollproof.station.keys import station_signer  # noqa: E402


class RealVolumes(Made):
    """Rolls whose records speak of the volume they really lie on."""

    def volumes(self) -> None:
        """Ask once."""
        real = system_drives().volume_of(os.fsencode(self.top))

        def volume(_: str) -> Volume:
            return real

        self.then.volume = volume  # type: ignore[method-assign, assignment]
        self._volume = real

    def block(self, drive: str, roll: ToShoot) -> CopyBlock:
        """How records speak of a copy: where it really is."""
        folder = place_on(self._volume, os.fsencode(self.at(drive, roll)))
        return super().block(drive, roll).model_copy(update={"folder": to_text(folder)})


def main() -> None:
    """Parse, make, run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scratch", type=Path, default=Path.cwd())
    parser.add_argument("--rolls", type=int, default=500)
    parser.add_argument("--files", type=int, default=400, help="per roll")
    parser.add_argument("--drives", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.scratch, prefix="rollproof-audit-") as folder:
        os.environ["ROLLPROOF_HOME"] = str(Path(folder) / "home")
        names = ("SECOND_1", "SECOND_2", "SHUTTLE")[: given.drives]
        made = RealVolumes(Path(folder), station_signer())
        made.volumes()
        began = time.monotonic()
        for number in range(given.rolls):
            roll = ToShoot(f"C{number + 1:03}", number // 40 + 1, "second", clips=given.files // 2)
            for name in names:
                made.copy(name, roll, roll.files())
        print(f"made in {time.monotonic() - began:.0f} s")
        drives = [str(made.top / name) for name in names]
        for state in ("cold", "warm"):
            if state == "cold":
                os.sync()
                try:
                    Path("/proc/sys/vm/drop_caches").write_text("3")
                except OSError:
                    print("caches cannot be dropped here", file=sys.stderr)
            began = time.monotonic()
            command = [sys.executable, "-m", "rollproof", "audit", *drives, "--json", "--quiet"]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
            assert process.stdout is not None
            answer = json.loads(process.stdout.read())
            _, _, usage = os.wait4(process.pid, 0)
            seconds = time.monotonic() - began
            kinds = sorted({finding["kind"] for finding in answer["findings"] if finding["severity"] != "note"})
            files = sum(drive["files"] for drive in answer["drives"])
            print(
                f"{state}: {len(answer['rolls'])} rolls, {files:,} files in all copies: {seconds:.1f} s"
                f" (processor {usage.ru_utime + usage.ru_stime:.1f} s), peak {usage.ru_maxrss / 1024:.0f} MiB;"
                f" errors and warnings: {', '.join(kinds) or 'none'}"
            )


if __name__ == "__main__":
    main()
