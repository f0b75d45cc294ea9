"""Since when a vehicle's next check is known to be due on its day."""

import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("calibration", "0002_secure"),
    ]

    operations = [
        migrations.AddField(
            model_name="driftseries",
            name="due_changed_at",
            field=models.DateTimeField(default=django.utils.timezone.now),
            preserve_default=False,
        ),
    ]
