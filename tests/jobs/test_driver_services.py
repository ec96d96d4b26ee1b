"""A shop's own drivers: made, changed and removed; and which kind of stage depends on which."""

import importlib
from collections.abc import Iterator

import pytest
from django.apps import apps
from django.dispatch import receiver

from jobs.drivers import PLANNED, depends_on
from jobs.models import Driver, Job, JobType, StageKind
from jobs.selectors.drivers import driver_uses, ignored_drivers
from jobs.services.drivers import Sort, dependence_save, driver_create, driver_delete, driver_update, sort_of
from jobs.services.estimates import planned_driver
from jobs.services.jobs import job_create, job_update
from jobs.signals import drivers_changed
from jobs.stock import DRIVERS
from shop.errors import BadInput, ShopError
from shop.models import Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


@pytest.fixture
def announced() -> Iterator[list[list[int]]]:
    """The kinds of stage of each `drivers_changed`."""
    heard: list[list[int]] = []

    @receiver(drivers_changed)
    def hear(kind_ids, **_):
        heard.append(list(kind_ids))

    yield heard
    drivers_changed.disconnect(hear)


def made_with(shop: Shop, **drivers) -> Job:
    lettering = JobType.objects.of(shop).get(name="Lettering")
    return job_create(shop=shop, job_type=lettering, title="Door", drivers=drivers)


def kind(shop: Shop, key: str) -> StageKind:
    return StageKind.objects.of(shop).get(key=key)


def driver(shop: Shop, key: str) -> Driver:
    return Driver.objects.of(shop).get(key=key)


def test_a_new_shop_has_the_stock_drivers_and_every_stage_depends_on_them_all(shop):
    rows = Driver.objects.of(shop).order_by("pk")
    assert [(row.key, row.name, row.unit) for row in rows] == list(DRIVERS)
    assert "small_share" in {row.key for row in rows}
    assert ignored_drivers(shop) == {}


def test_a_shop_from_before_is_given_small_letters_and_keeps_a_driver_of_that_key(shop):
    other = shop_create(slug="mill", name="Mill Signs")
    driver(shop, "small_share").delete()
    Driver.objects.of(other).filter(key="small_share").update(name="Fiddly", unit="%", stock=False)
    give = importlib.import_module("jobs.migrations.0006_small_letters").give
    give(apps, None)
    give(apps, None)  # once more changes nothing
    made, kept = driver(shop, "small_share"), driver(other, "small_share")
    assert (made.name, made.stock, made.is_category, made.levels) == (
        "Share of small letters",
        True,
        False,
        [],
    )
    assert (kept.name, kept.unit, kept.stock) == ("Fiddly", "%", False)


def test_a_driver_of_each_sort_has_a_key_from_its_name_that_stays(shop):
    bends = driver_create(shop, name="  Bends  per  m ", sort="quantity", unit="1/m", levels=["ignored"])
    surface = driver_create(
        shop, name="Surface", sort="words", unit="m", levels=["Steel", " steel", "", "Glass"]
    )
    rivets = driver_create(shop, name="Über Nieten", sort="yes_no")
    assert [(one.key, one.name, one.unit, one.levels, sort_of(one)) for one in (bends, surface, rivets)] == [
        ("bends_per_m", "Bends per m", "1/m", [], Sort.QUANTITY),
        ("surface", "Surface", "", ["Steel", "Glass"], Sort.WORDS),
        ("uber_nieten", "Über Nieten", "", [], Sort.YES_NO),
    ]
    driver_update(bends, name="Curves", unit="°")
    again = driver_create(shop, name="Bends per m", sort="quantity")
    assert (driver(shop, "bends_per_m").name, again.key) == ("Curves", "bends_per_m_2")


@pytest.mark.parametrize("name", ["Job type", "Person", "Machine", "Stage", "Planned min", "Hands-on min"])
def test_no_driver_takes_a_key_that_means_something_else(shop, name):
    made = driver_create(shop, name=name, sort="words")
    assert made.key.endswith("_2")
    assert made.key != PLANNED


