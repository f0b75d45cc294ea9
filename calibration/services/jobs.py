"""A job's life: opened, paused, resumed, signed off, ended, refiled."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.days import local_day
from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from fleet.models import Bay, Vehicle
from fleet.numbering import next_number
from fleet.permissions import Permission, require
from fleet.services import pin_prove

from ..metrology.corners import CORNERS
from ..models import OPEN_STATES, BaselineReset, Job, JobEnd, Pause, Refiling, Resumption, SignOff
from ..rules.finding_kinds import Arrival, NewFinding
from ..rules.findings import of_course, of_setpoints
from ..rules.sightings import last_known_setpoints
from ..selectors.casefile import CaseFile
from ..selectors.odometer import highest_odometer
from ..selectors.responses import taught_by_vehicle, taught_until_now
from ..selectors.specifications import revision_in_force
from .drift import drift_changed
from .independence import require_independent_signer
from .responses import posterior_renew, prior_freeze
from .step import JobStep, out_of_turn, record_changed


def job_open(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    vehicle: Vehicle,
    reason: str,
    odometer_km: Decimal,
    to_job: Job | None = None,
    bay: Bay | None = None,
    note: str = "",
) -> Job:
    """Receive a vehicle. One open job per vehicle; judged for ever by the revision in force now."""
    require(actor, Permission.RECORD_FACTS)
    _require_reversion_names_its_job(reason, vehicle, to_job)
    _require_no_open_job(vehicle)
    assert actor.membership_id is not None  # a person opens a job
    job = Job(
        id=record_id,
        number=next_number(actor, "job"),
        vehicle=vehicle,
        specification=revision_in_force(vehicle.vehicle_model_id, local_day(actor.now)),
        reason=reason,
        to_job=to_job,
        odometer_km=odometer_km,
        bay=bay,
        pad_levels_mm=bay.pad_levels_mm if bay else None,
        note=note,
        opened_at=actor.now,
        opened_by=actor.membership_id,
    )
    before = highest_odometer(vehicle)
    try:
        with transaction.atomic():
            job.save(force_insert=True)
    except IntegrityError as error:
        if "calibration_job_one_open" in str(error):
            raise _vehicle_busy(vehicle, Job.objects.get(vehicle=vehicle, state__in=OPEN_STATES)) from error
        raise
    step = JobStep(actor, job.pk, Permission.RECORD_FACTS)
    prior_freeze(step, taught_until_now(vehicle.pk))
    step.raise_findings([*_odometer_findings(job, before), *of_course(step.standing)])
    step.conclude("job_opened", step.job)
    return step.job


def _require_reversion_names_its_job(reason: str, vehicle: Vehicle, to_job: Job | None) -> None:
    if reason == Job.Reason.REVERSION and to_job is None:
        raise Invalid.at(
            "/to_job", "required", _("A reversion names the job whose as-found set-points it goes back to.")
        )
    if to_job is not None and to_job.vehicle_id != vehicle.pk:
        raise Invalid.at("/to_job", "other_vehicle", _("That job was on another vehicle. Name a job of this vehicle."))


def _require_no_open_job(vehicle: Vehicle) -> None:
    already_open = Job.objects.filter(vehicle=vehicle, state__in=OPEN_STATES).first()
    if already_open is not None:
        raise _vehicle_busy(vehicle, already_open)


def _vehicle_busy(vehicle: Vehicle, job: Job) -> Conflict:
    detail = _(
        "The vehicle %(vin)s has an open job: no. %(number)s (id %(id)s). Go on with that one, or sign it off or end "
        "it before opening another."
    )
    return Conflict(
        detail % {"vin": vehicle.vin, "number": job.number, "id": job.pk}, code="job_open", pointer="/vehicle"
    )


def _odometer_findings(job: Job, before: Decimal | None) -> list[NewFinding]:
    if before is None or job.odometer_km >= before:
        return []
    values = {"odometer_km": float(job.odometer_km), "before_km": float(before)}
    return [NewFinding("odometer_lower", "odometer_lower", None, "job", job.pk, values)]


def job_pause(*, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, reason: str) -> Job:
    """Parts are awaited: the job stays open."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    step.require_open()
    if step.standing.is_paused:
        raise out_of_turn(step.standing)
    pause = step.add(Pause(id=record_id, **step.common(), reason=reason), "pauses")
    step.conclude("job_paused", pause)
    return step.job


