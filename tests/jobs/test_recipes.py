"""Recipes: what is kept, what comes up again, and the pages."""

import csv
import io
from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, JobType
from jobs.selectors.notes import work_notes
from jobs.selectors.recipes import recipe_search
from jobs.services.jobs import job_create
from jobs.services.recipes import Settings, recipe_record, recipe_retire
from jobs.words.recipes import heat_from_c, heat_to_c, newtons, say_settings
from shop.errors import BadInput
from shop.models import InkBuild, Machine, Media, Membership, Process, Recipe, Role, Shop, Units, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs")
    Machine.objects.create(shop=shop, name="Cutter", kind="cutter")
    Machine.objects.create(shop=shop, name="Bench", kind="bench")
    Media.objects.create(shop=shop, name="White cast", width_mm=1370)
    Media.objects.create(shop=shop, name="Frosted", width_mm=1220)
    return shop


def client_of(shop: Shop, role: Role = Role.MAKER) -> Client:
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def kept(shop: Shop, force: int = 110, *, ago: float = 0, film: str = "White cast", **more) -> Recipe:
    facts = {"ink_build": InkBuild.COLOUR, "outcome": "worked", "machine": "Cutter", **more}
    facts["machine"] = Machine.objects.of(shop).get(name=facts["machine"])
    media = Media.objects.of(shop).get(name=film)
    return recipe_record(shop, media=media, settings=Settings(force_gf=force), at=NOW - ago * DAY, **facts)


def a_job(shop: Shop, build: str = InkBuild.COLOUR, film: str | None = "White cast", **more) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Labels and decals"),
        title="Labels",
        media=Media.objects.of(shop).get(name=film) if film else None,
        items=[ItemSize(90, 50, 100, ink_build=build)],
        status=JobStatus.PROMISED,
        **more,
    )


def last(shop: Shop, job: Job) -> list[tuple[str, int | None, bool]]:
    notes = work_notes(shop, Job.objects.prefetch_related("stages__kind", "items").get(pk=job.pk), NOW)
    return [(one.machine.name, one.recipe.force_gf, one.exact) for one in notes.recipes]


def test_the_last_recipe_for_the_film_and_the_ink_comes_up(shop):
    kept(shop, 90, ago=9)
    kept(shop, 110, ago=3)
    kept(shop, 70, ago=1, film="Frosted")
    kept(shop, 150, ago=1, ink_build=InkBuild.COLOUR_GLOSS)
    assert last(shop, a_job(shop)) == [("Cutter", 110, True)]


def test_where_there_is_none_for_the_ink_the_nearest_is_shown_and_marked(shop):
    kept(shop, 150, ago=5, ink_build=InkBuild.COLOUR_GLOSS)
    assert last(shop, a_job(shop)) == [("Cutter", 150, False)]


def test_a_failed_try_is_shown_only_where_there_is_nothing_else(shop):
    kept(shop, 60, ago=2, outcome="failed")
    assert last(shop, a_job(shop)) == [("Cutter", 60, True)]
    kept(shop, 100, ago=4, outcome="nearly")
    assert last(shop, a_job(shop)) == [("Cutter", 100, True)]


def test_one_that_is_retired_comes_up_no_more(shop):
    recipe_retire(kept(shop, 100), active=False)
    job = a_job(shop)
    assert last(shop, job) == []
    notes = work_notes(shop, job, NOW)
    assert [machine.name for machine in notes.without] == ["Cutter"]  # a bench is not set for a film


def test_without_a_film_or_once_it_is_over_nothing_comes_up(shop):
    kept(shop)
    assert last(shop, a_job(shop, film=None)) == []
    done = a_job(shop)
    Job.objects.filter(pk=done.pk).update(status=JobStatus.FINISHED)
    assert last(shop, done) == []


def test_only_machines_that_may_do_the_job_are_asked(shop):
    uv = Machine.objects.create(shop=shop, name="UV", kind="print_and_cut")
    uv.processes.set(Process.objects.of(shop).filter(kind="uv"))
    kept(shop, 120, machine="UV")
    solvent = Process.objects.of(shop).get(kind="solvent")
    assert last(shop, a_job(shop, process=solvent)) == [("UV", 120, True)]  # it may cut what another printed
    cutter = Machine.objects.of(shop).get(name="Cutter")
    cutter.active = False
    cutter.save()
    notes = work_notes(shop, a_job(shop), NOW)
    assert [one.name for one in notes.without] == []


