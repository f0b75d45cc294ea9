"""E-mails with the signed head may be declined, too."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("reports", "0005_imports"),
    ]

    operations = [
        migrations.AlterField(
            model_name="declinednotice",
            name="kind",
            field=models.CharField(
                choices=[
                    ("certificate", "certificates and findings reports"),
                    ("approval", "an approval is wanted"),
                    ("late_record", "something was recorded after a job was closed"),
                    ("alerts", "alerts that were opened or resolved, at most once a day"),
                    ("checks", "height checks that are due or overdue, at most once a day"),
                    ("instruments", "instruments whose calibration is due or overdue, at most once a day"),
                    ("checkpoint", "the signed head of all records, to keep as evidence, at most once a day"),
                ],
                max_length=16,
            ),
        ),
    ]
