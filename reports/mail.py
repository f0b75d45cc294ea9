"""E-mails about one thing: what each says, and when it says nothing because the thing is settled or gone."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import datetime
from functools import wraps
from typing import ParamSpec
from zoneinfo import ZoneInfo

from django.conf import settings
from django.utils import timezone, translation
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from calibration.models import Approval, Job
from calibration.selectors.approvals import detail_of
from fleet.models import Invitation, Membership, Workshop
from fleet.services.invitations import invitation_code
from fleet.services.password_links import password_link_code

from .certificate.texts import kind_title
from .codes import grouped
from .letters import message_id, send, send_notice
from .models import Certificate, CertificateFile, Notice
from .selectors.recipients import Recipient, late_findings
from .snapshot.build import verification_url

Values = ParamSpec("Values")


def in_language(chosen: Callable[..., str]) -> Callable[[Callable[Values, None]], Callable[Values, None]]:
    """Write in the reader's own language; where they chose none, in that of the workshop."""

    def decorated(send: Callable[Values, None]) -> Callable[Values, None]:
        @wraps(send)
        def wrapped(*args: Values.args, **named: Values.kwargs) -> None:
            with translation.override(chosen(*args, **named) or Workshop.objects.get().language):
                send(*args, **named)

        return wrapped

    return decorated


def of_recipient(about: uuid.UUID, recipient: Recipient, *more: object) -> str:
    return recipient.language()


def _of_invited(invitation_id: uuid.UUID, now: datetime) -> str:
    invited = Invitation.objects.filter(pk=invitation_id)
    return invited.values_list("membership__language", flat=True).first() or ""


def _of_member(membership_id: uuid.UUID, number: int) -> str:
    return Membership.objects.filter(pk=membership_id).values_list("language", flat=True).first() or ""


@in_language(of_recipient)
def send_certificate(certificate_id: uuid.UUID, recipient: Recipient, sending: uuid.UUID | None = None) -> None:
    """The issued PDF to the operator or a contact; `sending` where somebody asked for it to be sent once more."""
    file = CertificateFile.objects.select_related("certificate").filter(certificate=certificate_id).first()
    if file is None:
        return
    certificate = file.certificate
    values = _certificate_values(certificate, file)
    name = f"{certificate.kind.replace('_', '-')}-{certificate.number}.pdf"
    send_notice(
        recipient,
        Notice.CERTIFICATE,
        message_id("certificate", certificate.pk, recipient.id, *([sending] if sending else [])),
        _("%(kind)s %(number)s for vehicle %(vin)s") % values,
        _certificate_text(certificate) % values,
        attachment=(name, bytes(file.pdf), "application/pdf"),
    )


@in_language(of_recipient)
def send_approval(approval_id: uuid.UUID, recipient: Recipient) -> None:
    """Somebody waits for a decision."""
    approval = Approval.objects.select_related("job__vehicle", "proposal", "concession").filter(pk=approval_id).first()
    if approval is None or approval.decisions.exists():
        return
    values = {
        **_job_values(approval.job),
        "subject": approval.get_subject_display(),
        "detail": detail_of(approval),
    }
    send_notice(
        recipient,
        Notice.APPROVAL,
        message_id("approval", approval.pk, recipient.id),
        _("Approval wanted: %(subject)s, job %(job)s") % values,
        _(
            "In job %(job)s on vehicle %(vin)s (%(registration)s) an approval is wanted: %(subject)s.\n\n%(detail)s\n\n"
            "The work waits until somebody who may approve has decided.\n\n%(url)s\n"
        )
        % values,
    )


@in_language(of_recipient)
def send_late_record(job_id: uuid.UUID, recipient: Recipient) -> None:
    """Something was recorded after the job had closed; a replacement certificate may be due."""
    job = Job.objects.select_related("vehicle").filter(pk=job_id).first()
    newest = late_findings(job_id).first()
    if job is None or newest is None:
        return
    values = _job_values(job)
    send_notice(
        recipient,
        Notice.LATE_RECORD,
        message_id("late_record", newest.pk, recipient.id),
        _("Recorded after job %(job)s was closed") % values,
        _(
            "After job %(job)s on vehicle %(vin)s (%(registration)s) was closed, more was recorded in it.\n"
            "Its state stays as it is. Look at the record, rule on the finding, and replace the certificate\n"
            "where what it says is no longer right.\n\n%(url)s\n"
        )
        % values,
    )


@in_language(_of_invited)
def send_invitation(invitation_id: uuid.UUID, now: datetime) -> None:
    """The one-time code, to the person it is for; not where it has been used or has expired."""
    invitation = (
        Invitation.objects.select_related("membership__user", "workshop")
        .filter(pk=invitation_id, accepted_at__isnull=True, expires_at__gt=now)
        .first()
    )
    if invitation is None:
        return
    zone = ZoneInfo(invitation.workshop.time_zone)
    values = {
        "name": invitation.membership.name,
        "workshop": invitation.workshop.name,
        "until": date_format(timezone.localtime(invitation.expires_at, zone), "DATETIME_FORMAT"),
        "zone": zone.key,
        "url": f"{settings.PUBLIC_URL}/invitation/{invitation_code(invitation)}/",
    }
    send(
        invitation.membership.user.email,
        message_id("invitation", invitation.pk),
        _("Invitation to %(workshop)s") % values,
        _(
            "%(name)s,\n\n%(workshop)s has invited you to its calibration records.\n"
            "Set your own password (and, for signing, your PIN) on this page.\n"
            "It works once, until %(until)s (%(zone)s):\n\n%(url)s\n"
        )
        % values,
    )


@in_language(_of_member)
def send_password_link(membership_id: uuid.UUID, number: int) -> None:
    """A link to set a new password, to the person themselves; not where a newer one was asked for since."""
    person = Membership.objects.select_related("user", "workshop").filter(pk=membership_id, is_active=True).first()
    if person is None or not person.user.is_active or person.user.password_links != number:
        return
    values = {
        "name": person.name,
        "workshop": person.workshop.name,
        "url": f"{settings.PUBLIC_URL}/new-password/{password_link_code(person.user)}/",
    }
    send(
        person.user.email,
        message_id(f"password_link:{number}", person.pk),
        _("Set a new password"),
        _(
            "%(name)s,\n\na manager of %(workshop)s has this link sent to you, by which you set a new password.\n"
            "It works once, within one hour. You are then signed out everywhere; a second factor stays.\n"
            "If you did not ask for it, leave it and tell them: your password stays as it is.\n\n%(url)s\n"
        )
        % values,
    )


def _certificate_values(certificate: Certificate, file: CertificateFile) -> dict[str, object]:
    return {
        "kind": kind_title(certificate.kind),
        "number": certificate.number,
        "vin": file.snapshot["vehicle"]["vin"],
        "workshop": file.snapshot["workshop"]["name"],
        "replaces": certificate.replaces.number if certificate.replaces else "",
        "reason": certificate.reason,
        "code": grouped(certificate.code),
        "url": verification_url(certificate.code),
    }


def _certificate_text(certificate: Certificate) -> str:
    text = _("Attached is %(kind)s %(number)s of %(workshop)s for the vehicle with VIN %(vin)s.\n")
    if certificate.replaces:
        text += _("It replaces no. %(replaces)s. Reason: %(reason)s\n")
    return text + _("\nAnyone can check it with code %(code)s:\n%(url)s\n")


def _job_values(job: Job) -> dict[str, object]:
    return {
        "job": job.number,
        "vin": job.vehicle.vin,
        "registration": job.vehicle.registration,
        "url": settings.PUBLIC_URL,
    }
