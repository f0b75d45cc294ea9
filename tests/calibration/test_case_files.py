"""Case files that are read together hold what each one reads by itself."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

from calibration.models import Job
from calibration.rules.known_before import known_before_document
from calibration.selectors.casefile import CaseFile
from calibration.selectors.casefiles import case_files
from calibration.selectors.jobs import visible_jobs
from fleet.tenancy import in_workshop
from tests.calibration.pages.conftest import asked_in
from tests.factories import Site
from tests.reports import jobs


def at_work(site: Site) -> None:
    """Jobs in many states: closed, waiting for a decision, leaking, and a second one on a vehicle with a history."""
    asked_in(site)
    done = jobs.adjusted(site)
    again = jobs.Bench.at(site, vehicle=done.vehicle)
    again.now = done.now + timedelta(hours=1)
    again.receive()
    again.check_readiness()
    again.measure(jobs.LOW_FRONT_LEFT)
    fresh = jobs.Bench.at(site)
    fresh.receive()
    leaking = jobs.Bench.at(site)
    leaking.receive()
    leaking.leak_test(RL=300)


def test_each_is_judged_as_by_itself(site: Site) -> None:
    at_work(site)
    with in_workshop(site.workshop.pk):
        found = list(visible_jobs(site.manager.actor()).order_by("number"))
        together = case_files(found)
        assert [case.job.pk for case in together] == [job.pk for job in found]
        for case in together:
            alone = CaseFile(Job.objects.get(pk=case.job.pk))
            assert replace(case.record, known_before=None) == replace(alone.record, known_before=None)
            known = [each.record.known_before for each in (case, alone)]
            assert len({json.dumps(known_before_document(each)) for each in known if each is not None}) <= 1
            assert (known[0] is None) == (known[1] is None)
            assert case.standing.next_step == alone.standing.next_step
        assert len({case.standing.next_step.step for case in together}) >= 3
        assert any(case.record.previous_setpoints for case in together)
        assert any(case.baseline for case in together)
        assert any(case.leak_tests for case in together)
        assert any(case.priors for case in together)


def test_none_are_read_for_none(site: Site) -> None:
    assert case_files([]) == []
