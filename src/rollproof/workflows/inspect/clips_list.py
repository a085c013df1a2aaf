"""The clips of several cards, rolls or drives as one list for editorial, and as CSV."""

from __future__ import annotations

import contextlib
import csv
import io as text_io
from collections.abc import Iterable, Iterator

from rollproof.clips.check import ClipLook
from rollproof.copies.ledger_import import camera_of
from rollproof.models.errors import ExitStatus, Refused, UsageProblem
from rollproof.models.findings import Kind, Severity, error
from rollproof.models.inspect_results import ClipsResult, ListedClip
from rollproof.models.names import inert, shown
from rollproof.models.requests import ClipsRequest, InspectRequest
from rollproof.records.rows import FileRow
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.files import exists, write_new
from rollproof.storage.io import Io
from rollproof.workflows.inspect.job import Inspected, Told, grouped_by_roll, inspected, refuse_inside

COLUMNS = (
    "clip", "roll", "camera", "start_timecode", "end_timecode", "duration", "frame_rate", "resolution", "codec",
    "scene", "take", "bytes", "hash", "path", "state", "health",
)  # fmt: skip
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def list_clips(request: ClipsRequest, ctx: Context, *, told: Told = lambda roll, done, of: None) -> ClipsResult:
    """Every clip at the paths, in order, and the CSV file if one was asked for. Status 1 as for `inspect`.

    Raises Refused when the file is there already or would lie on what is looked at, UsageProblem, CouldNotFinish,
    Interrupted.
    """
    if request.csv is not None:
        refuse_inside(request.csv, request.paths, "lists")
        _refuse_existing(ctx.io, request.csv)
    looked: list[Inspected] = []
    with ctx.station:
        for path in request.paths:
            looked += inspected(InspectRequest(path), ctx, told)
    listed = [clip for each in looked for clip in _clips_of(each)]
    if request.csv is not None:
        _write(ctx.io, request.csv, csv_lines(listed))
    findings = grouped_by_roll(looked)
    wrong = any(finding.severity is Severity.ERROR for finding in findings)
    return ClipsResult(
        clips=listed,
        csv=shown(request.csv) if request.csv is not None else None,
        findings=list(findings),
        status=ExitStatus.ANSWER_IS_NO if wrong else ExitStatus.DONE,
    )


def _clips_of(looked: Inspected) -> Iterator[ListedClip]:
    for look, out in zip(looked.looks, looked.clips, strict=True):
        row = _row(looked, look.clip.essence[0]) if look.clip.essence else None
        algorithm = next(iter(sorted(row.hashes)), "") if row is not None else ""
        yield ListedClip(
            clip=out,
            camera=camera_of(out.roll) or "",
            hash=f"{algorithm}:{row.hashes[algorithm]}" if row is not None and algorithm else "",
            state=_state(looked, look),
            folder=looked.out.path,
        )


def _row(looked: Inspected, index: int) -> FileRow | None:
    """What is recorded of a file as it lies there; None of one that is not as recorded."""
    path = looked.snapshot.files[index].path
    return looked.rows.get(path) if path not in looked.changed else None


def _state(looked: Inspected, look: ClipLook) -> str:
    """What the records beside a copy say of a clip's files, as they lie there now."""
    if looked.out.record is None:
        return "no record"
    for index in look.clip.files:
        row = _row(looked, index)
        if row is None:
            return "unproven"
        if not row.proven:
            return "copied" if looked.out.record.state == "copied" else "unproven"
    return "proven"


def csv_lines(listed: Iterable[ListedClip]) -> Iterator[str]:
    """The list as CSV (RFC 4180), a line each with its end, the heading first.

    What a spreadsheet would take for a formula gets a `'` in front, and control characters are made visible.
    """
    yield _line(COLUMNS)
    for each in listed:
        clip = each.clip
        yield _line(
            (
                clip.name,
                clip.roll,
                each.camera,
                clip.timecode,
                clip.end_timecode,
                clip.duration,
                clip.frame_rate,
                clip.resolution,
                clip.codec,
                clip.scene,
                clip.take,
                str(clip.bytes),
                each.hash,
                f"{each.folder}/{clip.path}",
                each.state,
                clip.state,
            )
        )


def _line(cells: Iterable[str | None]) -> str:
    buffer = text_io.StringIO()
    csv.writer(buffer, lineterminator="\r\n").writerow([_cell(cell) for cell in cells])
    return buffer.getvalue()


def _cell(text: str | None) -> str:
    if not text:
        return ""
    # the guard looks at the text as it was, so that a control code cannot hide what follows it
    return ("'" if text.lstrip().startswith(_FORMULA) or text.startswith(_FORMULA) else "") + inert(text)


def _refuse_existing(io: Io, path: bytes) -> None:
    with _parent(io, path) as (folder, name):
        if exists(io, folder, name) is not None:
            raise _already(path)


def _already(path: bytes) -> Refused:
    detail = f"{shown(path)} is there already, and nothing is ever replaced"
    remedy = "name another file, or move the old one away"
    return Refused(detail, [error(Kind.NOT_WRITABLE, detail, path=shown(path), remedy=remedy)], hint=remedy)


def _write(io: Io, path: bytes, lines: Iterable[str]) -> None:
    with _parent(io, path) as (folder, name):
        try:
            write_new(io, folder, name, (line.encode("utf-8", "backslashreplace") for line in lines))
        except FileExistsError:
            raise _already(path) from None


@contextlib.contextmanager
def _parent(io: Io, path: bytes) -> Iterator[tuple[int, bytes]]:
    above, slash, name = path.rpartition(b"/")
    try:
        if not name or name in (b".", b".."):
            raise UsageProblem(f"{shown(path)} is no file name", hint="name the file to write, or - for the screen")
        folder = io.open_root(above or (b"/" if slash else b"."))
        try:
            yield folder, name
        finally:
            with contextlib.suppress(OSError):
                io.close(folder)
    except OSError as error:
        raise UsageProblem(
            f"the list cannot be written to {shown(path)} ({said(error)})",
            hint="name a file in a folder that is there and that you may write into",
        ) from error
