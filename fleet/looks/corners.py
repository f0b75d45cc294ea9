"""Corners in sentences, as short as the interface's codes, which they are in English."""

from __future__ import annotations

from typing import Final

from django.utils.translation import pgettext_lazy

SHORT_NAMES: Final = {
    "FL": pgettext_lazy("front left", "FL"),
    "FR": pgettext_lazy("front right", "FR"),
    "RL": pgettext_lazy("rear left", "RL"),
    "RR": pgettext_lazy("rear right", "RR"),
}


def corner_name(corner: str) -> str:
    """The short name of a corner; other words as they are."""
    return str(SHORT_NAMES.get(corner, corner))
