"""What speaks against the tyres now on a vehicle, judged by a job's specification; and tyres still to be recorded."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from fleet.days import local_day
from fleet.fitments import tyre_findings
from fleet.models import Fitment, Specification

from ..metrology.corners import AXLE_OF
from ..models import Job
from ..rules.record import TyreFault


def tyre_faults(fitment: Fitment, content: Mapping[str, Any], job: Job) -> tuple[TyreFault, ...]:
    """Sizes that the job's revision does not list, and tyres that bear less than the load data on record ask for."""
    found = tuple(_faults(fitment, content))
    if not any(each.code == "load_capacity_low" for each in found):
        return found
    still = {each.corner for each in _faults(fitment, _latest_content(job)) if each.code == "load_capacity_low"}
    return tuple(each for each in found if each.code != "load_capacity_low" or each.corner in still)


def tyre_change_unrecorded(job: Job, fitments: Iterable[Fitment]) -> bool:
    """Opened for a tyre change, and no tyres were recorded since, nor any as fitted since the day it opened."""
    return job.reason == Job.Reason.TYRE_CHANGE and not any(
        each.recorded_at > job.opened_at or each.fitted_on >= local_day(job.opened_at) for each in fitments
    )


def _latest_content(job: Job) -> Mapping[str, Any]:
    """Load data may be put right by a newer revision; everything else is judged by the job's own."""
    revisions = Specification.objects.filter(vehicle_model=job.vehicle.vehicle_model_id)
    if job.closed_at:
        revisions = revisions.filter(recorded_at__lte=job.closed_at)
    content: Mapping[str, Any] = revisions.order_by("-revision")[0].content  # the job's own at the least
    return content


def _faults(fitment: Fitment, content: Mapping[str, Any]) -> Iterator[TyreFault]:
    for each in tyre_findings(fitment.tyres, content):
        corner, tyre = each["corner"], fitment.tyres[each["corner"]]
        values: dict[str, object] = (
            {"size": tyre["size"], "listed": list(content["allowed_tyres"])}
            if each["code"] == "tyre_not_listed"
            else {
                "capacity_kg": tyre["load_capacity_kg"],
                "half_load_kg": round(content[AXLE_OF[corner]]["axle_load_kg"] / 2),
            }
        )
        yield TyreFault(each["code"], corner, fitment.pk, values)
