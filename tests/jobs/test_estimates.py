"""A person's own estimate of a stage: how it is written, where it is kept, and when it would come too late."""

import pytest
from django.test import Client
from django.urls import reverse

from jobs.drivers import PLANNED, ItemSize
from jobs.forms.fields import read_minutes
from jobs.models import Driver, JobType, Stage, StageState
from jobs.services.estimates import estimate_remove, estimate_set
from jobs.services.jobs import job_create
from shop.errors import BadInput, ShopError
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


@pytest.fixture
def stage(shop) -> Stage:
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Lettering"),
        title="Shop window",
        items=[ItemSize(900, 300, letter_mm=20)],
    )
    return job.stages.get(kind__key="weed")


def client_of(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(role.value)
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def kept(stage: Stage) -> object:
    return Stage.objects.get(pk=stage.pk).drivers.get(PLANNED)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("45", 45), (" 45 min ", 45), ("7.5", 7.5), ("7,5", 7.5), ("1:30", 90), ("0:05", 5), ("12:00", 720),
        ("1 h 30", 90), ("1h30m", 90), ("1 h 30 min", 90), ("1.5 h", 90), ("2 hours", 120), ("90 minutes", 90),
    ],
)  # fmt: skip
def test_a_length_of_time_is_read_as_people_write_it(text, minutes):
    assert read_minutes(text) == minutes


@pytest.mark.parametrize(
    "text", ["soon", "1:75", "-5", "1 h 30 h", "h", "30 s", "1:30:00", "٣0 weeks", "9" * 400]
)
def test_what_is_no_length_of_time_is_quoted_with_how_to_write_one(shop, stage, text):
    with pytest.raises(BadInput) as refused:
        estimate_set(stage, read_minutes(text))
    assert refused.value.field == "minutes"
    assert "Give" in refused.value.message
    assert kept(stage) is None


def test_the_first_estimate_makes_its_driver_and_each_replaces_the_one_before(shop, stage):
    assert not Driver.objects.of(shop).filter(key=PLANNED).exists()
    estimate_set(stage, 45)
    estimate_set(stage, 90)
    driver = Driver.objects.of(shop).get(key=PLANNED)
    assert (driver.name, driver.unit, driver.stock, driver.is_category) == (
        "Own estimate",
        "min",
        False,
        False,
    )
    assert kept(stage) == 90.0
    estimate_remove(stage)
    assert PLANNED not in Stage.objects.get(pk=stage.pk).drivers


def test_an_estimate_after_the_fact_is_refused_but_may_be_taken_back(stage):
    estimate_set(stage, 45)
    Stage.objects.filter(pk=stage.pk).update(state=StageState.FINISHED)
    with pytest.raises(ShopError, match="already know how it went"):
        estimate_set(stage, 30)
    assert kept(stage) == 45.0
    estimate_remove(stage)
    assert kept(stage) is None


def test_a_hold_of_set_length_takes_no_estimate(shop, stage):
    hold = stage.job.stages.get(kind__key="approval")
    hold.hold_min = 60
    hold.save()
    with pytest.raises(ShopError, match="set length"):
        estimate_set(hold, 45)
    assert kept(hold) is None


def test_the_jobs_page_takes_an_estimate_says_what_is_wrong_and_takes_it_back(shop, stage):
    planner = client_of(shop, Role.PLANNER)
    job, press = reverse("jobs:job", args=[1]), reverse("jobs:estimate", args=[1, stage.pk])
    said = planner.post(press, {"minutes": "1:30"}, follow=True).content.decode()
    assert "Your estimate of Weed is kept: 1 h 30 min." in said
    assert kept(stage) == 90.0
    said = planner.post(press, {"minutes": "a while"}, follow=True).content.decode()
    assert "Weed: “a while” is no length of time. Give minutes, as 45" in said
    assert kept(stage) == 90.0
    viewer = client_of(shop, Role.VIEWER)
    seen = viewer.get(job).content.decode()
    assert 'Own estimate <span class="num">1 h 30 min</span>' in seen
    assert press not in seen
    assert viewer.post(press, {"minutes": "5"}).status_code == 403
    said = planner.post(press, {"do": "remove"}, follow=True).content.decode()
    assert "The estimate of Weed is taken back." in said
    assert kept(stage) is None


def test_the_api_writes_reads_and_removes_an_estimate(shop, stage):
    planner = client_of(shop, Role.PLANNER)
    place = reverse("api-stage-estimate", args=[1, stage.pk])

    def put(minutes):
        return planner.put(place, {"minutes": minutes}, content_type="application/json")

    assert put(37.5).json()["planned_min"] == 37.5
    read = planner.get(reverse("api-job", args=[1])).json()
    assert {one["name"]: one["planned_min"] for one in read["stages"]}["Weed"] == 37.5
    assert {one["planned_min"] for one in read["stages"] if one["name"] != "Weed"} == {None}
    assert read["items"][0]["letter_mm"] == 20.0
    for wrong in (0, -5, 1e9, "soon"):
        answer = put(wrong)
        assert answer.status_code == 400, wrong
        assert answer["Content-Type"].startswith("application/problem+json")
    assert kept(stage) == 37.5
    assert planner.delete(place).json()["planned_min"] is None
    assert kept(stage) is None
    maker = client_of(shop, Role.MAKER)
    assert maker.put(place, {"minutes": 5}, content_type="application/json").status_code == 403
    other = client_of(shop_create(slug="mill", name="Mill"), Role.OWNER)
    assert other.put(place, {"minutes": 5}, content_type="application/json").status_code == 404
