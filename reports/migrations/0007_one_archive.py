"""One archive waits or is taken in: the database refuses a second one, however close on the first it comes."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0006_schedule"),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name="archiveintake",
            name="reports_archiveintake_one_taken_in",
        ),
        migrations.AddConstraint(
            model_name="archiveintake",
            constraint=models.UniqueConstraint(
                condition=models.Q(("state", "refused"), _negated=True),
                fields=("workshop",),
                name="reports_archiveintake_one",
                violation_error_message=(
                    "This workshop has taken in an archive, or one waits for that. Make a new workshop for another."
                ),
            ),
        ),
    ]
