"""How many checks of an imported file no specification judges."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0009_alert_overtaken"),
    ]

    operations = [
        migrations.AddField(
            model_name="import",
            name="unjudged",
            field=models.PositiveBigIntegerField(default=0, editable=False),
        ),
    ]
