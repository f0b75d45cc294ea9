"""Colours and marks. Colour-blind people can tell this palette apart; in grey, shape and word tell.

Source: M. Okabe and K. Ito, Color Universal Design, 2008.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from reportlab.lib.colors import Color, HexColor, white

INK = HexColor("#16222B")
SOFT_INK = HexColor("#4B5963")
RULE = HexColor("#B4BEC5")
TINT = HexColor("#F1F4F6")
TOLERANCE = HexColor("#D8E6EF")
BLUE = HexColor("#0072B2")
DARK_VERMILLION = HexColor("#B84E00")
"""The palette's vermillion, darkened until small words in it are readable on white (WCAG 2.2, 1.4.3)."""
WHITE = white

MarkShape = Literal["disc", "diamond", "ring"]


@dataclass(frozen=True, slots=True)
class VerdictLook:
    """How a verdict is marked. Word and shape carry the meaning; the colour only repeats it."""

    shape: MarkShape
    colour: Color


WITHIN = VerdictLook("disc", BLUE)
OUTSIDE = VerdictLook("diamond", DARK_VERMILLION)
UNDECIDED = VerdictLook("ring", INK)
NOT_JUDGED = VerdictLook("ring", SOFT_INK)


def verdict_look(verdict: str | None) -> VerdictLook:
    return {"within": WITHIN, "outside": OUTSIDE, "undecided": UNDECIDED}.get(verdict or "", NOT_JUDGED)
