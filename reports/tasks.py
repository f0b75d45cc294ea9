"""Who performs which outbox items. Each handler runs in the item's workshop and transaction, may be repeated,
and does nothing where the row that it is about is gone.

What stays in the database happens exactly once, with the item's completion. E-mails and webhooks leave the database
and go out at least once: where a worker is lost between sending and the item's completion, once more. The repeat has
the same Message-ID, or `webhook-id` and bytes, by which the other side recognises it. So each is an item of its own: a
recipient who cannot be reached makes nobody else get theirs twice. A mail server or receiver that does not answer is
tried again over days; then the item is parked, or the message given up, where a manager sees it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from calibration.services.drift import drift_of_model_changed, drift_of_workshop_changed
from fleet import outbox
from fleet.actor import Actor
from fleet.outbox import handles

from . import mail, mail_digests, mail_heads
from .selectors import recipients
from .services import (
    alerts,
    archives,
    certificates,
    daily_round,
    events,
    exports,
    import_running,
    imports,
    sweep,
    webhook_deliveries,
)

Payload = Mapping[str, Any]


@handles("calibration.job_signed_off")
@handles("calibration.job_ended")
def prepare_certificate(actor: Actor, payload: Payload) -> None:
    """Once: the job's row lock and the database's constraints allow one first certificate; a message is told once."""
    certificates.certificate_prepare(actor=actor, job_id=_id(payload, "job"))
    events.job_closed_tell(actor=actor, job_id=_id(payload, "job"))


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
    if "sending" not in payload:  # somebody asked for the e-mails once more
        events.certificate_issued_tell(actor=actor, certificate_id=_id(payload, "certificate"))


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


@handles("fleet.time_zone_changed")
def go_by_other_days(actor: Actor, payload: Payload) -> None:
    """Repeatable: each vehicle's evaluation is, and the round stays the only one."""
    drift_of_workshop_changed(actor)
    daily_round.round_move(actor=actor)


@handles(sweep.KIND)
def sweep_drift(actor: Actor, payload: Payload) -> None:
    """Repeatable, as above; what comes next is asked for in the transaction that completes this item."""
    sweep.sweep_go_on(actor=actor, after=_id(payload, "after") if "after" in payload else None)


@handles("fleet.workshop_founded")
def plan_daily_round(actor: Actor, payload: Payload) -> None:
    """Repeatable: one that is planned is not planned again."""
    daily_round.round_plan(actor=actor, since=actor.now)


@handles(daily_round.KIND)
def go_daily_round(actor: Actor, payload: Payload) -> None:
    """Once: what follows is asked for in the transaction that completes this item, the next round before all."""
    daily_round.round_go(actor=actor, since=_time(payload, "since"))


@handles(webhook_deliveries.KIND)
def attempt_delivery(actor: Actor, payload: Payload) -> None:
    """At least once: what came of it is noted with the item's completion, and so is the next attempt."""
    webhook_deliveries.delivery_attempt(
        actor=actor, delivery_id=_id(payload, "delivery"), series=int(payload["series"])
    )


@handles(exports.MAKE_KIND, takes_long=True, one_snapshot=True)
def make_export(actor: Actor, payload: Payload) -> None:
    """Once: a file that no row knows yet is written anew."""
    exports.export_make(actor=actor, export_id=_id(payload, "export"))


@handles(exports.CLEAR_KIND)
def clear_export(actor: Actor, payload: Payload) -> None:
    """Repeatable: a file that is gone is gone."""
    exports.export_clear(actor=actor, export_id=_id(payload, "export"))


@handles(archives.TAKE_IN_KIND, takes_long=True)
def take_in_archive(actor: Actor, payload: Payload) -> None:
    """Once: what was taken in or refused is so with the item's completion."""
    archives.archive_take_in(actor=actor, intake_id=_id(payload, "archive"))


@handles(archives.VEHICLE_KIND)
def derive_of_vehicle(actor: Actor, payload: Payload) -> None:
    """Repeatable: it is made anew from the records each time."""
    archives.vehicle_derive(actor=actor, vehicle_id=_id(payload, "vehicle"))


