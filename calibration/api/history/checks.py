"""Height checks as lines of a vehicle's history."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from calibration.metrology.corners import CORNERS
from fleet.days import local_day
from fleet.history import record_of, rows_of, summarises
from fleet.looks import dates
from fleet.looks.corners import corner_name
from fleet.looks.lengths import length
from fleet.models import LedgerEntry

from .jobs import VERDICT_TEXTS


@summarises("height_check_recorded")
def _height_check(entry: LedgerEntry) -> str:
    check = record_of(entry)
    corners, verdict = check["result"]["corners"], check["result"]["verdict"]
    heights = ", ".join(
        f"{corner_name(corner)} {length(corners[corner]['mean_mm'])}"
        + (f" ({length(off, signed=True)})" if (off := corners[corner]["deviation_mm"]) is not None else "")
        for corner in CORNERS
    )
    if verdict is not None:
        return _("Height check: %(heights)s: %(verdict)s") % {"heights": heights, "verdict": VERDICT_TEXTS[verdict]}
    if check["loading"] == "other":
        return _("Height check under another load: %(heights)s") % {"heights": heights}
    if check["specification_id"] is None:
        text = _("Height check, without a verdict since no specification was in force: %(heights)s")
        return text % {"heights": heights}
    return _("Height check: %(heights)s") % {"heights": heights}


@summarises("check_reading_struck")
def _check_reading_struck(entry: LedgerEntry) -> str:
    strike = record_of(entry)
    readings = {row["id"]: row for row in rows_of(entry, "calibration.heightcheckreading")}
    before, after = readings[strike["reading_id"]], readings[strike["replacement_id"]]
    return _("Height check: a reading struck out at %(corner)s: %(before)s replaced by %(after)s: %(reason)s") % {
        "corner": corner_name(before["corner"]),
        "before": length(float(before["height_mm"])),
        "after": length(float(after["height_mm"])),
        "reason": strike["reason"],
    }


@summarises("check_photo_added")
def _check_photo(_entry: LedgerEntry) -> str:
    return _("Height check: photo added.")


@summarises("height_checks_imported")
def _height_checks_imported(entry: LedgerEntry) -> str:
    checks = rows_of(entry, "calibration.heightcheck")
    times = sorted(datetime.fromisoformat(each["happened_at"]) for each in checks)
    first, last = (dates.day(local_day(each)) for each in (times[0], times[-1]))
    line = ngettext(
        "%(count)s height check came by import, measured on %(first)s.",
        "%(count)s height checks came by import, measured from %(first)s to %(last)s.",
        len(checks),
    )
    told = line % {"count": len(checks), "first": first, "last": last}
    unjudged = sum(each["specification_id"] is None and each["loading"] != "other" for each in checks)
    if not unjudged:
        return told
    without = ngettext(
        "One came without a verdict, since no specification was in force on its day.",
        "%(count)s came without a verdict, since no specification was in force on their days.",
        unjudged,
    )
    return f"{told} {without % {'count': unjudged}}"
