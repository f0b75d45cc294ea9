"""The main job through the services, from reception to sign-off."""

from __future__ import annotations

from calibration.models import Job
from fleet.models import LedgerEntry, OutboxItem
from tests.calibration.bench import Bench
from tests.factories import Site


def test_a_low_corner_is_brought_within_tolerance_and_signed_off(site: Site) -> None:
    bench = Bench.open(site)
    assert bench.next_step == "check_readiness"
    bench.ready()
    assert bench.next_step == "measure"
    bench.measure({"FL": 470})
    assert bench.next_step == "propose"
    proposal = bench.propose()
    assert proposal.outcome == "allowed"
    assert proposal.to_setpoints["FL"] > proposal.from_setpoints["FL"]
    assert bench.next_step == "write"
    bench.write(proposal)
    assert bench.next_step == "settle_and_measure"
    bench.measure()
    assert bench.next_step == "sign_off"
    job = bench.sign_off()
    assert job.state == Job.State.SIGNED_OFF
    assert bench.next_step == "done"
    assert OutboxItem.objects.filter(kind="calibration.job_signed_off").count() == 1
    kinds = list(LedgerEntry.objects.filter(book=bench.vehicle.pk).order_by("sequence").values_list("kind", flat=True))
    assert kinds[-7:] == [
        "job_opened",
        "readiness_recorded",
        "round_recorded",
        "proposal_made",
        "write_recorded",
        "round_recorded",
        "job_signed_off",
    ]


def test_a_vehicle_that_is_right_is_left_alone(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    assert bench.next_step == "sign_off"
    assert "leave_alone" in bench.codes()
    bench.sign_off()
    assert bench.job.pk == Job.objects.get(state="signed_off").pk
