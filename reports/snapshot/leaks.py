"""The leak tests of a job as its document shows them."""

from __future__ import annotations

from calibration.metrology.corners import CORNERS
from calibration.models import LeakTest
from calibration.selectors.leak_tests import counted_period, result_of

from ..certificate import document as doc
from .source import Source


def leak_tests(source: Source) -> tuple[doc.LeakTestEntry, ...]:
    """Every test in the order in which it ended, as the job's specification judges it."""
    ordered = sorted(source.case.leak_tests, key=lambda each: (each.happened_at, each.recorded_at))
    return tuple(_entry(source, each) for each in ordered)


def _entry(source: Source, row: LeakTest) -> doc.LeakTestEntry:
    result = result_of(row, source.case.record.specification)
    started_at, ended_at = counted_period(row)
    return doc.LeakTestEntry(
        started_at=source.local(started_at),
        ended_at=source.local(ended_at),
        limit_mm_per_h=result["limit_mm_per_h"],
        corners={
            corner: doc.CornerLeakRate(found["rate_mm_per_h"], found["expanded_uncertainty_mm_per_h"], found["verdict"])
            for corner, found in ((corner, result["corners"][corner]) for corner in CORNERS)
        },
        temperature_corrected=result["temperature_corrected"],
    )
