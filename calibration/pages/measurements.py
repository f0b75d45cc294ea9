"""How well the workshop measures: a gauge study out of jobs that several people measured, and everybody over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy as _

from fleet.looks.lengths import length
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission

from ..metrology.gauge_study import GaugeStudy, Share, Source
from ..metrology.reading_history import PeriodRepeatability
from ..rules.notation import figure
from ..selectors.gauge_studies import FoundStudy, StudiedJob, found_study, studied_jobs
from ..selectors.reading_groups import RepeatabilityHistory, repeatability_histories

GOOD_PCT: Final = 10.0
POOR_PCT: Final = 30.0
ENOUGH_CATEGORIES: Final = 5
"""Shares of the tolerance and categories by which a measurement is called good or poor: AIAG MSA, 4th edition."""
MONTHS_SHOWN: Final = 12

SOURCES: Final = {
    "repeatability": _("Repeatability: the same person reads the same corner again"),
    "reproducibility": _("Reproducibility: what changes with the person or the instrument"),
    "measurement": _("Measurement together"),
    "part": _("Corners: how far they really differ"),
    "total": _("Everything"),
}
FACTORS: Final = {
    "part": _("corner"),
    "appraiser": _("person"),
    "equipment": _("instrument"),
    "repeatability": _("repeatability"),
}


class MeasurementsView(WorkshopPage):
    """`/measurements/`; `?job=` once for each job that the study is to be made of."""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest) -> HttpResponse:
        offered = studied_jobs(self.actor)
        chosen = _chosen(offered, request.GET.getlist("job"))
        found = found_study(chosen) if chosen else None
        values = {
            "offered": [(each, each in chosen) for each in offered],
            "is_chosen": bool(chosen),
            "found": found,
            "study": _study(found) if found else None,
            "histories": [_history(each) for each in repeatability_histories()],
        }
        return render(request, "calibration/measurements.html", values)


def _chosen(offered: Sequence[StudiedJob], wanted: Sequence[str]) -> list[StudiedJob]:
    """Those that the address names; the newest where it names none. What is not offered is passed over."""
    if not wanted:
        return list(offered[:1])
    return [each for each in offered if str(each.job.pk) in set(wanted)]


def _study(found: FoundStudy) -> dict[str, Any]:
    study = found.study
    return {
        "rows": [(name, _share(getattr(study, key))) for key, name in SOURCES.items()],
        "table": [_line(each, each.name in study.pooled) for each in study.table],
        "judged": _judged(study),
        "categories": study.distinct_categories,
        "has_enough_categories": (study.distinct_categories or 0) >= ENOUGH_CATEGORIES,
        "tolerance": length(found.tolerance_mm),
    }


def _judged(study: GaugeStudy) -> str:
    """`good`, `fair` or `poor`, by the share of the tolerance that measuring takes up."""
    share = study.measurement.tolerance_pct or 0.0
    return "good" if share < GOOD_PCT else "poor" if share > POOR_PCT else "fair"


def _share(share: Share) -> dict[str, str]:
    return {
        "deviation": figure(f"{share.standard_deviation_mm:.2f}"),
        "contribution": _percent(share.contribution_pct),
        "tolerance": _percent(share.tolerance_pct),
    }


def _line(source: Source, is_pooled: bool) -> dict[str, Any]:
    return {
        "name": " × ".join(str(FACTORS[each]) for each in source.factors) or FACTORS["repeatability"],
        "squares": figure(f"{source.sum_of_squares:.2f}"),
        "freedom": source.degrees_of_freedom,
        "ratio": "" if source.variance_ratio is None else figure(f"{source.variance_ratio:.2f}"),
        "significance": "" if source.significance is None else figure(f"{source.significance:.3f}"),
        "is_pooled": is_pooled,
    }


def _percent(value: float | None) -> str:
    return "" if value is None else figure(f"{value:.1f}")


def _history(history: RepeatabilityHistory) -> dict[str, Any]:
    return {
        "person": history.person,
        "instrument": history.instrument,
        "rows": [_month(each) for each in reversed(history.months[-MONTHS_SHOWN:])],
    }


def _month(month: PeriodRepeatability) -> dict[str, Any]:
    interval = month.standard_deviation_interval_mm
    return {
        "month": month.period,
        "groups": month.groups,
        "deviation": _mm(month.standard_deviation_mm),
        "interval": "" if interval is None else f"{_mm(interval[0])} – {_mm(interval[1])}",
        "slips": month.slips,
        "slip_rate": " – ".join(_percent(100 * each) for each in month.slip_rate_interval),
    }


def _mm(value: float | None) -> str:
    return "" if value is None else figure(f"{value:.2f}")
