"""Type, paragraphs and tables of the pages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color
from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Paragraph, Table

from reports.drawing import palette
from reports.drawing.fonts import BOLD, REGULAR, SEMIBOLD, printable

BODY = ParagraphStyle("body", fontName=REGULAR, fontSize=8.6, leading=10.8, textColor=palette.INK, splitLongWords=1)
LEAD = ParagraphStyle("lead", BODY, fontSize=9.6, leading=12.2)
SMALL = ParagraphStyle("small", BODY, fontSize=7.4, leading=9.1)
SOFT = ParagraphStyle("soft", SMALL, textColor=palette.SOFT_INK)
CELL = ParagraphStyle("cell", BODY, fontSize=8.2, leading=9.8)
CELL_RIGHT = ParagraphStyle("cell-right", CELL, alignment=TA_RIGHT)
HEAD = ParagraphStyle("head", SMALL, fontName=SEMIBOLD, textColor=palette.SOFT_INK, alignment=TA_LEFT)
HEAD_RIGHT = ParagraphStyle("head-right", HEAD, alignment=TA_RIGHT)
SMALL_RIGHT = ParagraphStyle("small-right", SMALL, alignment=TA_RIGHT)
HASH = ParagraphStyle("hash", SMALL, fontSize=6.5, leading=9.8)
PART = ParagraphStyle("part", BODY, fontName=SEMIBOLD, fontSize=14, leading=17, spaceBefore=12)
TITLE = ParagraphStyle("title", BODY, fontName=BOLD, fontSize=23, leading=25)
SUBTITLE = ParagraphStyle("subtitle", BODY, fontSize=12.5, leading=15)
HEADLINE = ParagraphStyle("headline", BODY, fontName=SEMIBOLD, fontSize=15, leading=18, spaceAfter=2)
SECTION = ParagraphStyle(
    "section", BODY, fontName=SEMIBOLD, fontSize=10.4, leading=12.5, spaceBefore=6.5, spaceAfter=2.5
)
ITEM = ParagraphStyle("item", BODY, leftIndent=9, bulletFontName=REGULAR, bulletFontSize=8.6, spaceAfter=1.2)
SMALL_ITEM = ParagraphStyle(
    "small-item", SMALL, leftIndent=8, bulletFontName=REGULAR, bulletFontSize=7.4, spaceAfter=0.8
)

TableCommand = tuple[Any, ...]
"""One line of ReportLab's table style language."""

_BASE: list[TableCommand] = [
    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ("TOPPADDING", (0, 0), (-1, -1), 1.3),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.9),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]

_ROOM_BELOW_HEADING = 75.0
_KEPT_TOGETHER = 210.0
"""Longer sections may be broken: a quarter of a page left empty is worse than a table that runs on."""
_ANY_HEIGHT = 1e6

NO_PADDING: tuple[TableCommand, ...] = tuple(
    (f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")
)
CLOSE: tuple[TableCommand, ...] = (
    ("TOPPADDING", (0, 0), (-1, -1), 0.4),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
)
"""Closer rows, for what only an expert reads."""


def markup(text: str) -> str:
    """Text of the record for use in a paragraph: escaped, printable, its line breaks kept."""
    return escape(printable(text)).replace("\n", "<br/>")


def bold(text: str) -> str:
    return f"<b>{markup(text)}</b>"


def coloured(text: str, colour: Color) -> str:
    return f'<font color="#{colour.hexval()[2:]}">{markup(text)}</font>'


def paragraph(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain text."""
    return Paragraph(markup(text), style)


class Kept(KeepTogether):
    """Flowables on one page; unlike its parent it tells how high they are."""

    def __init__(self, flowables: list[Flowable], height: float) -> None:
        super().__init__(flowables)
        self.content_height = height


def section(title: str, body: Sequence[Flowable], width: float) -> list[Flowable]:
    """A heading and what stands under it: on one page if short, else begun where some of it still fits."""
    whole = [paragraph(title, SECTION), *body]
    height = height_of(whole, width)
    if height <= _KEPT_TOGETHER:
        return [Kept(whole, height)]
    return [CondPageBreak(_ROOM_BELOW_HEADING), *whole]


def height_of(flowables: Iterable[Flowable], width: float) -> float:
    """How much of a page they take, in points; rather too much than too little."""
    return sum(_height(each, width) for each in flowables)


def _height(flowable: Flowable, width: float) -> float:
    if isinstance(flowable, Kept):
        return flowable.content_height
    return flowable.wrap(width, _ANY_HEIGHT)[1] + max(flowable.getSpaceBefore(), flowable.getSpaceAfter())


def bullet(text: str, style: ParagraphStyle = ITEM) -> Paragraph:
    return Paragraph(markup(text), style, bulletText="•")


def bullet_markup(marked_up: str, style: ParagraphStyle = ITEM) -> Paragraph:
    return Paragraph(marked_up, style, bulletText="•")


Cell = str | Flowable | list[Flowable]


def ruled_table(
    head: Sequence[Sequence[Cell]],
    rows: Sequence[Sequence[Cell]],
    widths: Sequence[float],
    *commands: TableCommand,
) -> Table:
    """A table with thin rules between its rows; the head is repeated on every page that it runs over.

    Rows are never split, so that free text of any length belongs below a table, not in it.
    """
    cells = [[_cell(cell, HEAD) for cell in row] for row in head]
    cells += [[_cell(cell, CELL) for cell in row] for row in rows]
    first = len(head)
    rules: list[TableCommand] = [
        ("LINEBELOW", (0, first - 1), (-1, first - 1), 0.9, palette.INK),
        ("LINEBELOW", (0, first), (-1, -1), 0.35, palette.RULE),
    ]
    return Table(cells, colWidths=list(widths), repeatRows=first, style=[*_BASE, *rules, *commands])


def plain_table(rows: Sequence[Sequence[Cell]], widths: Sequence[float], *commands: TableCommand) -> Table:
    """Cells side by side without rules."""
    cells = [[_cell(cell, CELL) for cell in row] for row in rows]
    return Table(cells, colWidths=list(widths), style=[*_BASE, *commands], splitInRow=1)


def _cell(cell: Cell, style: ParagraphStyle) -> Flowable | list[Flowable]:
    """Strings are markup already; flowables stay."""
    return Paragraph(cell, style) if isinstance(cell, str) else cell
