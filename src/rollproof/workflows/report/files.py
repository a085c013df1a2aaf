"""The files of a report: all of one set under one name that nothing has yet."""

from __future__ import annotations

import contextlib
import json
import os
import re

from rollproof.models.errors import CouldNotFinish, UsageProblem
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.names import shown
from rollproof.reports.model import Report
from rollproof.reports.page import page_html
from rollproof.reports.pdf import NoPdf, page_pdf
from rollproof.reports.tables import clips_csv, rolls_csv
from rollproof.storage.errors import said
from rollproof.storage.files import write_new
from rollproof.storage.io import Io
from rollproof.storage.station import make_home, station_home

REPORTS_FOLDER = "reports"
_ENDINGS = {"html": ".html", "pdf": ".pdf", "rolls_csv": "_rolls.csv", "clips_csv": "_clips.csv", "json": ".json"}
_MOST_OF_A_NAME = 1000
_ODD = re.compile(r"[^\w-]+")


def write_report(io: Io, out: bytes | None, report: Report) -> tuple[dict[str, str], list[Finding]]:
    """Write every file of a report; returns their paths by kind and what there is to say.

    Nothing is ever written over: where the name is taken the whole set gets the next number. Without `out` it goes
    into the station's own folder: the working folder may be a card. Raises UsageProblem when `out` is no folder that
    could be made, CouldNotFinish when a file cannot be written.
    """
    findings: list[Finding] = []
    parts = {
        "html": page_html(report).encode(),
        "rolls_csv": rolls_csv(report).encode(),
        "clips_csv": clips_csv(report).encode(),
        "json": (json.dumps(report.as_json(), ensure_ascii=True, indent=1) + "\n").encode(),
    }
    try:
        parts["pdf"] = page_pdf(report)
    except NoPdf as lacking:
        findings.append(
            warning(
                Kind.NO_PDF,
                f"no PDF was written: {lacking}",
                remedy="install it, or print the HTML file: it is laid out for paper",
            )
        )
    folder = _folder(out)
    handle = io.open_root(folder)
    try:
        for number in range(1, _MOST_OF_A_NAME):
            stem = _stem(report) + (f"_{number}" if number > 1 else "")
            if any(os.path.lexists(os.path.join(folder, (stem + ending).encode())) for ending in _ENDINGS.values()):
                continue
            written: dict[str, str] = {}
            for kind, ending in _ENDINGS.items():
                if kind in parts:
                    name = (stem + ending).encode()
                    write_new(io, handle, name, [parts[kind]])
                    written[kind] = shown(os.path.join(folder, name))
            return written, findings
        raise FileExistsError("too many reports of one name")
    except OSError as error:
        raise CouldNotFinish(
            f"the report could not be written into {shown(folder)} ({said(error)})",
            hint="look at the room there, or name another folder: --out DIR",
        ) from None
    finally:
        with contextlib.suppress(OSError):
            io.close(handle)


def _folder(out: bytes | None) -> bytes:
    try:
        if out is None:
            place = make_home(station_home()) / REPORTS_FOLDER
            place.mkdir(mode=0o700, exist_ok=True)
            return os.fsencode(place)
        with contextlib.suppress(FileExistsError):
            os.mkdir(out)
    except OSError as error:
        raise UsageProblem(
            f"there is no folder for the report ({said(error)})", hint="make it, or name another: --out DIR"
        ) from None
    if not os.path.isdir(out):
        raise UsageProblem(f"{shown(out)} is no folder", hint="name another: --out DIR")
    return out


def _stem(report: Report) -> str:
    name = report.productions[0] if len(report.productions) == 1 else "production"
    parts = ["report", _plain(name) or "production", _plain(report.day) if report.day else "whole"]
    return "_".join(part or "day" for part in parts)


def _plain(text: str) -> str:
    return _ODD.sub("-", text.casefold()).strip("-")[:40].encode("ascii", "ignore").decode().strip("-")
