"""Leak tests with their results, as the specification of their job judges them now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fleet.actor import Actor
from fleet.models import Vehicle

from ..metrology.leak_document import leak_as_dict
from ..metrology.specification import Specification
from ..models import LeakTest
from ..rules.leaks import judged
from .job_facts import leak_test_fact
from .jobs import visible_jobs
from .specifications import pure_specification


@dataclass(frozen=True, slots=True)
class JudgedLeakTest:
    """A test of a vehicle; `result` is the interface's JSON."""

    test: LeakTest
    result: Mapping[str, Any]


def result_of(test: LeakTest, specification: Specification | None) -> dict[str, Any]:
    """A test's result by what a specification says: the interface's JSON."""
    return leak_as_dict(
        judged(leak_test_fact(test), specification),
        limit_mm_per_h=specification.leak_limit_mm_per_h if specification else None,
        air_column_mm=specification.air_column_mm if specification else None,
    )


def leak_tests_of(actor: Actor, vehicle: Vehicle, most: int) -> list[JudgedLeakTest]:
    """The newest tests in the jobs of a vehicle that the actor may see, newest first."""
    jobs = visible_jobs(actor).filter(vehicle=vehicle).values("pk")
    tests = LeakTest.objects.filter(job__in=jobs).select_related("job__specification")
    return [_judged(test) for test in tests.order_by("-happened_at", "-recorded_at", "-id")[:most]]


def counted_period(test: LeakTest) -> tuple[datetime, datetime]:
    """Start and end as they count: those of the tablet's clock, put right as the end was."""
    return test.happened_at - (test.ended_at - test.started_at), test.happened_at


def _judged(test: LeakTest) -> JudgedLeakTest:
    revision = test.job.specification
    return JudgedLeakTest(test, result_of(test, pure_specification(revision.content) if revision else None))
