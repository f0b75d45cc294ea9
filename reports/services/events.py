"""What webhooks are told of: ids, numbers and states. Whoever wants more asks the interface, by its own rights.

A vehicle is named by its id and not by its VIN, which leads to whoever runs it.
"""

from __future__ import annotations

import uuid
from typing import Any

from calibration.models import Approval, Job
from fleet.actor import Actor

from ..models import Certificate, DriftAlert, Webhook
from ..selectors.alerts import expected_of
from .webhook_deliveries import event_tell

Event = Webhook.Event
INTERFACE = "/api/v1"


def job_closed_tell(*, actor: Actor, job_id: uuid.UUID) -> None:
    """That a job was signed off, or ended otherwise; nothing where it is gone or open."""
    job = Job.objects.filter(pk=job_id).first()
    if job is None or job.closed_at is None:
        return
    event = Event.JOB_SIGNED_OFF if job.state == Job.State.SIGNED_OFF else Event.JOB_ENDED
    event_tell(actor, event, job.pk, {**_of_job(job), "state": job.state, "closed_at": job.closed_at.isoformat()})


def certificate_issued_tell(*, actor: Actor, certificate_id: uuid.UUID) -> None:
    certificate = Certificate.objects.select_related("job", "replaces").filter(pk=certificate_id).first()
    if certificate is None or certificate.issued_at is None:
        return
    data = {
        **_of_job(certificate.job),
        "certificate": str(certificate.pk),
        "number": certificate.number,
        "kind": certificate.kind,
        "issued_at": certificate.issued_at.isoformat(),
        "replaces": certificate.replaces.number if certificate.replaces else None,
        "url": f"{INTERFACE}/certificates/{certificate.number}/",
    }
    event_tell(actor, Event.CERTIFICATE_ISSUED, certificate.pk, data)


def approval_requested_tell(*, actor: Actor, approval_id: uuid.UUID) -> None:
    approval = Approval.objects.select_related("job").filter(pk=approval_id).first()
    if approval is not None:
        data = {
            **_of_job(approval.job),
            "approval": str(approval.pk),
            "subject": approval.subject,
            "url": f"{INTERFACE}/approvals/{approval.pk}/",
        }
        event_tell(actor, Event.APPROVAL_REQUESTED, approval.pk, data)


def alert_tell(*, actor: Actor, alert: DriftAlert) -> None:
    """That an alert was opened or resolved; acknowledging it is no event."""
    if alert.state == DriftAlert.State.OPEN and alert.acknowledged_at is not None:
        return
    event = Event.ALERT_OPENED if alert.state == DriftAlert.State.OPEN else Event.ALERT_RESOLVED
    event_tell(actor, event, alert.pk, _of_alert(alert))


def alert_passed_tell(*, actor: Actor, alert: DriftAlert) -> None:
    """That its forecast has passed; once for each measurement that one was made from."""
    expected = expected_of(alert.details)
    assert expected is not None  # it has passed
    data = {**_of_alert(alert), "expected_outside_on": expected.isoformat()}
    event_tell(actor, Event.ALERT_PASSED, uuid.uuid5(alert.pk, str(alert.passed_told_of)), data)


def _of_alert(alert: DriftAlert) -> dict[str, Any]:
    return {
        "alert": str(alert.pk),
        "vehicle": str(alert.vehicle_id),
        "kind": alert.kind,
        "place": alert.place,
        "opened_at": alert.opened_at.isoformat(),
        "resolution": alert.resolution or None,
        "url": f"{INTERFACE}/alerts/{alert.pk}/",
    }


def _of_job(job: Job) -> dict[str, Any]:
    return {
        "job": str(job.pk),
        "job_number": job.number,
        "vehicle": str(job.vehicle_id),
        "url": f"{INTERFACE}/jobs/{job.pk}/",
    }
