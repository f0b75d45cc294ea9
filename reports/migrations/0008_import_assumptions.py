"""What was said of an imported file that its cells do not say."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0007_one_archive"),
    ]

    operations = [
        migrations.AddField(
            model_name="import",
            name="assumptions",
            field=models.JSONField(default=dict, editable=False),
        ),
    ]
