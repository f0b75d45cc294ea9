"""What a vehicle's jobs taught of its responses is there in its next one, and what a model's vehicles taught too."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest
from django.utils import timezone

from calibration.metrology.response import prior_from_specification
from calibration.models import Job, JobPrior, Proposal, ResponsePosterior
from calibration.selectors.casefile import CaseFile
from calibration.selectors.casefiles import case_files
from calibration.selectors.responses import taught_by_vehicle
from calibration.selectors.specifications import pure_specification
from calibration.services import jobs
from fleet.ids import new_id
from fleet.models import Vehicle
from reports.demo.simulated_vehicle import CORNER_NAMES
from tests.calibration.bench import COUNTS, Bench
from tests.factories import SPECIFICATION, Site

SPECIFIED = (0.9, 0.9, 1.05, 1.05)
TRUE = {"FL": 486, "FR": 486, "RL": 504, "RR": 504}
LOW = {"FL": 474, "FR": 474, "RL": 492, "RR": 492}
HIGH = {"FL": 498, "FR": 498, "RL": 516, "RR": 516}


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    """Of a model of its own, which no other test taught."""
    model = site.vehicle_model()
    site.specification(model)
    return site.vehicle(vehicle_model=model)


def visit(site: Site, vehicle: Vehicle, *, hours_ago: float, share: float = 0.7, end: bool = True) -> Bench:
    """A job in which every corner answers with so much of its specified response, twice moved."""
    bench = Bench.open(site, vehicle, hours_ago=hours_ago, setpoints=COUNTS)
    bench.ready()
    heights: dict[str, float] = dict(LOW)
    bench.measure(heights)
    for counts in (15, -15):
        after = {corner: count + counts for corner, count in bench.setpoints.items()}
        bench.write(None, after)
        heights = {c: heights[c] + share * g * counts for c, g in zip(CORNER_NAMES, SPECIFIED, strict=True)}
        bench.measure({corner: round(height, 1) for corner, height in heights.items()})
    if end:
        bench.end()
    return bench


def proposal_of(site: Site, vehicle: Vehicle, *, hours_ago: float = 2) -> tuple[Bench, Proposal]:
    bench = Bench.open(site, vehicle, hours_ago=hours_ago)
    bench.ready()
    bench.measure(LOW)
    return bench, bench.propose()


def test_the_next_visit_of_a_vehicle_begins_with_what_it_taught(site: Site, vehicle: Vehicle) -> None:
    visit(site, vehicle, hours_ago=30)
    bench, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"] == {"source": "vehicle", "vehicles": 1}
    prior = bench.standing.prior
    assert prior is not None
    assert prior.mean == pytest.approx(0.7 * np.array(SPECIFIED), rel=0.12)
    assert bench.case.specification is not None
    specified = prior_from_specification(pure_specification(bench.case.specification.content))
    assert (np.diag(prior.covariance) < 0.5 * np.diag(specified.covariance)).all()


def test_a_first_visit_begins_with_the_specification_and_stores_nothing(site: Site, vehicle: Vehicle) -> None:
    bench, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"] == {"source": "specification", "vehicles": 0}
    assert not JobPrior.objects.filter(job=bench.job).exists()
    assert not ResponsePosterior.objects.filter(vehicle=vehicle).exists()


def test_more_counts_are_proposed_where_the_vehicle_answers_weakly(site: Site, vehicle: Vehicle) -> None:
    """Twelve millimetres at 0.63 mm a count, not at 0.9."""
    first, unlearned = proposal_of(site, vehicle, hours_ago=60)
    jobs.job_end(actor=first.actor(), record_id=new_id(), job_id=first.job.pk, reason="compared")
    visit(site, vehicle, hours_ago=30)
    _, learned = proposal_of(site, vehicle)

    def moved(proposal: Proposal) -> int:
        return sum(c["to"] - c["from"] for c in proposal.content["changes"].values())

    assert moved(learned) >= 1.2 * moved(unlearned)


def test_the_row_is_what_the_facts_give(site: Site, vehicle: Vehicle) -> None:
    for hours_ago in (60, 30):
        visit(site, vehicle, hours_ago=hours_ago)
    row = ResponsePosterior.objects.get(vehicle=vehicle)
    taught = taught_by_vehicle(vehicle.pk)
    assert taught is not None
    assert row.mean == taught.prior.mean.tolist()
    assert row.covariance == taught.prior.covariance.tolist()
    assert row.jobs == [str(job.pk) for job in Job.objects.filter(vehicle=vehicle).order_by("opened_at")]


def test_an_event_between_the_visits_forgets_its_corner_alone(site: Site, vehicle: Vehicle) -> None:
    bench = visit(site, vehicle, hours_ago=30)
    bench.event("sensor_replaced", "FL")
    job, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"]["source"] == "vehicle"
    prior = job.standing.prior
    assert prior is not None
    assert prior.covariance[0, 0] > 2 * prior.covariance[1, 1]
    assert prior.mean[2] == pytest.approx(0.7 * 1.05, rel=0.12)


def test_a_new_control_unit_forgets_the_vehicle(site: Site, vehicle: Vehicle) -> None:
    visit(site, vehicle, hours_ago=30).event("control_unit_replaced")
    bench, _ = proposal_of(site, vehicle)
    assert bench.standing.prior is not None
    assert bench.standing.prior.source == "specification"


def test_an_event_within_the_job_forgets_what_earlier_ones_taught(site: Site, vehicle: Vehicle) -> None:
    visit(site, vehicle, hours_ago=30)
    bench = Bench.open(site, vehicle, hours_ago=2)
    bench.event("sensor_replaced", "FL")
    prior = bench.standing.prior
    assert prior is not None
    assert prior.covariance[0, 0] > 2 * prior.covariance[1, 1]
    bench.event("control_unit_replaced")
    assert bench.standing.prior is not None
    assert bench.standing.prior.source == "specification"


def test_an_event_recorded_late_overtakes_the_job_that_it_happened_after(site: Site, vehicle: Vehicle) -> None:
    first = visit(site, vehicle, hours_ago=60)
    between = first.now + timedelta(hours=1)
    second = visit(site, vehicle, hours_ago=30)
    before = taught_by_vehicle(vehicle.pk)
    second.event("spring_replaced", "RR", happened_at=between)
    after = taught_by_vehicle(vehicle.pk)
    assert before is not None
    assert after is not None
    assert after.prior.covariance[3, 3] > 1.2 * before.prior.covariance[3, 3]
    assert after.prior.covariance[3, 3] < 0.6 * 0.18**2, "the second visit still counts"
    assert after.prior.covariance[0, 0] == pytest.approx(before.prior.covariance[0, 0], rel=1e-3)


def test_a_job_keeps_its_prior_whatever_is_learned_later(site: Site, vehicle: Vehicle) -> None:
    first = visit(site, vehicle, hours_ago=60)
    second = visit(site, vehicle, hours_ago=30)
    before = second.standing.prior
    content = second.standing.content_sha256
    reading = first.case.rounds[0].reading_rows[0]  # type: ignore[attr-defined]
    row = ResponsePosterior.objects.get(vehicle=vehicle)
    first.strike(reading.pk, 478, site.manager)
    changed = ResponsePosterior.objects.get(vehicle=vehicle)
    assert changed.mean != row.mean, "a strike in a closed job teaches otherwise"
    after = second.standing.prior
    assert before is not None
    assert after is not None
    assert after.mean.tolist() == before.mean.tolist()
    assert second.standing.content_sha256 == content
    assert JobPrior.objects.filter(job=second.job).count() == 1


def test_several_case_files_read_the_same_prior(site: Site, vehicle: Vehicle) -> None:
    visit(site, vehicle, hours_ago=60)
    bench = visit(site, vehicle, hours_ago=30)
    (together,) = case_files([Job.objects.select_related("vehicle").get(pk=bench.job.pk)])
    alone = CaseFile(Job.objects.select_related("vehicle").get(pk=bench.job.pk))
    assert together.standing.prior is not None
    assert alone.standing.prior is not None
    assert together.standing.prior.covariance.tolist() == alone.standing.prior.covariance.tolist()


def test_a_refiled_job_teaches_the_other_vehicle(site: Site, vehicle: Vehicle) -> None:
    bench = visit(site, vehicle, hours_ago=30)
    other = site.vehicle()
    bench.refile(other)
    assert not ResponsePosterior.objects.filter(vehicle=vehicle).exists()
    assert ResponsePosterior.objects.get(vehicle=other).jobs == [str(bench.job.pk)]


def test_a_refiled_job_begins_with_what_its_vehicle_taught_before(site: Site, vehicle: Vehicle) -> None:
    other = site.vehicle(vehicle_model=vehicle.vehicle_model)
    visit(site, other, hours_ago=60)
    visit(site, vehicle, hours_ago=50, share=1.3)
    bench = visit(site, vehicle, hours_ago=30, end=False)
    visit(site, other, hours_ago=20, share=1.0)
    bench.now = timezone.now() - timedelta(hours=1)
    bench.refile(other)
    latest = JobPrior.objects.filter(job=bench.job).latest("recorded_at")
    first_of_other = Job.objects.filter(vehicle=other).order_by("opened_at")[0]
    assert latest.jobs == [str(first_of_other.pk)]
    assert bench.standing.prior is not None
    assert bench.standing.prior.mean == pytest.approx(0.7 * np.array(SPECIFIED), rel=0.15)


def test_vehicles_of_a_model_teach_the_next_one(site: Site, vehicle: Vehicle) -> None:
    for number in range(3):
        visit(site, site.vehicle(vehicle_model=vehicle.vehicle_model), hours_ago=60 - number)
    bench, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"] == {"source": "model", "vehicles": 3}
    assert bench.standing.prior is not None
    assert bench.standing.prior.mean[0] == pytest.approx((0.9 / 2 + 3 * 0.63) / 3.5, rel=0.03), "half a vehicle"


def test_vehicles_of_another_model_teach_nothing(site: Site, vehicle: Vehicle) -> None:
    other = site.vehicle_model()
    site.specification(other)
    visit(site, site.vehicle(vehicle_model=other), hours_ago=60)
    _, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"]["source"] == "specification"


def test_a_vehicle_is_not_counted_among_those_that_teach_it(site: Site, vehicle: Vehicle) -> None:
    visit(site, vehicle, hours_ago=30)
    bench, _ = proposal_of(site, vehicle)
    known = bench.case.priors[-1].known
    assert known["model"]["source"] == "specification"


def test_a_revision_of_another_range_begins_anew(site: Site, vehicle: Vehicle) -> None:
    bench = visit(site, vehicle, hours_ago=30)
    bench.add_revision(setpoint_max=1023, effective_from=(timezone.now() - timedelta(days=1)).date())
    _, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"]["source"] == "specification"


def test_a_corrected_response_in_a_revision_keeps_what_was_taught(site: Site, vehicle: Vehicle) -> None:
    bench = visit(site, vehicle, hours_ago=30)
    front = {**SPECIFICATION["front"], "response_mm_per_count": 0.6}
    bench.add_revision(front=front, effective_from=(timezone.now() - timedelta(days=1)).date())
    later, proposal = proposal_of(site, vehicle)
    assert proposal.content["prior"]["source"] == "vehicle"
    assert later.standing.prior is not None
    assert later.standing.prior.mean[0] == pytest.approx(0.63, rel=0.06), "with 0.6 in place of 0.9 it is nearer"


def test_a_corner_that_did_not_respond_is_not_learned(site: Site, vehicle: Vehicle) -> None:
    """Its linkage was seized: how it answered says nothing of how it will."""
    bench = Bench.open(site, vehicle, hours_ago=30)
    bench.ready()
    bench.measure(LOW)
    for others in ({"FR": 487, "RL": 508, "RR": 508}, {"FR": 501, "RL": 524, "RR": 524}):
        bench.write(None, {corner: count + 15 for corner, count in bench.setpoints.items()})
        bench.measure({"FL": 474, **others})
    bench.end()
    taught = taught_by_vehicle(vehicle.pk)
    assert taught is not None
    assert taught.prior.mean[0] > 0.75
    assert taught.prior.covariance[0, 0] > 2 * taught.prior.covariance[1, 1]


def test_an_empty_job_teaches_nothing_and_takes_nothing_away(site: Site, vehicle: Vehicle) -> None:
    visit(site, vehicle, hours_ago=60)
    before = ResponsePosterior.objects.get(vehicle=vehicle)
    job = jobs.job_open(
        actor=site.technician.actor(timezone.now() - timedelta(hours=20)),
        record_id=new_id(),
        vehicle=vehicle,
        reason="routine",
        odometer_km=Decimal(48300),
    )
    jobs.job_end(actor=site.technician.actor(timezone.now()), record_id=new_id(), job_id=job.pk, reason="left again")
    after = ResponsePosterior.objects.get(vehicle=vehicle)
    assert (after.mean, after.covariance) == (before.mean, before.covariance)
