from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("reports", "0008_import_assumptions")]

    operations = [
        migrations.AlterField(
            model_name="driftalert",
            name="resolution",
            field=models.CharField(
                blank=True,
                choices=[
                    ("put_right", "put right"),
                    ("checked", "checked since"),
                    ("overtaken", "out of tolerance since"),
                    ("record_revised", "the record behind it was revised"),
                ],
                max_length=14,
            ),
        ),
    ]
