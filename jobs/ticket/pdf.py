"""A job's ticket as a PDF for paper."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from textwrap import shorten
from typing import Any

from reportlab.lib.colors import Color, HexColor, black, white
from reportlab.lib.enums import TA_CENTER, TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from jobs.ticket.codes import Code, code_128, qr_code
from jobs.ticket.contents import BOX, Ticket, TicketItem
from jobs.ticket.drawing import Drawing
from jobs.ticket.type import BOLD, PLAIN, Typesetter, fonts_ready
from shop.models import Units

PAPERS = {"a4": A4, "letter": LETTER}
MARGIN = 13 * mm
QR_SIDE = 34 * mm
BAR = 0.34 * mm  # of a Code 128: what a cheap hand scanner reads at arm's length; common practice, no source
MANY_ITEMS = 8  # from then on the route goes before the items, so that it stays on the first page
GREY, PALE = HexColor("#5a5a5a"), HexColor("#e9e9e9")

BODY = ParagraphStyle("body", fontName=PLAIN, fontSize=9.5, leading=12)
SMALL = ParagraphStyle("small", BODY, fontSize=8, leading=10)
TINY = ParagraphStyle("tiny", BODY, fontSize=7.5, leading=9, spaceAfter=0.8 * mm)
LABEL = ParagraphStyle("label", BODY, fontSize=7.5, leading=9, textColor=GREY)
HEADING = ParagraphStyle("heading", BODY, fontName=BOLD, fontSize=11.5, leading=14)
NUMBER = ParagraphStyle("number", BODY, fontName=BOLD, fontSize=34, leading=36)
TITLE = ParagraphStyle("title", BODY, fontName=BOLD, fontSize=15, leading=18)
DUE = ParagraphStyle("due", BODY, fontName=BOLD, fontSize=20, leading=24)
SCAN = ParagraphStyle("scan", HEADING, alignment=TA_CENTER)
ADDRESS = ParagraphStyle("address", LABEL, alignment=TA_RIGHT)
COUNT = ParagraphStyle("count", BODY, fontName=BOLD, fontSize=13, leading=15, alignment=TA_RIGHT)


def paper_of(units: str, asked: str = "") -> str:
    """The paper asked for, else the usual one where those units are: 'a4' or 'letter'."""
    if asked in PAPERS:
        return asked
    return "letter" if units == Units.IMPERIAL else "a4"


def ticket_pdf(ticket: Ticket, paper: str = "a4") -> bytes:
    """The ticket on A4 or US Letter ('letter'); the same ticket gives the same bytes."""
    fonts_ready()
    count = _build(ticket, paper, 0)[1]
    return _build(ticket, paper, count)[0]


def _build(ticket: Ticket, paper: str, pages: int) -> tuple[bytes, int]:
    """The file and how many pages it has; they are counted at the first building, and said at the second."""
    out, setter = BytesIO(), Typesetter()
    width, height = PAPERS[paper]
    document = BaseDocTemplate(
        out,
        pagesize=PAPERS[paper],
        title=f"Ticket of job {ticket.title}",
        author=ticket.job.shop.name,
        invariant=1,
    )
    foot = Paragraph(setter(shorten(ticket.title, 95, placeholder=" …"), bold=True), SMALL)

    def page_foot(canvas: Canvas, built: Any) -> None:
        foot.wrap(width - 2 * MARGIN - 30 * mm, 10 * mm)
        foot.drawOn(canvas, MARGIN, MARGIN - 2 * mm)
        canvas.setFont(PLAIN, 8)
        canvas.drawRightString(width - MARGIN, MARGIN - 2 * mm + 2, f"page {built.page} of {pages}")

    inside = (MARGIN, MARGIN + 5 * mm, width - 2 * MARGIN, height - 2 * MARGIN - 5 * mm)
    frame = Frame(*inside, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    document.addPageTemplates([PageTemplate(frames=[frame], onPage=page_foot)])
    document.build(_Story(ticket, setter, inside[2]).parts())
    return out.getvalue(), document.page


class _Story:
    """The parts of a ticket, in order. width: points between the margins."""

    def __init__(self, ticket: Ticket, setter: Typesetter, width: float) -> None:
        self.ticket, self.set, self.width = ticket, setter, width

    def parts(self) -> list[Flowable]:
        """Everything, the first page's head first."""
        head, facts = self._head(), self._facts()
        items, route = self._items(), self._route()
        middle = [*items, *route] if len(self.ticket.items) <= MANY_ITEMS else [*route, *items]
        rest = [*self._notes(), *self._settings(), *self._cautions()]
        return [*head, *self._warnings(), *facts, *middle, *rest]

    def _p(self, text: object, style: ParagraphStyle = BODY, *, bold: bool = False) -> Paragraph:
        return Paragraph(self.set(text, bold=bold or style.fontName == BOLD), style)

    def _heading(self, text: str) -> list[Flowable]:
        return [Spacer(1, 2.6 * mm), self._p(text, HEADING), Spacer(1, 0.5 * mm)]

    def _head(self) -> list[Flowable]:
        ticket, job = self.ticket, self.ticket.job
        number, qr = str(job.number), qr_code(ticket.address)
        bars = _Shapes(code_128(number), BAR, 10 * mm)
        first = Table([[self._p(number, NUMBER), bars]], colWidths=[(8 + 8 * len(number)) * mm, bars.width])
        first.hAlign = "LEFT"
        first.setStyle([("VALIGN", (0, 0), (-1, -1), "MIDDLE"), *_no_padding()])
        words = [first, Spacer(1, 1.5 * mm), self._p(job.title, TITLE)]
        if job.customer:
            words.append(self._p(job.customer.name, TITLE if len(job.customer.name) < 40 else HEADING))
        due = [self._p("Due", LABEL), self._p(ticket.due or "No date given", DUE)]
        scan = [_Shapes(qr, QR_SIDE / qr.width), self._p("Scan to clock", SCAN)]
        table = Table([[[*words, *due], scan]], colWidths=[self.width - QR_SIDE, QR_SIDE])
        table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *_no_padding()])
        return [table, self._p(ticket.address, ADDRESS), Spacer(1, 1.5 * mm)]

    def _warnings(self) -> list[Flowable]:
        found = [self.ticket.unreachable] if self.ticket.unreachable else []
        if scripts := self.set.missing_words:
            found.append(
                f"Letters of this ticket that the PDF has no type for ({scripts}) stand as question marks. Print "
                "the ticket’s page from the browser instead: it has them."
            )
        return [_boxed(self._p(f"Mind: {text}", SMALL, bold=True), self.width) for text in found]

    def _facts(self) -> list[Flowable]:
        cells: list[Any] = [
            [self._p(name, LABEL), self._p(value, bold=True)] for name, value in self.ticket.facts
        ]
        rows: list[list[Any]] = [cells[i : i + 4] for i in range(0, len(cells), 4)]
        rows[-1] += [[]] * (4 - len(rows[-1]))
        widths = [share * self.width for share in (0.34, 0.2, 0.23, 0.23)]
        table = Table(rows, colWidths=widths, splitInRow=1)  # many visits make a row longer than a page
        lines = [("LINEABOVE", (0, 0), (-1, 0), 0.8, black), ("LINEBELOW", (0, -1), (-1, -1), 0.8, black)]
        table.setStyle([*lines, ("VALIGN", (0, 0), (-1, -1), "TOP"), *_tight(0.9)])
        return [table]

    def _items(self) -> list[Flowable]:
        ticket = self.ticket
        if not ticket.items:
            return [*self._heading("Items"), self._p("No items are kept of this job.")]
        head: list[Any] = [
            self._p(name, LABEL) for name in ("", "Item", "", "Width × height", "Cut of one", "Ink")
        ]
        head[2] = self._p("Count", ADDRESS)
        widths = self._widths(BOX[0] + 3, None, 16, 38, 20, 34)
        rows: list[Any] = [head, *(self._item(item) for item in ticket.items)]
        table = Table(rows, colWidths=widths, repeatRows=1)
        table.setStyle([*_ruled(), ("VALIGN", (0, 1), (-1, -1), "MIDDLE"), *_tight(0.8)])
        scale = [self._p(ticket.scale, LABEL)] if ticket.scale else []
        return [*self._heading("Items"), table, *scale]

    def _item(self, item: TicketItem) -> list[Flowable]:
        return [
            _Outline(item.drawing),
            self._p(item.name, bold=True),
            self._p(f"{item.count:,}", COUNT),
            self._p(item.size),
            self._p(item.cut, SMALL),
            self._p(item.ink, SMALL),
        ]

    def _route(self) -> list[Flowable]:
        if not self.ticket.stages:
            return [*self._heading("Route"), self._p("This job has no stages.")]
        head = [
            self._p(name, LABEL) for name in ("", "Stage", "Begins", "Machine", "Started", "Stopped", "Who")
        ]
        widths = self._widths(8, 36, None, 32, 20, 20, 22)
        rows: list[list[Any]] = [head]
        for stage in self.ticket.stages:
            name = f"{stage.name}, {stage.hold}" if stage.hold else stage.name
            begins = stage.finished or stage.waits
            ticked = bool(stage.finished)
            rows.append(
                [
                    _Box(ticked),
                    self._p(name, bold=True),
                    self._p(begins, SMALL),
                    self._p(stage.machine, SMALL),
                ]
                + [""] * 3
            )
        table = Table(
            rows, colWidths=widths, repeatRows=1, rowHeights=[None, *[None] * len(self.ticket.stages)]
        )
        lines = [("LINEBEFORE", (4, 0), (6, -1), 0.4, GREY)]
        table.setStyle([*_ruled(), *lines, ("VALIGN", (0, 1), (-1, -1), "MIDDLE"), *_tight(1.0)])
        return [*self._heading("Route"), table]

    def _settings(self) -> list[Flowable]:
        parts: list[Flowable] = []
        for one in self.ticket.settings:
            ink = f"{one.ink} (not this job’s ink)" if one.other else one.ink
            note = f" {one.note}" if one.note else ""
            parts.append(self._p(f"{one.machine}, {ink}: {one.words}", bold=True))
            parts.append(self._p(f"{one.outcome}, {one.used}.{note}", SMALL))
        if not parts:
            parts.append(self._p(self.ticket.why_no_settings, SMALL))
        blank = "Used this time:   force ________ gf   blade ______________   passes ______   heat ________"
        parts += [Spacer(1, 2 * mm), self._p(blank, SMALL)]
        return [KeepTogether([*self._heading("Set the last time"), *parts])]

    def _notes(self) -> list[Flowable]:
        if not self.ticket.notes:
            return []
        return [*self._heading("Notes"), self._p(self.ticket.notes)]

    def _cautions(self) -> list[Flowable]:
        ticket = self.ticket
        if not ticket.cautions:
            return []
        lines = [
            Paragraph(f"{self.set(f'{name}:', bold=True)} {self.set(text)}", TINY)
            for name, text in ticket.cautions
        ]
        half = _half([len(text) for _, text in ticket.cautions])
        columns = Table([[lines[:half], lines[half:]]], colWidths=[self.width / 2] * 2, splitInRow=1)
        gap = ("RIGHTPADDING", (0, 0), (0, 0), 4 * mm)
        columns.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *_no_padding(), gap])
        return [
            KeepTogether(
                [*self._heading("Take care"), columns, self._p(ticket.local_rules, SMALL, bold=True)]
            )
        ]

    def _widths(self, *wanted: float | None) -> list[float]:
        """Widths in mm as points; the one that is None takes what is left."""
        fixed = sum(width * mm for width in wanted if width is not None)
        return [self.width - fixed if width is None else width * mm for width in wanted]


