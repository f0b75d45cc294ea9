"""The embedded typeface (Source Sans Pro, SIL Open Font License) and what it can print."""

from __future__ import annotations

import unicodedata
from functools import cache
from importlib.resources import files

from reportlab.graphics.shapes import STATE_DEFAULTS
from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
from reportlab.pdfbase.ttfonts import TTFont

REGULAR = "SourceSansPro-Regular"
ITALIC = "SourceSansPro-It"
SEMIBOLD = "SourceSansPro-Semibold"
BOLD = "SourceSansPro-Bold"
BOLD_ITALIC = "SourceSansPro-BoldIt"


@cache
def register_fonts() -> None:
    """Make the typeface known to ReportLab, once per process, and every drawing begin with it.

    A drawing would otherwise name ReportLab's own first font, which is not embedded.
    """
    for name in (REGULAR, ITALIC, SEMIBOLD, BOLD, BOLD_ITALIC):
        registerFont(_load(name))
    STATE_DEFAULTS["fontName"] = REGULAR
    registerFontFamily(REGULAR, normal=REGULAR, bold=SEMIBOLD, italic=ITALIC, boldItalic=BOLD_ITALIC)


def _load(name: str) -> TTFont:
    return TTFont(name, str(files("font_source_sans_pro").joinpath("files", f"{name}.ttf")))


@cache
def _printable_code_points() -> frozenset[int]:
    """Code points that every style used can print."""
    styles = (REGULAR, ITALIC, SEMIBOLD, BOLD, BOLD_ITALIC)
    return frozenset.intersection(*(frozenset(_load(name).face.charToGlyph) for name in styles))


def printable(text: str) -> str:
    """The text with every character that the typeface lacks named by its code point, so that nothing is lost.

    >>> printable("Zoë ≤ 5 \\u4e2d")
    'Zoë ≤ 5 [U+4E2D]'
    """
    known = _printable_code_points()
    composed = unicodedata.normalize("NFC", text)
    return "".join(char if ord(char) in known or char == "\n" else _named(char) for char in composed)


def _named(char: str) -> str:
    """White space and invisible format characters need no name; everything else is spelled out."""
    if char.isspace():
        return " "
    return "" if unicodedata.category(char) in ("Cf", "Cc") else f"[U+{ord(char):04X}]"
