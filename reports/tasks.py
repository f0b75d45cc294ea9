"""Who performs which outbox items. Each handler runs in the item's workshop and transaction, may be repeated,
and does nothing where the row that it is about is gone.

What stays in the database happens exactly once, with the item's completion. E-mail leaves the database and
goes out at least once; a repeat carries the same Message-ID, by which mail systems recognise it. So every e-mail
is an item of its own: a recipient who cannot be reached makes nobody else get theirs twice.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from calibration.services.drift import drift_of_model_changed
from fleet import outbox
from fleet.actor import Actor
from fleet.outbox import handles

from . import mail
from .selectors import recipients
from .services import alerts, certificates, sweep

Payload = Mapping[str, Any]


@handles("calibration.job_signed_off")
@handles("calibration.job_ended")
def prepare_certificate(actor: Actor, payload: Payload) -> None:
    """Once: the job's row lock and the database's constraints allow one first certificate."""
    certificates.certificate_prepare(actor=actor, job_id=_id(payload, "job"))


@handles(certificates.ISSUE_KIND)
def issue_certificate(actor: Actor, payload: Payload) -> None:
    """Once: an issued certificate stays as it is."""
    certificates.certificate_issue(actor=actor, certificate_id=_id(payload, "certificate"))


@handles("calibration.job_refiled")
def replace_after_refiling(actor: Actor, payload: Payload) -> None:
    """Once: a certificate that already names the job's vehicle is not replaced."""
    certificates.certificate_replace_after_refiling(actor=actor, job_id=_id(payload, "job"))


@handles(certificates.ISSUED_KIND)
def spread_certificate(actor: Actor, payload: Payload) -> None:
    """Once: the e-mails are asked for in the transaction that completes this item."""
    addresses = recipients.of_certificate(_id(payload, "certificate"))
    _ask_for_mails(actor, "reports.certificate_email", payload, addresses)


@handles("calibration.drift_changed")
@handles("fleet.service_event_recorded")
@handles("fleet.odometer_recorded")
@handles("fleet.vehicle_model_changed")
def evaluate_drift(actor: Actor, payload: Payload) -> None:
    """Repeatable: what was taken in already is known, and an alert that stands is not opened again."""
    alerts.vehicle_evaluate(actor=actor, vehicle_id=_id(payload, "vehicle"))
    sweep.sweep_plan(actor=actor)


@handles("fleet.specification_in_force")
def evaluate_drift_of_model(actor: Actor, payload: Payload) -> None:
    """Repeatable: each vehicle's evaluation is."""
    drift_of_model_changed(actor, _id(payload, "vehicle_model"))


@handles(sweep.KIND)
def sweep_drift(actor: Actor, payload: Payload) -> None:
    """Repeatable, as above; what comes next is asked for in the transaction that completes this item."""
    sweep.sweep_go_on(actor=actor, after=_id(payload, "after") if "after" in payload else None)


@handles("calibration.approval_requested")
def spread_approval(actor: Actor, payload: Payload) -> None:
    """Once, as above."""
    _ask_for_mails(actor, "reports.approval_email", payload, recipients.of_approval(_id(payload, "approval")))


@handles("calibration.record_after_close")
def spread_late_record(actor: Actor, payload: Payload) -> None:
    """Once, as above."""
    addresses = recipients.of_late_record(_id(payload, "job"))
    _ask_for_mails(actor, "reports.late_record_email", payload, addresses)


@handles("reports.certificate_email")
def email_certificate(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_certificate(_id(payload, "certificate"), recipients.Recipient.of(payload))


@handles("reports.approval_email")
def email_approval(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_approval(_id(payload, "approval"), recipients.Recipient.of(payload))


@handles("reports.late_record_email")
def email_late_record(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_late_record(_id(payload, "job"), recipients.Recipient.of(payload))


@handles("fleet.invitation_email")
def email_invitation(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_invitation(_id(payload, "invitation"), actor.now)


@handles("fleet.password_link_email")
def email_password_link(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_password_link(_id(payload, "membership"), payload["number"])


def _ask_for_mails(actor: Actor, kind: str, payload: Payload, addressed: Iterable[recipients.Recipient]) -> None:
    for recipient in addressed:
        outbox.append(actor, kind, {**payload, **recipient.reference()})


def _id(payload: Payload, name: str) -> uuid.UUID:
    return uuid.UUID(payload[name])
