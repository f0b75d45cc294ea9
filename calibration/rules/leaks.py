"""Leaks: which corners sink too fast, and whether what was mended has been tested since.

A leak stays until something that can mend it is on record at its corner and a test that began after that passed. A
manager may rule that the test was wrong; that takes the place of the repair, not of the test.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from fleet.actor import CLOCK_TOLERANCE

from ..metrology.corners import CORNERS, Corner
from ..metrology.leak import CornerLeak, LeakTest, assess_leak
from ..metrology.specification import Specification
from .finding_kinds import NewFinding
from .record import EventHappened, Fact, FindingRaised, JobRecord, LeakTested, RoundMeasured, WriteDone

LeakReason = Literal["leak_outside", "leak_not_retested", "leak_retest_undecided"]
Results = Mapping[uuid.UUID, LeakTest]
"""Of each test, as the specification in force judges it."""

MENDING_KINDS = frozenset({"leak_repaired", "spring_replaced", "damper_replaced"})
"""Events that can end a leak at their corner. A damper and its air spring are often one part."""
RATE_DIGITS = 2


@dataclass(frozen=True, slots=True)
class Leak:
    """A corner that a test found sinking too fast, while no test since showed that it is mended."""

    corner: Corner
    test: LeakTested
    found: CornerLeak
    mended_at: datetime | None = None
    retest: CornerLeak | None = None
    """The last test after the repair, which did not pass either."""

    @property
    def reason(self) -> LeakReason:
        if self.mended_at is None:
            return "leak_outside"
        return "leak_not_retested" if self.retest is None else "leak_retest_undecided"


def judged(test: LeakTested, specification: Specification | None) -> LeakTest:
    """A test by what a specification says; without one there are rates and no verdict."""
    return assess_leak(
        test.start,
        test.end,
        limit_mm_per_h=specification.leak_limit_mm_per_h if specification else None,
        air_column_mm=specification.air_column_mm if specification else None,
    )


def results_of(record: JobRecord) -> Results:
    """Every test of a job by the specification that the job is judged by now."""
    tests = (fact for fact in record.facts if isinstance(fact, LeakTested))
    return {test.id: judged(test, record.specification) for test in tests}


def leaks_of(record: JobRecord, results: Results) -> dict[Corner, Leak]:
    """The leaks that stand, in the order of the corners."""
    found = ((corner, _leak_at(corner, record, results)) for corner in CORNERS)
    return {corner: leak for corner, leak in found if leak is not None}


def _leak_at(corner: Corner, record: JobRecord, results: Results) -> Leak | None:
    leak: Leak | None = None
    for fact in record.facts:
        if isinstance(fact, LeakTested):
            leak = _after_test(leak, fact, _at(results[fact.id], corner), record)
        elif leak is not None and _mends(fact, corner):
            leak = replace(leak, mended_at=max(fact.at, leak.mended_at or fact.at), retest=None)
    return leak


def _at(result: LeakTest, corner: Corner) -> CornerLeak:
    return result.corners[CORNERS.index(corner)]


def _after_test(leak: Leak | None, test: LeakTested, found: CornerLeak, record: JobRecord) -> Leak | None:
    if found.verdict == "outside":
        return Leak(found.corner, test, found, mended_at=_ruled_wrong_at(record, test, found.corner))
    if leak is None or leak.mended_at is None or test.started < leak.mended_at:
        return leak
    return None if passes(found) and not is_disturbed(record, test) else replace(leak, retest=found)


def passes(found: CornerLeak) -> bool:
    """Undecided does not; nor does a corner that rose, since levelling that woke hides a leak."""
    return found.verdict == "within" and not found.rose


def is_disturbed(record: JobRecord, test: LeakTested) -> bool:
    """Whether something was written or measured in between: levelling was awake then, and hides a leak.

    Whoever measures a round and goes on to the test at once notes about the same time for both.
    """
    first, last = test.started + CLOCK_TOLERANCE, test.at - CLOCK_TOLERANCE
    return any(isinstance(fact, WriteDone | RoundMeasured) and first < fact.at < last for fact in record.facts)


def _mends(fact: Fact, corner: Corner) -> bool:
    return isinstance(fact, EventHappened) and fact.kind in MENDING_KINDS and fact.corner == corner


def _ruled_wrong_at(record: JobRecord, test: LeakTested, corner: Corner) -> datetime | None:
    """When a manager ruled that this was no leak."""
    times = (
        each.ruled_at
        for each in record.findings
        if (each.code, each.corner, each.source_id, each.ruling) == ("leak_outside", corner, test.id, "accept")
    )
    return max((each for each in times if each is not None), default=None)


# --- findings ----------------------------------------------------------------------------------------
def findings_of_leaks(record: JobRecord, results: Results) -> list[NewFinding]:
    """What the tests of a job say of its corners, each test and corner once for each limit that it was judged by."""
    limit = record.specification.leak_limit_mm_per_h if record.specification else None
    disturbed = [
        NewFinding("leak_test_disturbed", f"leak_test_disturbed:{fact.id}", None, "leak_test", fact.id)
        for fact in record.facts
        if isinstance(fact, LeakTested) and is_disturbed(record, fact)
    ]
    return disturbed + [
        NewFinding(code, f"{code}:{each.corner}:{identity}:{limit}", each.corner, "leak_test", identity, values)
        for identity, result in results.items()
        for each in result.corners
        for code in _codes(each)
        for values in [_values(each, limit)]
    ]


def _codes(found: CornerLeak) -> Iterable[str]:
    if found.verdict in ("outside", "undecided"):
        yield f"leak_{found.verdict}"
    if found.rose:
        yield "leak_corner_rose"


def _values(found: CornerLeak, limit: float | None) -> dict[str, object]:
    """What the finding's sentence says; what is not known is left out."""
    values = {
        "rate_mm_per_h": round(found.rate_mm_per_h, RATE_DIGITS),
        "expanded_uncertainty_mm_per_h": round(found.expanded_uncertainty_mm_per_h, RATE_DIGITS),
        "limit_mm_per_h": limit,
        "hours_to_decide": hours_shown(found),
        "rule": "at_the_limit" if found.verdict == "undecided" and found.hours_to_decide is None else None,
    }
    return {name: value for name, value in values.items() if value is not None}


def hours_shown(found: CornerLeak) -> float | None:
    """Never too few, to a tenth."""
    hours = found.hours_to_decide
    return None if hours is None else math.ceil(10 * hours) / 10


def still_leaks(leaks: Mapping[Corner, Leak], record: JobRecord, finding: FindingRaised) -> bool:
    """While its test is the one that shows the corner's leak, by the limit that it was found with."""
    leak = leaks.get(finding.corner) if finding.corner else None
    return leak is not None and leak.test.id == finding.source_id and _of_present_limit(record, finding)


def is_latest(record: JobRecord, finding: FindingRaised) -> bool:
    """While no test came after the one that it is about."""
    tests = [fact.id for fact in record.facts if isinstance(fact, LeakTested)]
    return bool(tests) and tests[-1] == finding.source_id and (not finding.corner or _of_present_limit(record, finding))


def _of_present_limit(record: JobRecord, finding: FindingRaised) -> bool:
    limit = record.specification.leak_limit_mm_per_h if record.specification else None
    return finding.values.get("limit_mm_per_h") == limit