@pytest.mark.parametrize(
    ("facts", "field", "says"),
    [
        ({"name": " \0 ", "sort": "words"}, "name", "Give it a name"),
        ({"name": "x" * 61, "sort": "words"}, "name", "at most 60"),
        ({"name": "AREA", "sort": "quantity"}, "name", "already is a “Area”"),
        ({"name": "Bends", "sort": "colour"}, "sort", "Quantity, Words, Yes or no"),
        ({"name": "Bends", "sort": "quantity", "unit": "furlongs per week"}, "unit", "at most 12"),
        ({"name": "Kind", "sort": "words", "levels": ["y" * 81]}, "levels", "at most 80"),
        ({"name": "Kind", "sort": "words", "levels": [str(n) for n in range(101)]}, "levels", "101 words"),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_to_do(shop, facts, field, says):
    before = Driver.objects.count()
    with pytest.raises(BadInput, match=says) as refused:
        driver_create(shop, **facts)
    assert refused.value.field == field
    assert Driver.objects.count() == before


def test_only_a_driver_that_nothing_has_is_removed_and_the_others_say_why(shop):
    surface = driver_create(shop, name="Surface", sort="words")
    bends = driver_create(shop, name="Bends", sort="quantity")
    job = made_with(shop, surface="steel")
    stage = job.stages.first()
    stage.drivers = {"bends": 3.0}
    stage.save()
    assert driver_uses(shop, [surface, bends])["surface"].words == "1 job"
    with pytest.raises(ShopError, match="Surface is given with 1 job, so it stays"):
        driver_delete(surface)
    with pytest.raises(ShopError, match="Bends is given with 1 stage, so it stays"):
        driver_delete(bends)
    with pytest.raises(ShopError, match="Area is among the drivers that every shop has"):
        driver_delete(driver(shop, "area_m2"))
    stage.drivers = {}
    stage.save()
    driver_delete(bends)
    assert not Driver.objects.of(shop).filter(key="bends").exists()
    assert Driver.objects.of(shop).filter(key="surface").exists()


def test_the_unit_of_a_stock_driver_and_of_the_own_estimate_stays(shop):
    area, planned = driver(shop, "area_m2"), planned_driver(shop)
    driver_update(area, name="Printed area", unit="ft²")
    driver_update(planned, name="By eye", unit="h")
    assert (driver(shop, "area_m2").name, driver(shop, "area_m2").unit) == ("Printed area", "m²")
    assert (driver(shop, PLANNED).name, driver(shop, PLANNED).unit) == ("By eye", "min")


def test_a_kind_of_stage_depends_on_what_is_ticked_and_the_change_is_announced(shop, announced):
    weed, mask = kind(shop, "weed"), kind(shop, "mask")
    area, height, passes = (driver(shop, key) for key in ("area_m2", "height_m", "passes"))
    ticked = {(weed.pk, area.pk), (mask.pk, area.pk), (mask.pk, height.pk)}
    assert dependence_save(shop, [weed, mask], [area, height], ticked) == [weed]
    assert ignored_drivers(shop) == {weed.pk: {"height_m"}}
    assert dependence_save(shop, [weed, mask], [area, height], ticked) == []
    # What was not shown stays as it is.
    assert dependence_save(shop, [weed], [passes], set()) == [weed]
    assert ignored_drivers(shop) == {weed.pk: {"height_m", "passes"}}
    assert dependence_save(shop, [weed], [height], {(weed.pk, height.pk)}) == [weed]
    assert ignored_drivers(shop) == {weed.pk: {"passes"}}
    assert announced == [[weed.pk], [weed.pk], [weed.pk]]


def test_what_a_stage_does_not_depend_on_is_left_out_of_its_drivers_and_categories():
    assert depends_on({"height_m"}, {"area_m2": 2.0, "height_m": 3.0}) == {"area_m2": 2.0}
    assert depends_on((), {"surface": "steel"}) == {"surface": "steel"}


def test_a_job_keeps_yes_and_no_as_numbers_and_its_words_as_the_shop_writes_them(shop):
    driver_create(shop, name="Surface", sort="words", levels=["Steel", "Glass"])
    driver_create(shop, name="Over rivets", sort="yes_no")
    job = made_with(shop, surface="sTEEL", over_rivets=True)
    assert job.drivers == {"surface": "Steel", "over_rivets": 1.0}
    assert type(job.drivers["over_rivets"]) is float


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"surface": "brick"}, "'brick'. Choose of: Steel, Glass"),
        ({"surface": 3.0}, "is a word, not 3.0"),
        ({"over_rivets": "yes"}, "1 for yes or 0 for no"),
        ({"over_rivets": 2}, "1 for yes or 0 for no"),
        ({"height_m": True}, "a number of 0 or more"),
        ({"planned_min": 30}, "given for a stage"),
        ({"colour": "red"}, "has no driver 'colour'"),
    ],
)
def test_a_value_that_is_not_of_the_drivers_sort_is_refused_at_its_field(shop, given, says):
    driver_create(shop, name="Surface", sort="words", levels=["Steel", "Glass"])
    driver_create(shop, name="Over rivets", sort="yes_no")
    planned_driver(shop)
    with pytest.raises(BadInput) as refused:
        made_with(shop, **given)
    assert says in refused.value.message
    assert refused.value.field == f"drivers.{next(iter(given))}"
    assert Job.objects.count() == 0


def test_a_job_keeps_the_word_that_it_has_when_the_words_to_choose_from_change(shop):
    surface = driver_create(shop, name="Surface", sort="words", levels=["Steel", "Glass"])
    job = made_with(shop, surface="Steel")
    driver_update(surface, name="Surface", levels=["Glass"])
    job_update(job, title="Two doors", drivers={"surface": "Steel"})
    assert Job.objects.get().drivers == {"surface": "Steel"}
    with pytest.raises(BadInput, match="Choose of: Glass"):
        made_with(shop, surface="Steel")
