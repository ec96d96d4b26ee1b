from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("analytics", "0010_walks_count"),
    ]

    operations = [
        migrations.AddField(
            model_name="joboutlook",
            name="why",
            field=models.TextField(
                blank=True,
                default="",
                help_text="Why its finish cannot be said, and what would change that.",
            ),
            preserve_default=False,
        ),
        migrations.AlterField(
            model_name="joboutlook",
            name="runs",
            field=models.PositiveIntegerField(help_text="Futures drawn; 0: its finish cannot be said."),
        ),
        migrations.AddField(
            model_name="slip",
            name="kind",
            field=models.CharField(
                choices=[
                    ("late", "Its chance is below its confidence"),
                    ("stuck", "Its job cannot be done as the shop stands"),
                ],
                default="late",
                max_length=5,
            ),
        ),
        migrations.AddField(
            model_name="slip",
            name="why",
            field=models.TextField(
                blank=True,
                default="",
                help_text="Why the job cannot be done, and what would make it possible.",
            ),
            preserve_default=False,
        ),
        migrations.RemoveConstraint(model_name="slip", name="slip_open_once"),
        migrations.AddConstraint(
            model_name="slip",
            constraint=models.UniqueConstraint(
                models.F("promise"),
                models.F("kind"),
                condition=models.Q(("cleared_at", None)),
                name="slip_open_once",
            ),
        ),
        migrations.AddField(
            model_name="telling",
            name="event",
            field=models.CharField(
                choices=[("begun", "That it began"), ("over", "That it is over")],
                default="begun",
                max_length=5,
            ),
        ),
        migrations.RemoveConstraint(model_name="telling", name="told_once"),
        migrations.AddConstraint(
            model_name="telling",
            constraint=models.UniqueConstraint(
                models.F("slip"), models.F("listener"), models.F("event"), name="told_once"
            ),
        ),
    ]
