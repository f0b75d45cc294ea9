"""That the forecast of an alert has passed is told once, by e-mail and to webhooks."""

import django.contrib.postgres.fields
from django.db import migrations, models

EVENTS = [
    ("job.signed_off", "job signed off"),
    ("job.ended", "job ended otherwise"),
    ("certificate.issued", "certificate issued"),
    ("approval.requested", "approval wanted"),
    ("alert.opened", "alert opened"),
    ("alert.resolved", "alert resolved"),
    ("alert.passed", "forecast passed without a measurement"),
]


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0010_import_unjudged"),
    ]

    operations = [
        migrations.AddField(
            model_name="driftalert",
            name="passed_told_at",
            field=models.DateTimeField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="driftalert",
            name="passed_told_of",
            field=models.FloatField(editable=False, null=True),
        ),
        migrations.AlterField(
            model_name="declinednotice",
            name="kind",
            field=models.CharField(
                choices=[
                    ("certificate", "certificates and findings reports"),
                    ("approval", "an approval is wanted"),
                    ("late_record", "something was recorded after a job was closed"),
                    ("alerts", "alerts that were opened or resolved, or whose forecast has passed, at most once a day"),
                    ("checks", "height checks that are due or overdue, at most once a day"),
                    ("instruments", "instruments whose calibration is due or overdue, at most once a day"),
                    ("checkpoint", "the signed head of all records, to keep as evidence, at most once a day"),
                ],
                max_length=16,
            ),
        ),
        migrations.AlterField(
            model_name="webhook",
            name="events",
            field=django.contrib.postgres.fields.ArrayField(
                base_field=models.CharField(choices=EVENTS, max_length=24), size=None, verbose_name="events"
            ),
        ),
        migrations.AlterField(
            model_name="webhookdelivery",
            name="event",
            field=models.CharField(choices=EVENTS, max_length=24, verbose_name="event"),
        ),
    ]
