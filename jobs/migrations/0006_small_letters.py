"""Give the shops that are there the driver of small letters, unless they have one of that key."""

from django.db import migrations

KEY, NAME = "small_share", "Share of small letters"


def give(apps, schema_editor):
    driver = apps.get_model("jobs", "Driver")
    shops = apps.get_model("shop", "Shop").objects.all()
    for shop in shops:
        driver.objects.get_or_create(shop=shop, key=KEY, defaults={"name": NAME, "stock": True})


class Migration(migrations.Migration):
    dependencies = [("jobs", "0005_forecasting"), ("shop", "0005_forecasting")]

    operations = [migrations.RunPython(give, migrations.RunPython.noop)]
