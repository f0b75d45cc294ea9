"""Addresses of other programs that are told of events, and every message and attempt to tell them."""

from __future__ import annotations

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from fleet.models import TenantModel, VersionedModel


class Webhook(VersionedModel):
    """Where, and of which events. Its address may hold what only its receiver should know, so no ledger has it."""

    private_fields = ("version", "url", "failing_since")

    class Event(models.TextChoices):
        JOB_SIGNED_OFF = "job.signed_off", _("job signed off")
        JOB_ENDED = "job.ended", _("job ended otherwise")
        CERTIFICATE_ISSUED = "certificate.issued", _("certificate issued")
        APPROVAL_REQUESTED = "approval.requested", _("approval wanted")
        ALERT_OPENED = "alert.opened", _("alert opened")
        ALERT_RESOLVED = "alert.resolved", _("alert resolved")
        ALERT_PASSED = "alert.passed", _("forecast passed without a measurement")

    class State(models.TextChoices):
        ACTIVE = "active", pgettext_lazy("webhook", "active")
        DISABLED = "disabled", pgettext_lazy("webhook", "disabled")
        ENDED = "ended", pgettext_lazy("webhook", "ended")

    url = models.CharField(pgettext_lazy("webhook", "address"), max_length=1000)
    events = ArrayField(models.CharField(max_length=24, choices=Event), verbose_name=_("events"))
    state = models.CharField(_("state"), max_length=8, choices=State, default=State.ACTIVE)
    is_gone = models.BooleanField(default=False, editable=False)
    """Whether the receiver itself said that it wants nothing any more (410)."""
    created_at = models.DateTimeField(editable=False)
    failing_since = models.DateTimeField(null=True, editable=False)
    """Since when no message has come through."""

    class Meta:
        ordering = ("created_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(events__len__gte=1),
                name="reports_webhook_has_events",
                violation_error_message=_("A webhook names at least one event."),
            ),
            models.CheckConstraint(
                condition=Q(is_gone=False) | ~Q(state="active"),
                name="reports_webhook_gone_is_not_active",
                violation_error_message=_("A webhook whose receiver wants nothing any more is not active."),
            ),
        ]
        indexes = [models.Index(fields=["workshop", "created_at", "id"], name="reports_webhook_order")]


class WebhookSecret(TenantModel):
    """What messages are signed with. After a rotation the old one goes on signing beside the new one for a while."""

    private_fields = ("sealed",)

    webhook = models.ForeignKey(Webhook, on_delete=models.PROTECT, db_constraint=False, related_name="secrets")
    sealed = models.TextField(editable=False)
    """Encrypted with a key derived from the installation's."""
    created_at = models.DateTimeField(editable=False)
    expires_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-created_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["webhook"],
                condition=Q(expires_at__isnull=True),
                name="reports_webhooksecret_one_current",
                violation_error_message=_("This webhook has its secret. Rotate it instead."),
            )
        ]


class WebhookDelivery(TenantModel):
    """One message to one webhook: the bytes that are sent, however often it takes."""

    kept_by_ledger = False

    class State(models.TextChoices):
        WAITING = "waiting", pgettext_lazy("delivery", "waiting")
        DELIVERED = "delivered", pgettext_lazy("delivery", "delivered")
        FAILED = "failed", pgettext_lazy("delivery", "given up")
        STOPPED = "stopped", pgettext_lazy("delivery", "stopped")

    webhook = models.ForeignKey(Webhook, on_delete=models.PROTECT, db_constraint=False, related_name="deliveries")
    message_id = models.CharField(max_length=64, editable=False)
    """`webhook-id`: the same in every attempt and replay, by which a receiver knows what it has seen."""
    event = models.CharField(_("event"), max_length=24, choices=Webhook.Event)
    body = models.TextField(editable=False)
    state = models.CharField(_("state"), max_length=9, choices=State, default=State.WAITING)
    created_at = models.DateTimeField(editable=False)
    series = models.PositiveSmallIntegerField(default=1)
    """Raised by a replay, which begins the attempts anew."""
    attempts = models.PositiveSmallIntegerField(default=0)
    """Of the present series."""
    next_attempt_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        verbose_name_plural = "webhook deliveries"
        ordering = ("-created_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["webhook", "message_id"],
                name="reports_webhookdelivery_message_once",
                violation_error_message=_("This message is on its way to this webhook. Replay it instead."),
            ),
            models.CheckConstraint(
                condition=Q(state="waiting", finished_at__isnull=True)
                | (~Q(state="waiting") & Q(finished_at__isnull=False)),
                name="reports_webhookdelivery_finished_with_time",
                violation_error_message=_("A delivery that waits is not finished, and any other is."),
            ),
        ]
        indexes = [
            models.Index(fields=["webhook", "-created_at", "-id"], name="reports_webhookdelivery_order"),
            models.Index(fields=["workshop"], condition=Q(state="failed"), name="reports_webhookdelivery_failed"),
        ]


class WebhookAttempt(TenantModel):
    """One request and what came of it: a status, or why there was none."""

    kept_by_ledger = False

    class Outcome(models.TextChoices):
        ANSWERED = "answered", pgettext_lazy("attempt", "answered")
        UNANSWERED = "unanswered", pgettext_lazy("attempt", "no answer")
        REFUSED = "refused", pgettext_lazy("attempt", "not sent")

    delivery = models.ForeignKey(
        WebhookDelivery, on_delete=models.PROTECT, db_constraint=False, related_name="attempts_made"
    )
    made_at = models.DateTimeField(editable=False)
    outcome = models.CharField(max_length=10, choices=Outcome, editable=False)
    status = models.PositiveSmallIntegerField(null=True, editable=False)
    error = models.CharField(max_length=300, blank=True, editable=False)

    class Meta:
        ordering = ("made_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome="answered", status__isnull=False)
                | (~Q(outcome="answered") & Q(status__isnull=True)),
                name="reports_webhookattempt_status_of_answer",
                violation_error_message=_("An attempt has a status where it was answered, and only there."),
            )
        ]
        indexes = [models.Index(fields=["delivery", "made_at"], name="reports_webhookattempt_order")]
