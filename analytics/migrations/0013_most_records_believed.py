from django.db import migrations


def forget(apps, schema_editor):
    """What was learned is kept in another form now. The sweep makes all of it again from the clock."""
    for name in ("Sample", "ModelState", "PooledState", "StageDay"):
        apps.get_model("analytics", name).objects.all().delete()


class Migration(migrations.Migration):
    dependencies = [("analytics", "0012_stages_clocked_as_one")]

    operations = [migrations.RunPython(forget, migrations.RunPython.noop)]
