"""Webhooks, declined e-mails and reminders, behind row-level security."""

import django.contrib.postgres.fields
import django.db.models.deletion
import fleet.ids
from django.db import migrations, models

from fleet.tenancy.migration import SecureTable


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0002_secure"),
        ("reports", "0002_secure"),
    ]

    operations = [
        migrations.CreateModel(
            name="Webhook",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("url", models.CharField(max_length=1000, verbose_name="address")),
                (
                    "events",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(
                            choices=[
                                ("job.signed_off", "job signed off"),
                                ("job.ended", "job ended otherwise"),
                                ("certificate.issued", "certificate issued"),
                                ("approval.requested", "approval wanted"),
                                ("alert.opened", "alert opened"),
                                ("alert.resolved", "alert resolved"),
                            ],
                            max_length=24,
                        ),
                        size=None,
                        verbose_name="events",
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[("active", "active"), ("disabled", "disabled"), ("ended", "ended")],
                        default="active",
                        max_length=8,
                        verbose_name="state",
                    ),
                ),
                ("is_gone", models.BooleanField(default=False, editable=False)),
                ("created_at", models.DateTimeField(editable=False)),
                ("failing_since", models.DateTimeField(editable=False, null=True)),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "ordering": ("created_at", "id"),
                "indexes": [models.Index(fields=["workshop", "created_at", "id"], name="reports_webhook_order")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("events__len__gte", 1)),
                        name="reports_webhook_has_events",
                        violation_error_message="A webhook names at least one event.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("is_gone", False), models.Q(("state", "active"), _negated=True), _connector="OR"
                        ),
                        name="reports_webhook_gone_is_not_active",
                        violation_error_message="A webhook whose receiver wants nothing any more is not active.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="WebhookDelivery",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("message_id", models.CharField(editable=False, max_length=64)),
                (
                    "event",
                    models.CharField(
                        choices=[
                            ("job.signed_off", "job signed off"),
                            ("job.ended", "job ended otherwise"),
                            ("certificate.issued", "certificate issued"),
                            ("approval.requested", "approval wanted"),
                            ("alert.opened", "alert opened"),
                            ("alert.resolved", "alert resolved"),
                        ],
                        max_length=24,
                        verbose_name="event",
                    ),
                ),
                ("body", models.TextField(editable=False)),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("waiting", "waiting"),
                            ("delivered", "delivered"),
                            ("failed", "given up"),
                            ("stopped", "stopped"),
                        ],
                        default="waiting",
                        max_length=9,
                        verbose_name="state",
                    ),
                ),
                ("created_at", models.DateTimeField(editable=False)),
                ("series", models.PositiveSmallIntegerField(default=1)),
                ("attempts", models.PositiveSmallIntegerField(default=0)),
                ("next_attempt_at", models.DateTimeField(null=True)),
                ("finished_at", models.DateTimeField(null=True)),
                (
                    "webhook",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="deliveries",
                        to="reports.webhook",
                    ),
                ),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "webhook deliveries",
                "ordering": ("-created_at", "-id"),
                "indexes": [
                    models.Index(fields=["webhook", "-created_at", "-id"], name="reports_webhookdelivery_order"),
                    models.Index(
                        condition=models.Q(("state", "failed")),
                        fields=["workshop"],
                        name="reports_webhookdelivery_failed",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("webhook", "message_id"),
                        name="reports_webhookdelivery_message_once",
                        violation_error_message="This message is on its way to this webhook. Replay it instead.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("finished_at__isnull", True), ("state", "waiting")),
                            models.Q(models.Q(("state", "waiting"), _negated=True), ("finished_at__isnull", False)),
                            _connector="OR",
                        ),
                        name="reports_webhookdelivery_finished_with_time",
                        violation_error_message="A delivery that waits is not finished, and any other is.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="WebhookAttempt",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("made_at", models.DateTimeField(editable=False)),
                (
                    "outcome",
                    models.CharField(
                        choices=[("answered", "answered"), ("unanswered", "no answer"), ("refused", "not sent")],
                        editable=False,
                        max_length=10,
                    ),
                ),
                ("status", models.PositiveSmallIntegerField(editable=False, null=True)),
                ("error", models.CharField(blank=True, editable=False, max_length=300)),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
                (
                    "delivery",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="attempts_made",
                        to="reports.webhookdelivery",
                    ),
                ),
            ],
            options={
                "ordering": ("made_at", "id"),
                "indexes": [models.Index(fields=["delivery", "made_at"], name="reports_webhookattempt_order")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("outcome", "answered"), ("status__isnull", False)),
                            models.Q(models.Q(("outcome", "answered"), _negated=True), ("status__isnull", True)),
                            _connector="OR",
                        ),
                        name="reports_webhookattempt_status_of_answer",
                        violation_error_message="An attempt has a status where it was answered, and only there.",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="WebhookSecret",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("sealed", models.TextField(editable=False)),
                ("created_at", models.DateTimeField(editable=False)),
                ("expires_at", models.DateTimeField(editable=False, null=True)),
                (
                    "webhook",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="secrets",
                        to="reports.webhook",
                    ),
                ),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "ordering": ("-created_at", "-id"),
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("expires_at__isnull", True)),
                        fields=("webhook",),
                        name="reports_webhooksecret_one_current",
                        violation_error_message="This webhook has its secret. Rotate it instead.",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="DeclinedNotice",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("certificate", "certificates and findings reports"),
                            ("approval", "an approval is wanted"),
                            ("late_record", "something was recorded after a job was closed"),
                            ("alerts", "alerts that were opened or resolved, at most once a day"),
                            ("checks", "height checks that are due or overdue, at most once a day"),
                            ("instruments", "instruments whose calibration is due or overdue, at most once a day"),
                        ],
                        max_length=16,
                    ),
                ),
                ("declined_at", models.DateTimeField(editable=False)),
                (
                    "membership",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="declined_notices",
                        to="fleet.membership",
                    ),
                ),
                (
                    "operator",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="declined_notices",
                        to="fleet.operator",
                    ),
                ),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "ordering": ("kind", "id"),
                "constraints": [
                    models.UniqueConstraint(
                        fields=("membership", "operator", "kind"),
                        name="reports_declinednotice_once",
                        nulls_distinct=False,
                        violation_error_message="These e-mails are declined already.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("membership__isnull", True), ("operator__isnull", True), _connector="XOR"),
                        name="reports_declinednotice_of_one",
                        violation_error_message="E-mails are declined by a person or by an operator.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Reminder",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("stage", models.CharField(choices=[("due", "due soon"), ("overdue", "overdue")], max_length=7)),
                ("done_on", models.DateField(editable=False)),
                ("due_on", models.DateField(editable=False)),
                ("due_at_km", models.PositiveIntegerField(editable=False, null=True)),
                ("noted_at", models.DateTimeField(editable=False)),
                (
                    "instrument",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reminders",
                        to="fleet.instrument",
                    ),
                ),
                (
                    "vehicle",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reminders",
                        to="fleet.vehicle",
                    ),
                ),
                (
                    "workshop",
                    models.ForeignKey(
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.workshop",
                    ),
                ),
            ],
            options={
                "ordering": ("due_on", "id"),
                "indexes": [models.Index(fields=["workshop", "noted_at"], name="reports_reminder_noted")],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("vehicle", "instrument", "stage", "done_on"),
                        name="reports_reminder_once",
                        nulls_distinct=False,
                        violation_error_message="This was noted already.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("vehicle__isnull", True), ("instrument__isnull", True), _connector="XOR"),
                        name="reports_reminder_of_one",
                        violation_error_message="A reminder is of a vehicle or of an instrument.",
                    ),
                ],
            },
        ),
        SecureTable("webhook"),
        SecureTable("webhooksecret"),
        SecureTable("webhookdelivery"),
        SecureTable("webhookattempt"),
        SecureTable("declinednotice"),
        SecureTable("reminder"),
    ]