class _Shapes(Flowable):
    """A code. module: points; height: points, else as the code says."""

    def __init__(self, code: Code, module: float, height: float | None = None) -> None:
        super().__init__()
        self.code, self.module = code, module
        self.tall = module if height is None else height / code.height
        self.width, self.height = code.width * module, code.height * self.tall

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        path = self.canv.beginPath()
        for x, y, w, h in self.code.dark:
            top = self.height - y * self.tall
            path.rect(x * self.module, top - h * self.tall, w * self.module, h * self.tall)
        self.canv.setFillColor(black)
        self.canv.drawPath(path, stroke=0, fill=1)


class _Outline(Flowable):
    """An item's drawing."""

    def __init__(self, drawing: Drawing) -> None:
        super().__init__()
        self.drawing, self.width, self.height = drawing, BOX[0] * mm, BOX[1] * mm

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        canvas, one = self.canv, self.drawing
        canvas.setLineWidth(0.4)
        canvas.setStrokeColor(GREY)
        canvas.setDash(1.5, 1.5)
        for x1, y1, x2, y2 in one.edges:
            canvas.line(x1 * mm, self.height - y1 * mm, x2 * mm, self.height - y2 * mm)
        canvas.setDash()
        canvas.setLineWidth(0.9)
        canvas.setStrokeColor(black)
        canvas.setFillColor(PALE)
        bottom = self.height - (one.y + one.height) * mm
        canvas.rect(one.x * mm, bottom, one.width * mm, one.height * mm, stroke=1, fill=1)