def test_plain_film_is_looked_up_without_ink(shop):
    plain = kept(shop, 80, ago=3, ink_build=InkBuild.NONE)
    kept(shop, 110, ago=1)
    cut_only = Process.objects.of(shop).get(kind="cut_only")
    assert last(shop, a_job(shop, process=cut_only)) == [("Cutter", plain.force_gf, True)]


@pytest.mark.parametrize(
    ("settings", "field", "said"),
    [
        (Settings(force_gf=0), "force_gf", "from 1 to 2,000 gf"),
        (Settings(force_gf=11000), "force_gf", "11,000 gf is out of range"),
        (Settings(passes=65), "passes", "from 1 to 64"),
        (Settings(speed_mm_s=4000), "speed_mm_s", "from 1 to 3,000 mm/s"),
        (Settings(heat_c=5), "heat_c", "from 15 to 300 °C"),
        (Settings(), "", "at least one setting"),
    ],
)
def test_settings_that_make_no_sense_are_refused_in_words(shop, settings, field, said):
    with pytest.raises(BadInput, match=said) as refused:
        recipe_record(
            shop,
            machine=Machine.objects.get(name="Cutter"),
            media=Media.objects.first(),
            ink_build="colour",
            settings=settings,
            outcome="worked",
            at=NOW,
        )
    assert refused.value.field == field
    assert not Recipe.objects.exists()


def test_a_form_sent_twice_is_kept_once_and_the_same_on_another_day_again(shop):
    first = kept(shop, 110, ago=1)
    assert kept(shop, 110, ago=1) == first
    assert kept(shop, 110, ago=0) != first
    assert Recipe.objects.count() == 2


def test_a_gram_force_is_9_80665_mn():
    """Exactly, by the standard acceleration of free fall (3rd CGPM, 1901)."""
    assert newtons(1) == pytest.approx(9.80665e-3, rel=1e-12)
    assert (
        say_settings(Recipe(force_gf=110, blade="45°", passes=1), Units.METRIC)
        == "110 gf (1.08 N), 45° blade, 1 pass"
    )


def test_heat_is_said_in_the_shops_degrees():
    """Water freezes at 32 °F and boils at 212 °F."""
    assert [heat_from_c(c, Units.IMPERIAL) for c in (0, 100)] == [32, 212]
    assert [heat_to_c(f, Units.IMPERIAL) for f in (32, 212)] == [0, 100]
    recipe = Recipe(heat_c=120, speed_mm_s=1200, passes=2, print_mode="8 passes, both ways")
    assert say_settings(recipe, Units.IMPERIAL) == "2 passes, 1,200 mm/s, 248 °F, 8 passes, both ways"
    assert say_settings(recipe, Units.METRIC).count("120 °C") == 1


def test_they_are_looked_up_by_words_and_choices(shop):
    mine = kept(shop, 110, ago=2, note="Small letters", job_number=None)
    other = kept(shop, 70, ago=1, film="Frosted", outcome="failed")
    assert list(recipe_search(shop)) == [other, mine]
    assert list(recipe_search(shop, q="small LETTERS cast")) == [mine]
    assert list(recipe_search(shop, outcome="failed")) == [other]
    assert list(recipe_search(shop, media=mine.media_id, machine=mine.machine_id)) == [mine]
    assert list(recipe_search(shop, ink_build="none")) == []
    recipe_retire(other, active=False)
    assert list(recipe_search(shop)) == [mine]
    assert list(recipe_search(shop, retired=True)) == [other]
    assert list(recipe_search(shop_create(slug="hill", name="Hill"))) == []


def sent(shop: Shop, **more) -> dict:
    return {
        "film": Media.objects.of(shop).get(name="White cast").pk,
        "ink_build": "colour",
        "machine": Machine.objects.of(shop).get(name="Cutter").pk,
        "force_gf": "110",
        "blade": "45°",
        "passes": "1",
        "outcome": "worked",
        **more,
    }


