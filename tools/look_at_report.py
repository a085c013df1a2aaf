"""Makes a large report of an invented production and opens it in a real browser.

`python tools/look_at_report.py FOLDER [PAGE]`

For a look by eye, and to see that the browser's console stays silent. Needs Chromium and poppler-utils, which the tests
do not; with a second argument an HTML file of yours is opened instead.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPOSITORY / "src"), str(REPOSITORY / "tests")]

from reports.bell_foundry import a_production  # noqa: E402
from rollproof.reports.page import page_html  # noqa: E402
from rollproof.reports.pdf import NoPdf, page_pdf  # noqa: E402

_HEIGHT = 4000


def silent(page: Path, picture: Path, *, width: int) -> bool:
    """Open the page at a width, keep a picture of it, and say whether the console had nothing to say."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        raise SystemExit("Chromium is not installed.")
    command = [
        browser,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--enable-logging=stderr",
        f"--window-size={width},{_HEIGHT}",
        f"--screenshot={picture}",
        page.resolve().as_uri(),
    ]
    told = subprocess.run(command, capture_output=True, text=True, timeout=180, check=True).stderr
    lines = [line for line in told.splitlines() if "CONSOLE" in line or "Refused" in line]
    print("\n".join(lines) or f"{page.name} at {width}: the console is silent")
    return not lines


def main(arguments: list[str]) -> int:
    """Write, open, look."""
    if not arguments:
        print(__doc__)
        return 2
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    if len(arguments) > 1:
        page = Path(arguments[1])
    else:
        report = a_production()
        page = folder / "report.html"
        page.write_text(page_html(report), encoding="utf-8")
        try:
            (folder / "report.pdf").write_bytes(page_pdf(report))
            command: list[str | Path] = ["pdftoppm", "-r", "60", "-png", folder / "report.pdf", folder / "page"]
            subprocess.run(command, check=True, timeout=180)
        except (NoPdf, FileNotFoundError) as lacking:
            print(lacking)
    quiet = [silent(page, folder / f"at-{width}.png", width=width) for width in (1100, 500)]
    return 0 if all(quiet) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
