"""The sheet: margins, foot line with "page x of y", and the file's own description of itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from typing import Any, Literal

from django.utils.translation import gettext as _
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate

from reports.drawing import palette
from reports.drawing.fonts import REGULAR, printable

from .display import Display
from .document import Document
from .texts import kind_title

PageSize = Literal["A4", "Letter"]
PAGE_SIZES: dict[PageSize, tuple[float, float]] = {"A4": A4, "Letter": LETTER}
MARGIN = 42.0
_TOP, _BOTTOM = 27.0, 40.0
_FOOT_SIZE = 7.5


def content_width(page_size: PageSize) -> float:
    return PAGE_SIZES[page_size][0] - 2 * MARGIN


@dataclass(frozen=True, slots=True)
class Built:
    """A finished file, and how it fills its sheets."""

    pdf: bytes
    pages: int
    last_page_filled: float
    """Share of the last page's height that is used."""


class _Template(BaseDocTemplate):
    """Remembers how far down its last page was filled."""

    filled = 0.0

    def afterPage(self) -> None:  # noqa: N802 - ReportLab's name
        frame: Any = self.frame
        self.filled = 1 - (frame._y - frame._y1) / frame._height


def content_height(page_size: PageSize) -> float:
    return PAGE_SIZES[page_size][1] - _TOP - _BOTTOM


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a file says of itself, what stands at the foot of each of its pages, and how large these are."""

    title: str
    author: str
    subject: str
    language: str
    foot: str
    made_at: datetime
    size: tuple[float, float]

    @classmethod
    def of(cls, document: Document, page_size: PageSize) -> Sheet:
        """Which document, which vehicle, whose times (ISO/IEC 17025 7.8.2.1 d)."""
        title = f"{kind_title(document.kind)} {document.number}"
        vin = " ".join((_("VIN"), document.vehicle.vin))
        zone = _("times in %(zone)s") % {"zone": Display.of(document).zone(document.issued_at)}
        return cls(
            title=title,
            author=document.workshop.name,
            subject=_("Ride-height adjustment of vehicle %(vin)s") % {"vin": document.vehicle.vin},
            language=document.language,
            foot=f"{title} · {vin} · {zone}",
            made_at=document.issued_at,
            size=PAGE_SIZES[page_size],
        )


def build_pdf(document: Document, story: Sequence[Flowable], page_size: PageSize) -> Built:
    """The story of a document on as many sheets as it needs."""
    return build_sheets(Sheet.of(document, page_size), story)


def build_sheets(sheet: Sheet, story: Sequence[Flowable]) -> Built:
    """The story on as many sheets as it needs. No clock, no randomness: equal stories give equal bytes.

    Streams stay uncompressed, as what deflate makes of them differs between builds of zlib.
    """
    target = BytesIO()
    template = _Template(
        target,
        pagesize=sheet.size,
        invariant=1,
        pageCompression=0,
        lang=sheet.language,
        title=sheet.title,
        author=sheet.author,
        subject=sheet.subject,
        creator="Levelbook",
        initialFontName=REGULAR,
    )
    template.addPageTemplates(PageTemplate("sheet", [_frame(*sheet.size)]))
    template.build(list(story), canvasmaker=_canvas_maker(sheet))
    return Built(target.getvalue(), template.page, template.filled)


def _frame(width: float, height: float) -> Frame:
    return Frame(
        MARGIN,
        _BOTTOM,
        width - 2 * MARGIN,
        height - _TOP - _BOTTOM,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )


def _canvas_maker(sheet: Sheet) -> Callable[..., Canvas]:
    def make(*args: Any, **kwargs: Any) -> Canvas:
        return _NumberedCanvas(sheet, *args, **kwargs)

    return make


@dataclass(frozen=True, slots=True)
class _IssueTime:
    """When a document was issued, as ReportLab asks for the time of its making."""

    YMDhms: tuple[int, ...]
    dhh: int
    dmm: int

    @classmethod
    def of(cls, issued_at: datetime) -> _IssueTime:
        """In UTC, so that the date does not depend on how an offset of half an hour is written."""
        return cls(issued_at.astimezone(UTC).timetuple()[:6], 0, 0)


def pdf_date(moment: datetime) -> str:
    """As PDF writes a time, in UTC."""
    return f"D:{moment.astimezone(UTC):%Y%m%d%H%M%S}Z"


class _NumberedCanvas(Canvas):
    """Holds the finished pages back until their number is known."""

    def __init__(self, sheet: Sheet, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.setViewerPreference("DisplayDocTitle", "true")
        self._sheet = sheet
        self._doc._timeStamp = _IssueTime.of(sheet.made_at)  # type: ignore[attr-defined]
        self._finished: list[dict[str, Any]] = []
        self._headings: list[tuple[int, str, int, float]] = []

    def showPage(self) -> None:  # noqa: N802 - ReportLab's name
        self._finished.append(dict(self.__dict__))
        self._startPage()  # type: ignore[attr-defined]

    def note_heading(self, text: str, level: int, height: float) -> None:
        """Remember a bookmark to where something is being drawn, whose page has no number yet."""
        self._headings.append((len(self._finished), text, level, self.absolutePosition(0, height)[1]))

    def save(self) -> None:
        for number, page in enumerate(self._finished, start=1):
            self.__dict__.update(page)
            self._add_bookmarks(number - 1)
            _draw_foot(self, self._sheet, (number, len(self._finished)))
            super().showPage()
        super().save()

    def _add_bookmarks(self, page: int) -> None:
        for index, (of_page, text, level, top) in enumerate(self._headings):
            if of_page == page:
                self.bookmarkPage(f"heading-{index}", fit="XYZ", top=top)
                self.addOutlineEntry(text, f"heading-{index}", level)


def _draw_foot(canvas: Canvas, sheet: Sheet, page_of: tuple[int, int]) -> None:
    """What the sheet is of, and which page."""
    right = sheet.size[0] - MARGIN
    canvas.setStrokeColor(palette.RULE)
    canvas.setLineWidth(0.5)
    canvas.line(MARGIN, _BOTTOM - 8, right, _BOTTOM - 8)
    page = _("Page %(number)s of %(total)s") % {"number": page_of[0], "total": page_of[1]}
    canvas.setFillColor(palette.SOFT_INK)
    canvas.setFont(REGULAR, _FOOT_SIZE)
    canvas.drawRightString(right, _BOTTOM - 18, page)
    room = right - MARGIN - stringWidth(page, REGULAR, _FOOT_SIZE) - 14
    identity = printable(sheet.foot)
    width = stringWidth(identity, REGULAR, _FOOT_SIZE)
    canvas.setFont(REGULAR, _FOOT_SIZE * min(1.0, room / width))
    canvas.drawString(MARGIN, _BOTTOM - 18, identity)
