"""Imports: files handed in, runs over them, and what was wrong with rows, behind row-level security."""

import django.db.models.deletion
import django.db.models.expressions
from django.db import migrations, models

import fleet.ids
from fleet.tenancy.migration import SecureTable


class Migration(migrations.Migration):
    dependencies = [
        ("fleet", "0003_checkpoints"),
        ("reports", "0004_archives"),
    ]

    operations = [
        migrations.CreateModel(
            name="ImportFile",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("name", models.CharField(editable=False, max_length=200)),
                ("format", models.CharField(editable=False, max_length=8)),
                ("encoding", models.CharField(blank=True, editable=False, max_length=12)),
                ("delimiter", models.CharField(blank=True, editable=False, max_length=1)),
                ("size", models.PositiveBigIntegerField(editable=False)),
                ("lines", models.PositiveBigIntegerField(editable=False, null=True)),
                ("sha256", models.CharField(editable=False, max_length=64)),
                ("handed_in_at", models.DateTimeField(editable=False)),
                ("removed_at", models.DateTimeField(editable=False, null=True)),
                (
                    "handed_in_by",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
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
            },
        ),
        migrations.CreateModel(
            name="Import",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("file_sha256", models.CharField(editable=False, max_length=64)),
                ("kind", models.CharField(editable=False, max_length=16, verbose_name="kind")),
                ("columns", models.JSONField(default=dict, editable=False)),
                ("time_zone", models.CharField(blank=True, editable=False, max_length=64)),
                ("language", models.CharField(editable=False, max_length=8)),
                ("dry_run", models.BooleanField(editable=False)),
                ("atomic", models.BooleanField(editable=False)),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("queued", "waiting"),
                            ("running", "running"),
                            ("done", "done"),
                            ("failed", "failed"),
                            ("cancelled", "cancelled"),
                        ],
                        default="queued",
                        editable=False,
                        max_length=9,
                        verbose_name="state",
                    ),
                ),
                (
                    "phase",
                    models.CharField(
                        choices=[("checking", "looking through the rows"), ("recording", "recording")],
                        editable=False,
                        max_length=9,
                    ),
                ),
                ("position", models.PositiveBigIntegerField(default=0, editable=False)),
                ("line", models.PositiveBigIntegerField(default=0, editable=False)),
                ("rows", models.PositiveBigIntegerField(default=0, editable=False)),
                ("accepted", models.PositiveBigIntegerField(default=0, editable=False)),
                ("known", models.PositiveBigIntegerField(default=0, editable=False)),
                ("rejected", models.PositiveBigIntegerField(default=0, editable=False)),
                ("failure", models.JSONField(editable=False, null=True)),
                ("created_at", models.DateTimeField(editable=False)),
                ("finished_at", models.DateTimeField(editable=False, null=True)),
                (
                    "started_by",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
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
                (
                    "file",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="imports",
                        to="reports.importfile",
                    ),
                ),
            ],
            options={
                "ordering": ("-created_at", "-id"),
                "indexes": [models.Index(fields=["workshop", "created_at", "id"], name="reports_import_order")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "rows__gte",
                                django.db.models.expressions.CombinedExpression(
                                    models.F("accepted"), "+", models.F("rejected")
                                ),
                            )
                        ),
                        name="reports_import_rows_counted",
                        violation_error_message="No row is both accepted and rejected.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("known__lte", models.F("accepted"))),
                        name="reports_import_known_accepted",
                        violation_error_message="What was known before is among what is accepted.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("finished_at__isnull", True), ("state__in", ["queued", "running"])),
                            models.Q(("finished_at__isnull", False), ("state__in", ["done", "failed", "cancelled"])),
                            _connector="OR",
                        ),
                        name="reports_import_finished_has_time",
                        violation_error_message="An import that has ended says when.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ImportFilePart",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("of_rows", models.BooleanField(editable=False)),
                ("number", models.PositiveIntegerField(editable=False)),
                ("content", models.BinaryField()),
                (
                    "file",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="parts",
                        to="reports.importfile",
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
                "ordering": ("file", "of_rows", "number"),
                "constraints": [
                    models.UniqueConstraint(
                        fields=("file", "of_rows", "number"),
                        name="reports_importfilepart_number",
                        violation_error_message="This piece of the file is there already.",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="RowProblem",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("line", models.PositiveBigIntegerField(editable=False)),
                ("ordinal", models.PositiveSmallIntegerField(editable=False)),
                ("field", models.CharField(blank=True, editable=False, max_length=32)),
                ("code", models.CharField(editable=False, max_length=48)),
                ("detail", models.CharField(editable=False, max_length=600)),
                (
                    "of_import",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="problems",
                        to="reports.import",
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
                "ordering": ("of_import", "line", "ordinal"),
                "constraints": [
                    models.UniqueConstraint(
                        fields=("of_import", "line", "ordinal"),
                        name="reports_rowproblem_place",
                        violation_error_message="This was said of the row already.",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="SeenRow",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                ("key", models.CharField(editable=False, max_length=64)),
                ("fingerprint", models.CharField(editable=False, max_length=64)),
                (
                    "of_import",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="reports.import",
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
                "constraints": [
                    models.UniqueConstraint(
                        fields=("of_import", "key"),
                        name="reports_seenrow_key",
                        violation_error_message="This row was seen already.",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ImportedVehicle",
            fields=[
                ("id", models.UUIDField(default=fleet.ids.new_id, editable=False, primary_key=True, serialize=False)),
                (
                    "of_import",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="reports.import",
                    ),
                ),
                (
                    "vehicle",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
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
                "constraints": [
                    models.UniqueConstraint(
                        fields=("of_import", "vehicle"),
                        name="reports_importedvehicle_once",
                        violation_error_message="This vehicle is noted already.",
                    )
                ],
            },
        ),
        SecureTable("importfile"),
        SecureTable("importfilepart"),
        SecureTable("import"),
        SecureTable("rowproblem"),
        SecureTable("seenrow"),
        SecureTable("importedvehicle"),
    ]
