"""A document as a PDF. Equal arguments give equal bytes, today and in ten years."""

from __future__ import annotations

from django.utils import translation
from reportlab.platypus import CondPageBreak

from reports.drawing.fonts import register_fonts

from .document import Document
from .evidence import evidence
from .front_page import front_page
from .layout import PAGE_SIZES, PageSize, build_pdf, content_width

RENDERER_VERSION = "1"
"""Raise it with every change that alters the bytes; older documents then say which version drew them."""


class RenderError(ValueError):
    """A page size or renderer version that this code does not have."""


def render(document: Document, *, page_size: PageSize = "A4", renderer_version: str = RENDERER_VERSION) -> bytes:
    """The pages of a certificate or findings report, in the document's language and units."""
    _check(page_size, renderer_version)
    register_fonts()
    with translation.override(document.language):
        width = content_width(page_size)
        third_of_a_page = PAGE_SIZES[page_size][1] / 3
        story = [
            *front_page(document, width),
            CondPageBreak(third_of_a_page),
            *evidence(document, width, renderer_version),
        ]
        return build_pdf(document, story, page_size)


def _check(page_size: str, renderer_version: str) -> None:
    if page_size not in PAGE_SIZES:
        raise RenderError(f"page_size is {page_size!r}; allowed: {', '.join(PAGE_SIZES)}")
    if renderer_version != RENDERER_VERSION:
        raise RenderError(f"renderer_version is {renderer_version!r}; this code draws version {RENDERER_VERSION}")
