"""Walks count their jobs in the columns in which all long work counts."""

from django.db import migrations, models


class Migration(migrations.Migration):
    """Rename; nothing that is stored changes."""

    dependencies = [("analytics", "0009_search_book")]

    operations = [
        migrations.RenameField("backtestrun", "jobs_done", "done"),
        migrations.RenameField("backtestrun", "jobs_total", "total"),
        migrations.AlterField("backtestrun", "result", models.JSONField(default=dict)),
    ]
