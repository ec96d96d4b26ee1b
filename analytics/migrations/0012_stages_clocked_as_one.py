from django.db import migrations


def forget(apps, schema_editor):
    """Stages that were clocked as one are learned otherwise now. The sweep makes all of it again from the clock."""
    for name in ("Sample", "ModelState", "PooledState", "StageDay"):
        apps.get_model("analytics", name).objects.all().delete()


class Migration(migrations.Migration):
    dependencies = [("analytics", "0011_impossible_told")]

    operations = [migrations.RunPython(forget, migrations.RunPython.noop)]
