"""Where the characters of a PDF lie, by an independent reader (PDFium): for cut or overlapping text."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import cache

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
from numpy.typing import NDArray
from pypdfium2 import raw

SHARED = 0.2
"""More than a fifth of the smaller box is shared where text lies on text; kerning and italics share less."""


@dataclass(frozen=True, eq=False)
class Page:
    """The printed characters of a page and the boxes of their bodies, in points from its lower left corner."""

    width: float
    height: float
    left: NDArray[np.float64]
    bottom: NDArray[np.float64]
    right: NDArray[np.float64]
    top: NDArray[np.float64]
    size: NDArray[np.float64]
    """Of the type."""


@cache
def pages_of(pdf: bytes) -> list[Page]:
    with closing(pypdfium2.PdfDocument(pdf)) as document:
        return [_page(page) for page in document]


def _page(page: pypdfium2.PdfPage) -> Page:
    text = page.get_textpage()
    marks = [mark for mark in range(text.count_chars()) if chr(raw.FPDFText_GetUnicode(text, mark)).strip()]
    boxes = np.array([text.get_charbox(mark, loose=True) for mark in marks]).reshape(-1, 4)
    order = np.argsort(boxes[:, 0], kind="stable")
    boxes = boxes[order]
    sizes = np.array([raw.FPDFText_GetFontSize(text, mark) for mark in marks])[order]
    left, bottom, right, top = boxes.T
    # The middle half of the line's height, where every letter has ink: ascenders and descenders may touch.
    quarter = (top - bottom) / 4
    width, height = page.get_size()
    return Page(width, height, left, bottom + quarter, right, top - quarter, sizes)


def overlapping(page: Page) -> int:
    """How many pairs of characters are printed over each other."""
    return sum(int(shared.sum()) for shared in _shared_with_the_next(page))


def _shared_with_the_next(page: Page) -> Iterator[NDArray[np.bool_]]:
    """For the character first, second, … to the right of each: whether the two overlap."""
    area = np.maximum((page.right - page.left) * (page.top - page.bottom), 1e-6)
    for step in range(1, len(area)):
        if not (page.left[step:] < page.right[:-step]).any():
            return  # sorted by their left edges: what is farther to the right cannot be nearer
        width = np.minimum(page.right[:-step], page.right[step:]) - page.left[step:]
        height = np.minimum(page.top[:-step], page.top[step:]) - np.maximum(page.bottom[:-step], page.bottom[step:])
        shared = np.maximum(width, 0) * np.maximum(height, 0)
        yield shared > SHARED * np.minimum(area[:-step], area[step:])


def outside(page: Page, margin: float) -> int:
    """How many characters reach into the margin."""
    cut = (page.left < margin) | (page.bottom < margin)
    cut |= (page.right > page.width - margin) | (page.top > page.height - margin)
    return int(cut.sum())


def lowest_type(page: Page, foot: float) -> float:
    """The size of the type in the lowest line above the foot."""
    above = page.bottom > foot
    return float(page.size[above][page.bottom[above] < page.bottom[above].min() + 3].max())


def filled(page: Page, foot: float) -> float:
    """Down to which share of the page's height its text reaches, the foot line left out."""
    lowest = page.bottom[page.bottom > foot].min()
    return float((page.height - lowest) / page.height)