def test_one_is_recorded_on_a_job_and_comes_up_there_and_on_the_device(shop):
    client, job = client_of(shop), a_job(shop)
    begin = client.get(reverse("jobs:recipe-new"), {"job": job.number})
    assert begin.context["form"].initial["job_number"] == job.number
    answer = client.post(reverse("jobs:recipe-new"), sent(shop, job_number=job.number, back="job"))
    assert answer.url == reverse("jobs:job", args=[job.number]) + "#recipes"
    recipe = Recipe.objects.get()
    assert (recipe.recorded_by.username, recipe.job_number) == ("maker-quay", job.number)
    page = client.get(answer.url).content.decode()
    assert "110 gf (1.08 N), 45° blade, 1 pass: worked, " in page
    (packed,) = client.get(reverse("jobs:pack")).json()["jobs"]
    assert [(one["recipe"], one["other_ink"]) for one in packed["last_times"]] == [(recipe.pk, "")]
    assert packed["last_times"][0]["words"].startswith("110 gf (1.08 N), 45° blade, 1 pass: worked")
    cut = job.stages.get(kind__key="cut")
    stopwatch = client.get(reverse("jobs:stopwatch", args=[job.number]), {"stage": cut.pk}).content.decode()
    assert f"/recipes/new/?like={recipe.pk}&amp;job={job.number}" in stopwatch


def test_used_again_it_is_filled_in_and_kept_beside_the_old_one(shop):
    client, old = client_of(shop), kept(shop, 95, ago=5)
    form = client.get(reverse("jobs:recipe-new"), {"like": old.pk}).context["form"]
    assert (form["force_gf"].value(), form["film"].value()) == (95, old.media_id)
    client.post(reverse("jobs:recipe-new"), sent(shop, force_gf="100", outcome="nearly"))
    assert sorted(Recipe.objects.values_list("force_gf", "outcome")) == [(95, "worked"), (100, "nearly")]


def test_an_imperial_shop_types_heat_in_fahrenheit(shop):
    Shop.objects.update(units=Units.IMPERIAL)
    client_of(shop).post(reverse("jobs:recipe-new"), sent(shop, heat="248"))
    assert Recipe.objects.get().heat_c == 120


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"force_gf": "11000"}, "11,000 gf is out of range"),
        ({"heat": "900"}, "900 °C is out of range"),
        ({"job_number": "777"}, "There is no job 777"),
        ({"film": ""}, "This field is required"),
        ({"force_gf": "", "blade": "", "passes": ""}, "Write at least one setting"),
        ({"outcome": "fine"}, "not one of the available choices"),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_field_and_nothing_kept(shop, more, said):
    answer = client_of(shop).post(reverse("jobs:recipe-new"), sent(shop, **more))
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not Recipe.objects.exists()


def test_the_page_lists_filters_retires_and_saves_a_file(shop):
    client = client_of(shop)
    assert "Nothing is kept yet" in client.get(reverse("jobs:recipes")).content.decode()
    mine, other = kept(shop, 110, ago=2, note="-soft"), kept(shop, 70, ago=1, film="Frosted")
    page = client.get(reverse("jobs:recipes"), {"q": "frosted"}).content.decode()
    assert "70 gf" in page
    assert "110 gf" not in page
    assert "No recipe is like that" in client.get(reverse("jobs:recipes"), {"q": "zzz"}).content.decode()
    text = client.get(reverse("jobs:recipes-csv"), {"film": mine.media_id}).content.decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["film"], r["force_gf"], r["note"]) for r in rows] == [("White cast", "110", "'-soft")]
    client.post(reverse("jobs:recipe-retire", args=[other.pk]), {"active": "0"})
    page = client.get(reverse("jobs:recipes")).content.decode()
    assert "shown no longer." in page
    assert "70 gf" not in page
    assert "70 gf" in client.get(reverse("jobs:recipes"), {"retired": "on"}).content.decode()


def test_without_films_the_page_says_what_to_do_first(shop):
    Media.objects.all().delete()
    assert "Enter the films" in client_of(shop, Role.PLANNER).get(reverse("jobs:recipes")).content.decode()
