"""Give the shops that are there the causes of work done again, and stock kinds of stage their elements and cautions."""

from django.db import migrations

LOCAL_RULES = "Local codes and licensed practice come first."
REMAKES = (
    ("colour-wrong", "Colour wrong"),
    ("print-fault", "Print fault"),
    ("cut-wrong", "Cut wrong or off the marks"),
    ("lifted", "Lifted or torn when weeding"),
    ("measured-wrong", "Measured wrong"),
    ("damaged-fitting", "Damaged when fitting"),
    ("customer-changed", "Customer changed it"),
)
ELEMENTS = {
    "load": ("Load roll", "Nozzle check", "Heat up"),
    "laminate": ("Set rollers", "Load laminate", "Feed through"),
    "cut": ("Load", "Register marks", "Cut test", "Cut"),
    "weed": ("Cut apart", "Weed", "Check pieces"),
    "install": ("Mark out", "Position", "Apply", "Edges and seams"),
}
CAUTIONS = {
    "mask": "Knife: a guarded rule, fingers behind it. A roll of tape is heavy: lift it with a straight back.",
    "pack": "Panels and full boxes: two people, gloves against sharp edges, a straight back. Knife: cut away from you.",
    "travel": "Lift panels and ladders with two people and tie the load down. Solvents and gas ride shut and upright, out of the cab.",
}


def give(apps, schema_editor):
    for shop in apps.get_model("shop", "Shop").objects.all():
        _causes_give(apps.get_model("jobs", "Cause"), shop)
        kinds = apps.get_model("jobs", "StageKind").objects.filter(shop=shop, stock=True)
        for kind in kinds:
            _elements_give(apps.get_model("jobs", "Element"), kind)
            if kind.key in CAUTIONS and not kind.caution:
                kind.caution = f"{CAUTIONS[kind.key]} {LOCAL_RULES}"
                kind.save(update_fields=["caution"])


def _causes_give(causes, shop):
    own = list(causes.objects.filter(shop=shop))
    keys, names = {cause.key for cause in own}, {cause.name.lower() for cause in own}
    place = max((cause.position for cause in own), default=-1)
    for key, name in REMAKES:
        if key not in keys and name.lower() not in names:
            place += 1
            causes.objects.create(
                shop=shop, key=key, name=name, position=place, pauses=False, remakes=True, stock=True
            )
    # The catch-all is offered in both places, and last.
    causes.objects.filter(shop=shop, key="other", stock=True).update(remakes=True, position=place + 1)


def _elements_give(elements, kind):
    if elements.objects.filter(kind=kind).exists():
        return
    for position, name in enumerate(ELEMENTS.get(kind.key, ())):
        elements.objects.create(shop_id=kind.shop_id, kind=kind, name=name, position=position)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0003_corrections_laps_again"), ("shop", "0003_devices_readiness_recipes")]

    operations = [migrations.RunPython(give, migrations.RunPython.noop)]
