"""Corners, axles and verdicts in the reader's language."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _

from calibration.metrology.corners import Axle, Corner

_CORNER_NAMES = {"FL": _("Front left"), "FR": _("Front right"), "RL": _("Rear left"), "RR": _("Rear right")}
_AXLE_NAMES = {"front": _("Front"), "rear": _("Rear")}
_VERDICT_WORDS = {"within": _("within"), "outside": _("outside"), "undecided": _("undecided")}
_NOT_JUDGED = _("not judged")


def corner_name(corner: Corner) -> str:
    return str(_CORNER_NAMES[corner])


def axle_name(axle: Axle) -> str:
    return str(_AXLE_NAMES[axle])


def verdict_word(verdict: str | None) -> str:
    """`None` means that no specification, or a voided as-found height, left nothing to judge."""
    return str(_VERDICT_WORDS.get(verdict or "", _NOT_JUDGED))