@handles("calibration.approval_requested")
def spread_approval(actor: Actor, payload: Payload) -> None:
    """Once, as above."""
    events.approval_requested_tell(actor=actor, approval_id=_id(payload, "approval"))
    _ask_for_mails(actor, "reports.approval_email", payload, recipients.of_approval(_id(payload, "approval")))


@handles("calibration.record_after_close")
def spread_late_record(actor: Actor, payload: Payload) -> None:
    """Once, as above."""
    addresses = recipients.of_late_record(_id(payload, "job"))
    _ask_for_mails(actor, "reports.late_record_email", payload, addresses)


@handles("reports.certificate_email", reaches_out=True)
def email_certificate(actor: Actor, payload: Payload) -> None:
    """At least once."""
    sending = _id(payload, "sending") if "sending" in payload else None
    mail.send_certificate(_id(payload, "certificate"), recipients.Recipient.of(payload), sending)


@handles("reports.approval_email", reaches_out=True)
def email_approval(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_approval(_id(payload, "approval"), recipients.Recipient.of(payload))


@handles("reports.late_record_email", reaches_out=True)
def email_late_record(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_late_record(_id(payload, "job"), recipients.Recipient.of(payload))


@handles(daily_round.ALERTS_KIND, reaches_out=True)
def email_alerts(actor: Actor, payload: Payload) -> None:
    """At least once."""
    since, until = _time(payload, "since"), _time(payload, "until")
    at = _time(payload, "at") if "at" in payload else actor.now  # older versions did not say it
    mail_digests.send_alerts(since, until, recipients.Recipient.of(payload), at)


@handles(daily_round.CHECKS_KIND, reaches_out=True)
def email_checks(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail_digests.send_checks(_time(payload, "noted_at"), recipients.Recipient.of(payload), actor.now)


@handles(daily_round.INSTRUMENTS_KIND, reaches_out=True)
def email_instruments(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail_digests.send_instruments(_time(payload, "noted_at"), recipients.Recipient.of(payload), actor.now)


@handles(daily_round.CHECKPOINT_KIND, reaches_out=True)
def email_head(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail_heads.send_head(int(payload["size"]), recipients.Recipient.of(payload))


@handles(webhook_deliveries.CLEAR_KIND)
def clear_old_deliveries(actor: Actor, payload: Payload) -> None:
    """Repeatable: what is gone is not found again."""
    webhook_deliveries.old_deliveries_clear(actor=actor)


@handles("fleet.invitation_email", reaches_out=True)
def email_invitation(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_invitation(_id(payload, "invitation"), actor.now)


@handles("fleet.password_link_email", reaches_out=True)
def email_password_link(actor: Actor, payload: Payload) -> None:
    """At least once."""
    mail.send_password_link(_id(payload, "membership"), payload["number"])


@handles(imports.GO_ON_KIND)
def carry_out_piece(actor: Actor, payload: Payload) -> None:
    """Once: the place in the file where the next piece begins is noted with the piece."""
    import_running.import_go_on(actor=actor, import_id=_id(payload, "import"))


@handles(imports.EVALUATE_KIND)
def evaluate_imported_vehicles(actor: Actor, payload: Payload) -> None:
    """Once: a vehicle whose evaluation is asked for is no longer noted."""
    import_running.import_vehicles_evaluate(actor=actor, import_id=_id(payload, "import"))


@handles(imports.REMOVE_KIND)
def remove_imported_file(actor: Actor, payload: Payload) -> None:
    """Repeatable: a file whose content is gone stays as it is."""
    import_running.import_file_remove(actor=actor, file_id=_id(payload, "file"))


def _ask_for_mails(actor: Actor, kind: str, payload: Payload, addressed: Iterable[recipients.Recipient]) -> None:
    for recipient in addressed:
        outbox.append(actor, kind, {**payload, **recipient.reference()})


def _time(payload: Payload, name: str) -> datetime:
    return datetime.fromisoformat(payload[name])


def _id(payload: Payload, name: str) -> uuid.UUID:
    return uuid.UUID(payload[name])
