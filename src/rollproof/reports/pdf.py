"""The report as PDF, with the same words and plots as the page. Needs reportlab (the extra `report`), loaded only here,
in `pdf_fonts` and in `pdf_plots`.

Letters that no font at hand can draw are shown by their number, as every other report shows what cannot be seen.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Sequence
from typing import Any
from xml.sax.saxutils import escape

from rollproof.reports import words
from rollproof.reports.model import Report, RollOfReport, Totals
from rollproof.reports.page import HEALTH, KNOWN_FROM, PROOFS, answer_of, plots_of, title_of
from rollproof.reports.pdf_fonts import fonts, styles
from rollproof.reports.pdf_plots import drawing
from rollproof.reports.plots import when_full

_CELL_LETTERS = 160
"""A cell must fit on a page; the page and the JSON have the rest."""
_PAGE_POINTS = 539.0
"""Width of the text on an A4 page with margins of 10 mm."""


class NoPdf(Exception):
    """The package that writes PDF is not installed; the message says what to install."""


def page_pdf(report: Report) -> bytes:
    """The document. Raises NoPdf where reportlab is not installed."""
    try:
        from reportlab.platypus import SimpleDocTemplate  # noqa: PLC0415 - heavy, and optional
    except ImportError:
        raise NoPdf("PDF needs the Python package reportlab: pip install 'rollproof[report]'") from None
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=(595.28, 841.89),
        leftMargin=28,
        rightMargin=28,
        topMargin=34,
        bottomMargin=40,
        title=title_of(report),
        author="Rollproof",
        lang="en",
        invariant=True,
    )
    drawer = _Drawer()
    foot = drawer.foot(title_of(report))
    document.build(list(drawer.story(report)), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


class _Drawer:
    """Makes the parts of the document, with fonts chosen once."""

    def __init__(self) -> None:
        self._plain, self._bold, self._letters = fonts()
        self._styles = styles(self._plain, self._bold)

    def foot(self, title: str) -> Any:
        """What draws the foot of each page: the title and its number."""
        text = self._drawable(title)

        def draw(canvas: Any, document: Any) -> None:
            canvas.setFont(self._plain, 7)
            canvas.drawString(28, 22, text[:120])
            canvas.drawRightString(595.28 - 28, 22, f"page {document.page}")

        return draw

    # --- the parts in order

    def story(self, report: Report) -> Iterator[Any]:
        """Everything, from the title on."""
        verdict, sentence = answer_of(report)
        yield self._p(title_of(report), "h1")
        if report.units:
            yield self._p("Unit: " + ", ".join(report.units))
        if report.people:
            yield self._p("People: " + "; ".join(words.person(each.name, each.role) for each in report.people))
        by = words.person(report.made_by.name, report.made_by.role)
        yield self._p(
            f"Written {words.moment(report.made_at)} by {by} on {report.station}, Rollproof {report.version}."
        )
        looked = ", ".join(report.looked_at)
        yield self._p(
            f"Drives looked at: {looked}." if looked else "No drive was looked at: this is the station's memory."
        )
        if report.unfinished:
            yield self._p("Not finished", "h2")
            for line in report.unfinished:
                yield self._p(f"• {line}")
        if report.open_findings:
            yield self._p("Open findings", "h2")
            for each in report.open_findings:
                yield self._p(f"• {', '.join(each.rolls)}: {each.detail[:500]}")
            yield self._p(
                "Nobody has accepted them yet: look at the pictures, tell the camera team, then accept each by its name"
                " with rollproof audit DRIVE --accept NAME --reason TEXT --by NAME."
            )
        yield self._boxed(verdict, sentence)
        for roll in report.lacking:
            yield self._p(
                f"• Roll {roll.roll}: {roll.state}, {roll.devices_proven} of {roll.copies_required} proven copies on"
                " devices of their own."
            )
        yield self._p(
            "This report says what records and drives say; it proves nothing by itself. Ask the card itself with"
            " rollproof may-wipe before anything is formatted, and mind that the production's insurer, completion"
            " guarantor or data policy may ask for more."
        )
        yield self._p("Totals", "h2")
        yield self._totals("What", [report.total])
        yield self._totals("Camera", report.per_camera)
        if report.scope == "production":
            yield self._totals("Day", report.per_day)
        yield self._p("Rolls", "h2")
        if report.rolls:
            yield self._overview(report.rolls)
        else:
            yield self._p("No roll is known for this.")
        for roll in report.rolls:
            yield from self._roll(roll)
        plots = plots_of(report)
        if plots:
            yield self._p("In pictures", "h2")
        for plot in plots:
            yield self._kept(
                [
                    self._p(plot.title, "h3"),
                    drawing(plot, _PAGE_POINTS, self._plain, self._drawable),
                    self._p(plot.told),
                ]
            )
        if report.drives:
            yield self._p("Drives", "h2")
            yield self._drives(report)
        if report.notes:
            yield self._p("What this report does not know", "h2")
            for note in report.notes:
                yield self._p(f"• {note}")

    def _totals(self, first: str, lines: Sequence[Totals]) -> Any:
        return self._table(
            [first, "Rolls", "of these proven", "Clips", "Footage", "Files", "Size"],
            [
                [
                    line.name,
                    words.number(line.rolls),
                    words.number(line.rolls_proven),
                    words.number(line.clips),
                    words.length(line.duration_seconds, line.durations_unknown),
                    words.number(line.files),
                    words.size(line.bytes),
                ]
                for line in lines
            ],
            [2, 1, 1.2, 1, 2, 1, 1.2],
            numbers=range(1, 7),
        )

    def _overview(self, rolls: Sequence[RollOfReport]) -> Any:
        """Every roll in one line."""
        return self._table(
            ["Roll", "Day", "Camera", "State", "Proven copies", "Clips", "Footage", "Size", "Card"],
            [
                [
                    roll.roll,
                    roll.day,
                    roll.camera or "none",
                    roll.state,
                    f"{roll.devices_proven}, {roll.copies_required} needed",
                    words.number(roll.clips_count),
                    words.length(roll.duration_seconds, roll.durations_unknown),
                    words.size(roll.bytes),
                    words.permit(roll.permit),
                ]
                for roll in rolls
            ],
            [1.6, 1.3, 0.9, 1.5, 1.4, 0.7, 1.5, 1.1, 1.4],
            numbers=range(4, 8),
        )

    def _roll(self, roll: RollOfReport) -> Iterator[Any]:
        yield self._p(f"Roll {roll.roll}: {roll.state}", "h2")
        where = [roll.production, words.of_day(roll.day), f"unit {roll.unit}" if roll.unit else None]
        where.append(f"camera {roll.camera}" if roll.camera else None)
        footage = words.length(roll.duration_seconds, roll.durations_unknown)
        by = words.person(roll.offloaded_by.name, roll.offloaded_by.role)
        ends = f"; first clip {roll.first_clip}, last clip {roll.last_clip}" if roll.first_clip else ""
        yield self._p(
            f"{', '.join(part for part in where if part)}. Offloaded {words.moment(roll.offloaded_at)} by {by}."
            f" {words.counted(roll.clips_count, 'clip')}, {words.counted(roll.files, 'file')},"
            f" {words.size(roll.bytes)}, footage {footage}{ends}."
        )
        card = roll.card
        if card is not None:
            volume = f", volume {card.serial}" if card.serial else ""
            reads = words.counted(len(card.reads), "time")
            yield self._p(
                f"Card {card.label or 'without a label'}{volume}, {words.size(card.capacity_bytes)}; read {reads}."
            )
        if roll.permit is not None:
            by = words.person(roll.permit.by.name, roll.permit.by.role)
            yield self._p(f"Permit to wipe the card: {words.permit(roll.permit).removeprefix('permit ')}, by {by}.")
        else:
            yield self._p("No permit to wipe the card is known.")
        yield self._table(
            ["Drive", "Device", "State", "Proof", "Since", "Written at", "Known from"],
            [
                [
                    copy.drive + (f" ({copy.role})" if copy.role and copy.role != copy.drive else ""),
                    (copy.device or "could not be told") + (f", serial {copy.serial}" if copy.serial else ""),
                    copy.state + (f": {copy.why}" if copy.why and copy.state != "proven" else ""),
                    PROOFS.get(copy.proof, words.NOT_KNOWN),
                    words.moment(copy.state_at),
                    words.speed(copy.bytes_per_second),
                    KNOWN_FROM.get(copy.known_from, words.NOT_KNOWN),
                ]
                for copy in roll.copies
            ],
            [1.6, 2, 1, 1.8, 1.6, 1.1, 1.2],
            numbers=[5],
        )
        for finding in roll.findings:
            on = f" on {finding.drive}" if finding.drive else ""
            yield self._p(f"• {finding.severity}{on}: {finding.detail[:500]}")
        if roll.clips:
            yield self._clips(roll)

    def _clips(self, roll: RollOfReport) -> Any:
        pictures = any(clip.poster for clip in roll.clips)
        head = ["Clip", "Health", "Timecode", "Duration", "Frame rate", "Picture size", "Size", "Hash"]
        rows: list[list[Any]] = [
            [
                clip.name,
                HEALTH.get(clip.health, words.NOT_KNOWN),
                clip.timecode or words.NOT_KNOWN,
                clip.duration or words.NOT_KNOWN,
                clip.frame_rate or words.NOT_KNOWN,
                clip.resolution or words.NOT_KNOWN,
                words.size(clip.bytes),
                clip.hash or words.NOT_KNOWN,
            ]
            for clip in roll.clips
        ]
        widths = [2, 0.9, 1.2, 1.3, 0.9, 1.1, 1, 2.6]
        if pictures:
            head.insert(0, "Picture")
            widths.insert(0, 1.5)
            for row, clip in zip(rows, roll.clips, strict=True):
                row.insert(0, self._picture(clip.poster))
        first = 1 if pictures else 0
        return self._table(head, rows, widths, numbers=[first + 2, first + 3, first + 4, first + 6])

    def _drives(self, report: Report) -> Any:
        return self._table(
            ["Drive", "Device", "Capacity", "Free", "Footage on it", "Footage per day", "When it is full"],
            [
                [
                    drive.drive + (f" ({drive.role})" if drive.role and drive.role != drive.drive else ""),
                    drive.device or "could not be told",
                    words.size(drive.capacity_bytes) if drive.capacity_bytes else words.NOT_KNOWN,
                    words.size(drive.free_bytes) if drive.free_bytes is not None else "not looked at",
                    words.size(drive.footage_bytes),
                    words.size(drive.bytes_per_day),
                    when_full(drive),
                ]
                for drive in report.drives
            ],
            [1.5, 2, 1, 1, 1.1, 1.1, 2.4],
            numbers=[2, 3, 4, 5],
        )

    # --- how they are drawn

    def _drawable(self, text: str, longest: int = 1000) -> str:
        """Inert text in which every letter that the font lacks stands by its number."""
        shown = "".join(
            letter if ord(letter) in self._letters else f"\\u{{{ord(letter):x}}}"
            for letter in words.clear(text, longest)
        )
        return shown if len(shown) <= longest else shown[: longest - 1] + "…"

    def _p(self, text: str, style: str = "text", longest: int = 1000) -> Any:
        from reportlab.platypus import Paragraph  # noqa: PLC0415 - as above

        return Paragraph(escape(self._drawable(text, longest)), self._styles[style])

    def _kept(self, parts: list[Any]) -> Any:
        from reportlab.platypus import KeepTogether  # noqa: PLC0415 - as above

        return KeepTogether(parts)

    def _boxed(self, verdict: str, sentence: str) -> Any:
        from reportlab.platypus import Table  # noqa: PLC0415 - as above

        box = Table([[self._p(verdict, "h3")], [self._p(sentence)]], colWidths=[_PAGE_POINTS])
        box.setStyle([("BOX", (0, 0), (-1, -1), 1.2, "#000000"), ("BOTTOMPADDING", (0, 1), (-1, 1), 6)])
        box.spaceBefore = box.spaceAfter = 6
        return box

    def _table(
        self, head: Sequence[str], rows: Sequence[Sequence[Any]], widths: Sequence[float], numbers: Sequence[int]
    ) -> Any:
        from reportlab.platypus import Table  # noqa: PLC0415 - as above

        def cell(value: Any, column: int) -> Any:
            if not isinstance(value, str):
                return value
            return self._p(value, "number" if column in numbers else "cell", _CELL_LETTERS)

        share = _PAGE_POINTS / sum(widths)
        table = Table(
            [[self._p(name, "number head" if at in numbers else "head") for at, name in enumerate(head)]]
            + [[cell(value, column) for column, value in enumerate(row)] for row in rows],
            colWidths=[width * share for width in widths],
            repeatRows=1,
        )
        table.setStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.9, "#000000"),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, "#999999"),
                ("LEFTPADDING", (0, 0), (-1, -1), 1),
                ("RIGHTPADDING", (0, 0), (-1, -1), 5),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ]
        )
        table.spaceAfter = 5
        return table

    def _picture(self, poster: str | None) -> Any:
        from reportlab.platypus import Image  # noqa: PLC0415 - as above

        if poster is None:
            return "none"
        data = base64.b64decode(poster.partition(",")[2])
        picture = Image(io.BytesIO(data))
        picture._restrictSize(56, 45)  # its own way to keep the proportions
        return picture
