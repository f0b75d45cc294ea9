"""Sample documents as PDF files, and the text that pypdf reads in them."""

from __future__ import annotations

import re
from functools import cache
from io import BytesIO

from pypdf import PdfReader

from reports.certificate import document as doc
from reports.certificate.layout import PageSize
from reports.certificate.render import render

from . import sample_extremes

SIZES: tuple[PageSize, ...] = ("A4", "Letter")


@cache
def pdf_of(name: str, page_size: PageSize = "A4") -> bytes:
    return render(sample_extremes.ALL[name](), page_size=page_size)


@cache
def text_of(pdf: bytes) -> str:
    """All text, white space made single: a line break in a cell is no other text."""
    pages = (page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
    return re.sub(r"\s+", " ", " ".join(pages))


def squeezed(text: str) -> str:
    """Without white space, so that a word broken over two lines is found."""
    return re.sub(r"\s+", "", text)


def rendered_text(document: doc.Document) -> str:
    return text_of(render(document))