class _Box(Flowable):
    """A box to tick, ticked already where the stage is finished."""

    def __init__(self, ticked: bool, side: float = 4.4 * mm) -> None:
        super().__init__()
        self.ticked, self.width, self.height = ticked, side, side

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        side = self.width
        self.canv.setLineWidth(1)
        self.canv.setStrokeColor(black)
        self.canv.setFillColor(white)
        self.canv.rect(0, 0, side, side, stroke=1, fill=1)
        if self.ticked:
            self.canv.setLineWidth(1.6)
            self.canv.lines([(0.2 * side, 0.5 * side, 0.42 * side, 0.22 * side)])
            self.canv.lines([(0.42 * side, 0.22 * side, 0.82 * side, 0.82 * side)])


def _half(lengths: Sequence[int]) -> int:
    """How many of the texts make up the first of two columns that end at about the same height."""
    lines = [2 + length // 70 for length in lengths]
    return min(range(len(lines) + 1), key=lambda n: (max(sum(lines[:n]), sum(lines[n:])), -n))


Commands = Sequence[tuple[Any, ...]]


def _tight(padding: float) -> Commands:
    """Padding above and below, mm."""
    return [
        ("TOPPADDING", (0, 0), (-1, -1), padding * mm),
        ("BOTTOMPADDING", (0, 0), (-1, -1), padding * mm),
        ("LEFTPADDING", (0, 0), (-1, -1), 1 * mm),
        ("RIGHTPADDING", (0, 0), (-1, -1), 1 * mm),
    ]


def _no_padding() -> Commands:
    sides = ("LEFTPADDING", "RIGHTPADDING", "TOPPADDING", "BOTTOMPADDING")
    return [(side, (0, 0), (-1, -1), 0) for side in sides]


def _ruled(colour: Color = GREY) -> Commands:
    return [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, colour),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
    ]


def _boxed(paragraph: Paragraph, width: float) -> Table:
    table = Table([[paragraph]], colWidths=[width])
    table.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1, black), *_tight(1)]))
    return table
