"""A document as a PDF. Equal arguments give equal bytes, today and in ten years."""

from __future__ import annotations

from django.utils import translation
from reportlab.platypus import CondPageBreak, Flowable, PageBreak

from reports.drawing.fonts import register_fonts

from . import styles
from .document import Document
from .evidence import evidence
from .front_page import front_page, short_front_page
from .layout import PAGE_SIZES, Built, PageSize, build_pdf, content_height, content_width
from .proof import Proof

RENDERER_VERSION = "9"
"""Raise it with every change that alters the bytes; older documents then say which version drew them."""


class RenderError(ValueError):
    """A page size or renderer version that this code does not have."""


_USUAL_PAGES = 2
_LEAST_FILLED = 0.25
"""Of a last page that a reader turns to."""


def render(
    document: Document,
    *,
    page_size: PageSize = "A4",
    renderer_version: str = RENDERER_VERSION,
    proof: Proof | None = None,
) -> bytes:
    """The pages of a certificate or findings report, in the document's language and units.

    Without proof they do not say where the record stands in the ledger.
    """
    _check(page_size, renderer_version)
    register_fonts()
    with translation.override(document.language):
        built = build_pdf(document, story(document, page_size, proof), page_size)
        if built.pages > _USUAL_PAGES:
            built = _fewer_pages(document, page_size, proof) or _fuller_last_page(document, page_size, proof, built)
        return built.pdf


def story(
    document: Document, page_size: PageSize, proof: Proof | None = None, *, fill_last_page: bool = False
) -> list[Flowable]:
    """What is on the pages, in order; on request with a page break that brings enough to the last page."""
    width, height = content_width(page_size), content_height(page_size)
    sections = evidence(document, width, RENDERER_VERSION, proof)
    if fill_last_page:
        _break_before_the_end(sections, width, _LEAST_FILLED * height)
    flowables = [flowable for section in sections for flowable in section]
    return [*front_page(document, width, height), CondPageBreak(height / 3), *flowables]


def _fewer_pages(document: Document, page_size: PageSize, proof: Proof | None) -> Built | None:
    """A short front page, what it rests on begun right below, sections broken where the page ends; if that helps."""
    width = content_width(page_size)
    flowables = [each for section in evidence(document, width, RENDERER_VERSION, proof) for each in section]
    built = build_pdf(document, styles.opened([*short_front_page(document, width), *flowables]), page_size)
    return built if built.pages <= _USUAL_PAGES else None


def _fuller_last_page(document: Document, page_size: PageSize, proof: Proof | None, built: Built) -> Built:
    """Of a document that has to be long: not a few lines alone on the last page."""
    if built.last_page_filled >= _LEAST_FILLED:
        return built
    fuller = build_pdf(document, story(document, page_size, proof, fill_last_page=True), page_size)
    return fuller if fuller.pages <= built.pages and fuller.last_page_filled > built.last_page_filled else built


def _break_before_the_end(sections: list[list[Flowable]], width: float, least: float) -> None:
    """Start a page with the last sections that together fill enough of it."""
    height = 0.0
    for index in range(len(sections) - 1, 0, -1):
        height += styles.height_of(sections[index], width)
        if height >= least:
            sections.insert(index, [PageBreak()])
            return


def _check(page_size: str, renderer_version: str) -> None:
    if page_size not in PAGE_SIZES:
        raise RenderError(f"page_size is {page_size!r}; allowed: {', '.join(PAGE_SIZES)}")
    if renderer_version != RENDERER_VERSION:
        raise RenderError(f"renderer_version is {renderer_version!r}; this code draws version {RENDERER_VERSION}")
