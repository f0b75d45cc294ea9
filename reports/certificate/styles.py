"""Type, paragraphs and tables of the pages."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, Final
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color
from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Paragraph, Table

from reports.drawing import palette
from reports.drawing.fonts import BOLD, REGULAR, SEMIBOLD, printable

BODY = ParagraphStyle("body", fontName=REGULAR, fontSize=8.6, leading=10.8, textColor=palette.INK, splitLongWords=1)
LEAD = ParagraphStyle("lead", BODY, fontSize=9.6, leading=12.2)
SMALL = ParagraphStyle("small", BODY, fontSize=7.5, leading=8.9)
"""The smallest type of the pages: what only an expert reads."""
SOFT = ParagraphStyle("soft", SMALL, textColor=palette.SOFT_INK)
SOFT_RIGHT = ParagraphStyle("soft-right", SOFT, alignment=TA_RIGHT)
CELL = ParagraphStyle("cell", BODY, fontSize=8.2, leading=9.8)
CELL_RIGHT = ParagraphStyle("cell-right", CELL, alignment=TA_RIGHT)
HEAD = ParagraphStyle("head", SMALL, fontName=SEMIBOLD, textColor=palette.SOFT_INK, alignment=TA_LEFT)
HEAD_RIGHT = ParagraphStyle("head-right", HEAD, alignment=TA_RIGHT)
SMALL_RIGHT = ParagraphStyle("small-right", SMALL, alignment=TA_RIGHT)
PART = ParagraphStyle("part", BODY, fontName=SEMIBOLD, fontSize=13, leading=15, spaceBefore=8)
TITLE = ParagraphStyle("title", BODY, fontName=BOLD, fontSize=23, leading=25)
SUBTITLE = ParagraphStyle("subtitle", BODY, fontSize=12.5, leading=15)
HEADLINE = ParagraphStyle("headline", BODY, fontName=SEMIBOLD, fontSize=16, leading=18, spaceAfter=2)
SECTION = ParagraphStyle("section", BODY, fontName=SEMIBOLD, fontSize=10, leading=11.5, spaceBefore=3.8, spaceAfter=1.5)
ITEM = ParagraphStyle("item", BODY, leftIndent=9, bulletFontName=REGULAR, bulletFontSize=8.6, spaceAfter=1.2)
SMALL_ITEM = ParagraphStyle(
    "small-item", SMALL, leftIndent=8, bulletFontName=REGULAR, bulletFontSize=7.5, spaceAfter=0.6
)

TableCommand = tuple[Any, ...]
"""One line of ReportLab's table style language."""

_PADDING = 3.0
_BASE: list[TableCommand] = [
    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
    ("LEFTPADDING", (0, 0), (-1, -1), _PADDING),
    ("RIGHTPADDING", (0, 0), (-1, -1), _PADDING),
    ("TOPPADDING", (0, 0), (-1, -1), 1.3),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.9),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]

_ROOM_BELOW_HEADING = 58.0
"""A heading, a table's head and its first row."""
_KEPT_TOGETHER = 210.0
"""Longer sections may be broken: a quarter of a page left empty is worse than a table that runs on."""
_ANY_HEIGHT = 1e6
_MOST_LINES = 9
_TOO_WIDE = 2_000
"""Wider than any page, in points."""

