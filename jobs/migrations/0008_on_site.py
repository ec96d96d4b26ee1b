"""Mark the stock kinds of stage that are done at the customer's."""

from django.db import migrations

KEYS = ("clean", "install")


def mark(apps, schema_editor):
    apps.get_model("jobs", "StageKind").objects.filter(stock=True, key__in=KEYS).update(on_site=True)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0007_dates")]

    operations = [migrations.RunPython(mark, migrations.RunPython.noop)]
