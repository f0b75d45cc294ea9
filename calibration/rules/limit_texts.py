"""What a proposal or a write was compared with, in words."""

from __future__ import annotations

from django.utils.translation import gettext_lazy, ngettext_lazy

from .notation import COUNTED, shown

LIMITS = {
    "setpoint_range": gettext_lazy("set-point %(value)s, nearest end of the control unit's range %(limit)s"),
    "band": gettext_lazy("set-point %(value)s, nearest edge of the corner's band %(limit)s"),
    "step": ngettext_lazy(
        "change of %(value)s count, at most %(limit)s in one write",
        "change of %(value)s counts, at most %(limit)s in one write",
        COUNTED,
    ),
    "shift_review": ngettext_lazy(
        "%(value)s count from the baseline, at most %(limit)s without approval",
        "%(value)s counts from the baseline, at most %(limit)s without approval",
        COUNTED,
    ),
    "shift_limit": ngettext_lazy(
        "%(value)s count from the baseline, never more than %(limit)s",
        "%(value)s counts from the baseline, never more than %(limit)s",
        COUNTED,
    ),
    "warp_change": gettext_lazy("change of the twist by %(value)s mm expected, at most %(limit)s mm in one write"),
    "not_significant": gettext_lazy("deviation %(value)s mm, which counts as significant from %(limit)s mm"),
    "away_from_target": gettext_lazy("ends %(value)s mm from its target, where it is %(limit)s mm from it now"),
    "suspect_corner": gettext_lazy("the corner did not respond as it should and is not moved further"),
    "found_in_doubt": ngettext_lazy(
        "the count to go back to is %(value)s count from what was read next, before anything was written; above "
        "%(limit)s it needs approval by another person who may approve, since it may have been misread",
        "the count to go back to is %(value)s counts from what was read next, before anything was written; above "
        "%(limit)s it needs approval by another person who may approve, since it may have been misread",
        COUNTED,
    ),
}


def limit_text(code: str, value: float, limit: float) -> str:
    return str(LIMITS[code] % shown({"value": value, "limit": limit}, value))
