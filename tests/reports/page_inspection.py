"""Where the characters of a PDF lie, by an independent reader (pdfminer.six): for cut or overlapping text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import Any

from pdfminer.high_level import extract_pages
from pdfminer.layout import LTChar, LTContainer, LTPage


@dataclass(frozen=True)
class Glyph:
    """A printed character and the box of its body; ascenders and descenders may touch the next line's."""

    text: str
    left: float
    bottom: float
    right: float
    top: float

    def overlaps(self, other: Glyph) -> bool:
        """More than a fifth of the smaller box is shared; kerning and italics share less."""
        width = min(self.right, other.right) - max(self.left, other.left)
        height = min(self.top, other.top) - max(self.bottom, other.bottom)
        if width <= 0 or height <= 0:
            return False
        return width * height > 0.2 * min(self._area(), other._area())

    def _area(self) -> float:
        return max((self.right - self.left) * (self.top - self.bottom), 1e-6)


def pages_of(pdf: bytes) -> list[LTPage]:
    return list(extract_pages(BytesIO(pdf), laparams=None))


def glyphs_of(page: LTPage) -> list[Glyph]:
    return [_glyph(char) for char in _chars(page) if char.get_text().strip()]


def _chars(container: LTContainer[Any]) -> Iterator[LTChar]:
    for item in container:
        if isinstance(item, LTChar):
            yield item
        elif isinstance(item, LTContainer):
            yield from _chars(item)


def _glyph(char: LTChar) -> Glyph:
    """The middle half of the line's height, where every letter has ink."""
    quarter = char.height / 4
    return Glyph(char.get_text(), char.x0, char.y0 + quarter, char.x1, char.y1 - quarter)


def overlapping(page: LTPage) -> list[tuple[Glyph, Glyph]]:
    """Pairs of characters printed over each other; a sweep from left to right."""
    found, open_glyphs = [], list[Glyph]()
    for glyph in sorted(glyphs_of(page), key=lambda each: each.left):
        open_glyphs = [other for other in open_glyphs if other.right > glyph.left]
        found += [(other, glyph) for other in open_glyphs if other.overlaps(glyph)]
        open_glyphs.append(glyph)
    return found


def outside(page: LTPage, margin: float) -> list[Glyph]:
    """Characters that reach into the margin."""
    return [
        glyph
        for glyph in glyphs_of(page)
        if glyph.left < margin
        or glyph.bottom < margin
        or glyph.right > page.width - margin
        or glyph.top > page.height - margin
    ]


def filled(page: LTPage, foot: float) -> float:
    """Down to which share of the page's height its text reaches, the foot line left out."""
    lowest = min(glyph.bottom for glyph in glyphs_of(page) if glyph.bottom > foot)
    return (page.height - lowest) / page.height