def job_resume(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    job_id: uuid.UUID,
    reason: str,
    setpoints: Mapping[str, int],
    nothing_changed: bool,
) -> Job:
    """The work goes on. Unless nothing changed and the counts are as before, readiness and measuring start anew."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    if not step.standing.is_paused:
        raise out_of_turn(step.standing)
    expected = last_known_setpoints(step.case.record, actor.now)
    resumption = step.add(
        Resumption(
            id=record_id, **step.common(), reason=reason, setpoints=dict(setpoints), nothing_changed=nothing_changed
        ),
        "resumptions",
    )
    arrival = Arrival("resumption", resumption.pk, actor.now, actor.now)
    step.raise_findings(of_setpoints(step.case.record, arrival, resumption.setpoints, expected))
    step.conclude("job_resumed", resumption)
    return step.job


def job_end(
    *, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, reason: str, setpoints: Mapping[str, int] | None = None
) -> Job:
    """End a job without sign-off, from any open state; a findings report follows."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    step.require_open()
    if step.standing.course.writes and not setpoints:
        raise Invalid.at(
            "/setpoints",
            "required_after_write",
            _("Set-points were written in this job. Read the ones now stored and send them along."),
        )
    expected = last_known_setpoints(step.case.record, actor.now)
    end = step.add(
        JobEnd(id=record_id, **step.common(), reason=reason, setpoints=dict(setpoints) if setpoints else None),
        "ends",
    )
    if end.setpoints:
        arrival = Arrival("end", end.pk, actor.now, actor.now)
        step.raise_findings(of_setpoints(step.case.record, arrival, end.setpoints, expected))
    step.close(Job.State.ENDED)
    step.case.judge_again()
    step.conclude_closed("job_ended", end)
    return step.job


def job_sign_off(
    *, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, pin: str, content_sha256: str, remark: str = ""
) -> Job:
    """Sign that the work is complete, over exactly what was shown. Claims no roadworthiness."""
    step = JobStep(actor, job_id, Permission.SIGN_OFF)
    if step.standing.next_step.step != "sign_off":
        raise out_of_turn(step.standing)
    if content_sha256 != step.standing.content_sha256:
        raise record_changed(step.standing)
    require_independent_signer(actor, step.case)
    pin_prove(actor=actor, pin=pin)
    signed = step.add(SignOff(id=record_id, **step.common(), content_sha256=content_sha256, remark=remark), "sign_offs")
    step.close(Job.State.SIGNED_OFF)
    step.case.judge_again()
    step.conclude_closed("job_signed_off", signed)
    return step.job


def job_refile(*, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, vehicle: Vehicle, reason: str) -> Job:
    """The job belonged to another vehicle: it moves there, visibly in both ledgers, and is judged again."""
    step = JobStep(actor, job_id, Permission.RULE)
    wrong = step.job.vehicle
    if wrong.pk == vehicle.pk:
        raise Invalid.at("/vehicle", "same_vehicle", _("The job is on this vehicle already."))
    _require_no_open_job(vehicle)
    refiling = step.add(
        Refiling(id=record_id, **step.common(), from_vehicle=wrong, to_vehicle=vehicle, reason=reason), "refilings"
    )
    ledger.append(actor, "job_refiled", refiling, vehicle=wrong)
    step.job.vehicle = vehicle
    step.job.specification = revision_in_force(vehicle.vehicle_model_id, local_day(step.job.opened_at))
    try:
        with transaction.atomic():
            step.job.save(update_fields=["vehicle", "specification"])
    except IntegrityError as error:
        if "calibration_job_one_open" in str(error):
            raise _vehicle_busy(vehicle, Job.objects.get(vehicle=vehicle, state__in=OPEN_STATES)) from error
        raise
    step.case = CaseFile(step.job)
    posterior_renew(vehicle_id=wrong.pk, now=actor.now)
    prior_freeze(step, taught_by_vehicle(vehicle.pk, until=step.job.opened_at))
    drift_changed(actor, wrong.pk)
    outbox.append(actor, "calibration.job_refiled", {"job": str(step.job.pk), "from_vehicle": str(wrong.pk)})
    step.conclude("job_refiled", refiling)
    return step.job


def baseline_reset(
    *, actor: Actor, record_id: uuid.UUID, vehicle: Vehicle, corners: list[str], reason: str
) -> list[BaselineReset]:
    """Let shift limits count from the set-points recorded after now: a manager's reasoned decision."""
    require(actor, Permission.RULE)
    unknown = [corner for corner in corners if corner not in CORNERS]
    if unknown or not corners:
        raise Invalid.at("/corners", "unknown_corner", _("Name one or more of FL, FR, RL, RR."))
    resets = [
        BaselineReset(
            id=record_id if position == 0 else new_id(),
            recorded_at=actor.now,
            recorded_by=actor.membership_id,
            vehicle=vehicle,
            corner=corner,
            reason=reason,
        )
        for position, corner in enumerate(dict.fromkeys(corners))
    ]
    for reset in resets:
        reset.save(force_insert=True)
    ledger.append(actor, "baseline_reset", resets[0], vehicle=vehicle, rows=resets[1:])
    return resets
