"""Secret addresses of calendars, and heads on tablets with which the tree does not go."""

import django.db.models.deletion
from django.db import migrations, models

import fleet.ids
from fleet.tenancy.migration import SecureTable


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0003_checkpoints"),
    ]

    operations = [
        migrations.CreateModel(
            name="CalendarFeed",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("digest", models.BinaryField(max_length=32, unique=True)),
                ("made_at", models.DateTimeField(editable=False)),
                ("last_read_at", models.DateTimeField(editable=False, null=True)),
                (
                    "membership",
                    models.OneToOneField(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="calendar_feed",
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
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="HeadConflict",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("rewritten", "entries were rewritten"),
                            ("shorter", "entries are missing"),
                            ("unknown_key", "signed by no known key"),
                        ],
                        editable=False,
                        max_length=11,
                    ),
                ),
                ("note", models.TextField(editable=False)),
                ("note_sha256", models.CharField(editable=False, max_length=64)),
                ("size", models.PositiveBigIntegerField(editable=False)),
                ("tree_size", models.PositiveBigIntegerField(editable=False)),
                ("found_at", models.DateTimeField(editable=False)),
                ("acknowledged_at", models.DateTimeField(editable=False, null=True)),
                ("acknowledged_by", models.UUIDField(editable=False, null=True)),
                ("explanation", models.CharField(blank=True, editable=False, max_length=1000)),
                (
                    "tablet",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="head_conflicts",
                        to="fleet.tablet",
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
                "ordering": ("-found_at", "-id"),
                "indexes": [models.Index(fields=["workshop", "-found_at", "-id"], name="fleet_headconflict_order")],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("workshop", "note_sha256"),
                        name="fleet_headconflict_once",
                        violation_error_message="This head was found not to go with the tree already.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("acknowledged_at__isnull", True),
                                ("acknowledged_by__isnull", True),
                                ("explanation", ""),
                            ),
                            models.Q(
                                ("acknowledged_at__isnull", False),
                                ("acknowledged_by__isnull", False),
                                models.Q(("explanation", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="fleet_headconflict_explained",
                        violation_error_message="Whoever acknowledges it says what explains it.",
                    ),
                ],
            },
        ),
        *[SecureTable(name) for name in ("calendarfeed", "headconflict")],
    ]
