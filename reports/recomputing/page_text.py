"""The words on the pages of a file of ours, in the order in which they are drawn."""

from __future__ import annotations

import re
from collections.abc import Mapping
from io import BytesIO
from typing import Any, Final

import pikepdf

_RANGE: Final = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")
_LIST: Final = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*\[([^\]]*)\]")
_HEX: Final = re.compile(rb"<([0-9A-Fa-f]+)>")
_BREAKS: Final = frozenset({"BT", "ET", "T*", "Td", "TD", "Tm"})
_SHOWS: Final = frozenset({"Tj", "'", '"'})

Letters = Mapping[int, str]
"""What the codes of a font mean, one byte each as ReportLab embeds its fonts."""


def words_of(pdf: bytes) -> list[list[str]]:
    """Page by page."""
    with pikepdf.open(BytesIO(pdf)) as opened:
        return [_words(page) for page in opened.pages]


def _words(page: pikepdf.Page) -> list[str]:
    fonts = {name: _letters(font) for name, font in page.resources.get("/Font", {}).items()}
    letters: Letters = {}
    text: list[str] = []
    for instruction in pikepdf.parse_content_stream(page):
        operands, name = instruction.operands, str(instruction.operator)
        if name in _BREAKS:
            text.append(" ")
        elif name == "Tf":
            letters = fonts.get(str(operands[0]), {})
        elif name in _SHOWS:
            text.append(_shown(operands[-1], letters))
        elif name == "TJ":
            text += [_shown(each, letters) for each in operands[0] if isinstance(each, pikepdf.String)]
    return "".join(text).split()


def _shown(codes: Any, letters: Letters) -> str:
    return "".join(letters.get(code, "\N{REPLACEMENT CHARACTER}") for code in bytes(codes))


def _letters(font: Any) -> Letters:
    """From the map that the font carries for readers (ISO 32000-1, 9.10.3)."""
    if "/ToUnicode" not in font:
        return {code: chr(code) for code in range(32, 127)}
    cmap = font.ToUnicode.read_bytes()
    letters: dict[int, str] = {}
    for first, last, targets in _LIST.findall(cmap):
        codes = range(int(first, 16), int(last, 16) + 1)
        letters |= dict(zip(codes, map(_text, _HEX.findall(targets)), strict=False))
    for first, last, target in _RANGE.findall(cmap):
        low = int(first, 16)
        letters |= {code: chr(int(target, 16) + code - low) for code in range(low, int(last, 16) + 1)}
    return letters


def _text(digits: bytes) -> str:
    return bytes.fromhex(digits.decode()).decode("utf-16-be")
