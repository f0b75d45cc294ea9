"""Exports of the whole workshop, and archives that are taken in."""

import django.db.models.deletion
from django.db import migrations, models

import fleet.ids
from fleet.tenancy.migration import SecureTable


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0003_checkpoints"),
        ("reports", "0003_notifications"),
    ]

    operations = [
        migrations.CreateModel(
            name="ArchiveIntake",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("handed_in_at", models.DateTimeField(editable=False)),
                ("sha256", models.CharField(editable=False, max_length=64)),
                ("size", models.PositiveBigIntegerField(editable=False)),
                (
                    "state",
                    models.CharField(
                        choices=[("waiting", "waiting"), ("done", "taken in"), ("refused", "not accepted")],
                        default="waiting",
                        editable=False,
                        max_length=7,
                    ),
                ),
                ("refusal", models.JSONField(default=dict, editable=False)),
                ("source", models.JSONField(default=dict, editable=False)),
                ("finished_at", models.DateTimeField(editable=False, null=True)),
                ("evidence_sha256", models.CharField(blank=True, editable=False, max_length=64)),
                (
                    "handed_in_by",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="archives",
                        to="fleet.membership",
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
                "ordering": ("-handed_in_at", "-id"),
                "indexes": [
                    models.Index(fields=["workshop", "-handed_in_at", "-id"], name="reports_archiveintake_order")
                ],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("state", "done")),
                        fields=("workshop",),
                        name="reports_archiveintake_one_taken_in",
                        violation_error_message="This workshop has taken an archive in. Use an empty one.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("sha256__regex", "^[0-9a-f]{64}$")),
                        name="reports_archiveintake_hash",
                        violation_error_message="A SHA-256 has 64 hexadecimal digits.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("finished_at__isnull", True), ("state", "waiting")),
                            models.Q(("evidence_sha256", ""), ("finished_at__isnull", False), ("state", "refused")),
                            models.Q(
                                ("finished_at__isnull", False),
                                ("state", "done"),
                                models.Q(("evidence_sha256", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="reports_archiveintake_finished_with_time",
                        violation_error_message="An archive that waits has no end, and any other has.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Export",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("requested_at", models.DateTimeField(editable=False)),
                ("made_at", models.DateTimeField(editable=False, null=True)),
                ("expires_at", models.DateTimeField(editable=False, null=True)),
                ("cleared_at", models.DateTimeField(editable=False, null=True)),
                ("size", models.PositiveBigIntegerField(editable=False, null=True)),
                ("sha256", models.CharField(blank=True, editable=False, max_length=64)),
                ("counts", models.JSONField(default=dict, editable=False)),
                ("missing", models.PositiveIntegerField(default=0, editable=False)),
                (
                    "requested_by",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="exports",
                        to="fleet.membership",
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
                "ordering": ("-requested_at", "-id"),
                "indexes": [models.Index(fields=["workshop", "-requested_at", "-id"], name="reports_export_order")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("expires_at__isnull", True),
                                ("made_at__isnull", True),
                                ("sha256", ""),
                                ("size__isnull", True),
                            ),
                            models.Q(
                                ("expires_at__isnull", False),
                                ("made_at__isnull", False),
                                ("sha256__regex", "^[0-9a-f]{64}$"),
                                ("size__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="reports_export_made_whole",
                        violation_error_message="An export that is made has a size, a hash and an end; no other has.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("cleared_at__isnull", True), ("made_at__isnull", False), _connector="OR"),
                        name="reports_export_cleared_after_made",
                        violation_error_message="Only an export that was made can be cleared away.",
                    ),
                ],
            },
        ),
        *[SecureTable(name) for name in ("export", "archiveintake")],
    ]
