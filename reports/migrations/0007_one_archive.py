"""One archive waits or is taken in: a second one is refused by the database, too, however close on the first it comes."""

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
                violation_error_message="This workshop has taken an archive in, or one waits to be taken in. Make a new workshop for another.",
            ),
        ),
    ]