NO_PADDING: tuple[TableCommand, ...] = tuple(
    (f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")
)
CLOSE: tuple[TableCommand, ...] = (
    ("TOPPADDING", (0, 0), (-1, -1), 0.4),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
)
"""Closer rows."""


_NO_BREAK: Final = str.maketrans("\u202f", "\u00a0")
"""ReportLab ends lines at a narrow no-break space."""


def markup(text: str) -> str:
    """Text of the record for use in a paragraph: escaped, printable, its line breaks kept."""
    return escape(printable(text.translate(_NO_BREAK))).replace("\n", "<br/>")


def bold(text: str) -> str:
    return f"<b>{markup(text)}</b>"


def coloured(text: str, colour: Color) -> str:
    return f'<font color="#{colour.hexval()[2:]}">{markup(text)}</font>'


def paragraph(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain text."""
    return Paragraph(markup(text), style)


class Heading(Paragraph):
    """A heading that is also a bookmark, at a level counted from 0."""

    def __init__(self, text: str, style: ParagraphStyle, level: int) -> None:
        super().__init__(markup(text), style)
        self._told = printable(text)
        self._level = level

    def draw(self) -> None:
        sheets: Any = self.canv  # of `layout`
        sheets.note_heading(self._told, self._level, self.height)
        super().draw()


class Kept(KeepTogether):
    """A section on one page; unlike its parent it tells how high it is, and how much room its beginning needs."""

    def __init__(self, flowables: list[Flowable], height: float, room: float) -> None:
        super().__init__(flowables)
        self.flowables = flowables
        self.content_height = height
        self.room = min(height, room)


def section(title: str, body: Sequence[Flowable], width: float, part: str = "") -> list[Flowable]:
    """A heading and what stands under it: on one page if short, else begun where some of it still fits.

    `part` is the heading of all that follows, above the section's own.
    """
    above: list[Flowable] = [Heading(part, PART, 0)] if part else []
    whole = [*above, Heading(title, SECTION, 1), *body]
    kept = Kept(whole, height_of(whole, width), height_of(above, width) + _ROOM_BELOW_HEADING)
    return [kept] if kept.content_height <= _KEPT_TOGETHER else opened([kept])


def opened(flowables: Iterable[Flowable]) -> list[Flowable]:
    """The same with sections that may break, begun where some of what stands under their heading still fits."""
    parts = ([CondPageBreak(each.room), *each.flowables] if isinstance(each, Kept) else [each] for each in flowables)
    return [each for part in parts for each in part]


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


def widths_for(columns: Sequence[Sequence[Paragraph]], width: float) -> list[float]:
    """Widths at which the highest cell has as few lines as can be; what is left goes to all columns alike."""
    for lines in range(1, _MOST_LINES):
        narrowest = [max(_narrowest(cell, lines) for cell in column) + 2 * _PADDING for column in columns]
        left = (width - sum(narrowest)) / len(narrowest)
        if left >= 0:
            return [each + left for each in narrowest]
    return [width / len(columns)] * len(columns)


def _narrowest(cell: Paragraph, lines: int) -> float:
    return _narrowest_of(cell.text, cell.style, lines)


@lru_cache(maxsize=4096)
def _narrowest_of(text: str, style: ParagraphStyle, lines: int) -> float:
    """The least width, to the point, that breaks no word and takes no more lines.

    Remembered, since the same headings and much the same figures stand in every document.
    """
    cell = Paragraph(text, style)
    least, highest = math.ceil(cell.minWidth()) + 1, lines * style.leading
    widths = range(least, _TOO_WIDE)
    return float(least + bisect_left(widths, True, key=lambda width: cell.wrap(width, _ANY_HEIGHT)[1] <= highest))


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
    return _ruled(head, rows, CELL, widths, commands)


def small_table(
    head: Sequence[Sequence[Cell]],
    rows: Sequence[Sequence[Cell]],
    widths: Sequence[float],
    *commands: TableCommand,
) -> Table:
    """The same in small type and closer rows, for what only an expert reads."""
    return _ruled(head, rows, SMALL, widths, (*CLOSE, *commands))


def _ruled(
    head: Sequence[Sequence[Cell]],
    rows: Sequence[Sequence[Cell]],
    style: ParagraphStyle,
    widths: Sequence[float],
    commands: Sequence[TableCommand],
) -> Table:
    cells = [[_cell(cell, HEAD) for cell in row] for row in head]
    cells += [[_cell(cell, style) for cell in row] for row in rows]
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


def two_columns(flowables: Sequence[Flowable], width: float) -> Table:
    """In reading order down the first column and the second, broken where they come out most even."""
    heights = [_height(each, width / 2) for each in flowables]
    counts = range(len(heights), 0, -1)  # of equals the one with more in the first column
    first = min(counts, key=lambda count: max(sum(heights[:count]), sum(heights[count:])))
    columns = [[list(flowables[:first]), list(flowables[first:])]]
    return plain_table(columns, [width / 2] * 2, ("LEFTPADDING", (0, 0), (0, -1), 0))


def _cell(cell: Cell, style: ParagraphStyle) -> Flowable | list[Flowable]:
    """Strings are markup already; flowables stay."""
    return Paragraph(cell, style) if isinstance(cell, str) else cell
