"""The lists that a shop keeps: causes and elements; and what the stock begins with."""

import importlib
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.apps import apps
from django.test import Client
from django.urls import reverse

from jobs.models import Cause, Element, JobType, Lap, StageKind, TapKind
from jobs.selectors.causes import causes_with_use
from jobs.services.causes import cause_create, cause_move, cause_retire, cause_update
from jobs.services.elements import (
    MOST,
    element_add,
    element_move,
    element_remove,
    element_rename,
    element_restore,
)
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from jobs.stock import CAUSES, ELEMENTS, LOCAL_RULES, STAGES
from shop.errors import BadInput
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


@pytest.fixture
def planner(shop: Shop) -> Client:
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def names(shop: Shop) -> list[str]:
    return list(Cause.objects.of(shop).filter(active=True).values_list("name", flat=True))


def lettering(shop: Shop) -> JobType:
    return JobType.objects.of(shop).get(name="Lettering")


def press(shop: Shop, kind: str, stage, minutes_ago: float, **more) -> None:
    at = NOW - timedelta(minutes=minutes_ago)
    tap = Tap(uuid4(), kind, stage.pk, at, **more)
    outcome = record_taps(shop=shop, user=None, taps=[tap], sent_at=NOW, received_at=NOW)
    assert outcome.results[0].status == "stored", outcome.results[0].problem


# Where each hazard of the trade is met, by the stock stage's key and a word that its caution must have.
# Common practice, no source.
HAZARDS = {
    "template": ("ladder",),
    "load": ("heavy", "rollers"),
    "print": ("vapour", "uncured ink", "lamp", "hot"),
    "outgas": ("aired", "flames"),
    "laminate": ("nip", "burns"),
    "cut": ("blade",),
    "weed": ("blade",),
    "mask": ("knife", "heavy"),
    "trim": ("knife",),
    "pack": ("two people", "knife"),
    "travel": ("lift", "tie"),
    "clean": ("solvent", "gloves", "flame"),
    "install": ("height", "burns", "live electrics behind walls and in vehicles"),
}
HARMLESS = {"artwork", "approval", "media-delivery"}  # at a desk


def test_every_stage_where_hands_can_be_hurt_says_so_and_puts_local_codes_first():
    assert {stage.key for stage in STAGES} == set(HAZARDS) | HARMLESS
    for stage in STAGES:
        if stage.key in HARMLESS:
            continue
        assert stage.caution.endswith(LOCAL_RULES), stage.key
        missing = [word for word in HAZARDS[stage.key] if word not in stage.caution.lower()]
        assert missing == [], stage.key


def test_a_new_shop_is_offered_causes_where_they_fit_and_elements(shop):
    found = {c.key: (c.pauses, c.remakes) for c in Cause.objects.of(shop)}
    assert found == {cause.key: (cause.pauses, cause.remakes) for cause in CAUSES}
    assert found["blade"] == (True, False)
    assert found["colour-wrong"] == (False, True)
    assert found["other"] == (True, True)
    assert names(shop)[-1] == "Other"
    cut = StageKind.objects.of(shop).get(key="cut")
    assert [one.name for one in cut.elements.all()] == ["Load", "Register marks", "Cut test", "Cut"]


def test_a_shop_from_before_is_given_the_same_and_keeps_its_own(shop):
    Element.objects.of(shop).delete()
    Cause.objects.of(shop).filter(remakes=True).exclude(key="other").delete()
    Cause.objects.of(shop).filter(key="other").update(remakes=False, position=8)
    own = cause_create(shop, name="print FAULT", pauses=True, remakes=False)
    StageKind.objects.of(shop).filter(key="mask").update(caution="")
    StageKind.objects.of(shop).filter(key="pack").update(caution="Ours")
    element_add(StageKind.objects.of(shop).get(key="weed"), "Peel")
    give = importlib.import_module("jobs.migrations.0004_remake_causes_and_elements").give
    give(apps, None)
    give(apps, None)  # once more changes nothing
    found = {c.key: (c.pauses, c.remakes) for c in Cause.objects.of(shop)}
    assert found.pop(own.key) == (True, False)
    stock = {c.key: (c.pauses, c.remakes) for c in CAUSES if c.key != "print-fault"}
    assert found == stock
    assert names(shop)[-1] == "Other"
    cautions = dict(StageKind.objects.of(shop).values_list("key", "caution"))
    assert cautions["mask"] == next(stage.caution for stage in STAGES if stage.key == "mask")
    assert cautions["pack"] == "Ours"
    elements = {
        kind.key: tuple(one.name for one in kind.elements.all())
        for kind in StageKind.objects.of(shop)
        if kind.elements.exists()
    }
    assert elements == {**ELEMENTS, "weed": ("Peel",)}


def test_causes_are_added_renamed_moved_and_retired(shop):
    made = cause_create(shop, name="  Power   cut ", pauses=True, remakes=False)
    assert (made.name, made.key, made.stock) == ("Power cut", "power-cut", False)
    assert names(shop)[-1] == "Power cut"
    cause_move(made, -1)
    assert names(shop)[-2:] == ["Power cut", "Other"]
    cause_update(made, name="No power", pauses=True, remakes=True)
    made.refresh_from_db()
    assert (made.name, made.key, made.remakes) == ("No power", "power-cut", True)
    cause_retire(made, active=False)
    assert "No power" not in names(shop)
    with pytest.raises(BadInput, match="Bring it back there"):
        cause_create(shop, name="no POWER", pauses=True, remakes=False)
    cause_retire(made, active=True)
    assert names(shop)[-1] == "No power"


def test_at_either_end_a_row_stays_where_it_is(shop):
    before = names(shop)
    first = Cause.objects.of(shop).get(name=before[0])
    cause_move(first, -1)
    assert names(shop) == before
    last = Cause.objects.of(shop).get(name=before[-1])
    cause_move(last, 1)
    assert names(shop) == before


def test_a_character_that_no_database_keeps_in_a_text_is_left_out_of_a_name(shop):
    assert cause_create(shop, name="Film\0 late", pauses=True, remakes=False).name == "Film late"
    with pytest.raises(BadInput, match="Give it a name"):
        cause_create(shop, name="\0", pauses=True, remakes=False)


@pytest.mark.parametrize(
    ("name", "pauses", "remakes", "field"),
    [
        ("", True, False, "name"),
        ("x" * 61, True, False, "name"),
        ("BREAK", True, False, "name"),
        ("Fire drill", False, False, "pauses"),
    ],
)
def test_a_cause_that_makes_no_sense_is_refused_and_nothing_written(shop, name, pauses, remakes, field):
    before = Cause.objects.of(shop).count()
    with pytest.raises(BadInput) as refused:
        cause_create(shop, name=name, pauses=pauses, remakes=remakes)
    assert refused.value.field == field
    assert Cause.objects.of(shop).count() == before


def test_use_counts_the_pauses_of_the_last_90_days_and_their_minutes(shop):
    stage = job_create(shop=shop, job_type=lettering(shop), title="Door").stages.get(kind__key="weed")
    blade = Cause.objects.of(shop).get(key="blade")
    days = 24 * 60
    press(shop, TapKind.START, stage, 100 * days)
    press(shop, TapKind.PAUSE, stage, 100 * days - 10, cause=blade.pk)
    press(shop, TapKind.RESUME, stage, 100 * days - 40, cause=None)
    press(shop, TapKind.ASIDE, stage, 100 * days - 50)
    press(shop, TapKind.START, stage, 300)
    press(shop, TapKind.PAUSE, stage, 200, cause=blade.pk)
    press(shop, TapKind.RESUME, stage, 188)
    press(shop, TapKind.PAUSE, stage, 30, cause=blade.pk)
    use = {one.cause.key: one for one in causes_with_use(shop, NOW)}["blade"]
    assert (use.pauses, use.pause_min) == (2, pytest.approx(12 + 30))


def test_the_page_adds_moves_and_retires(shop, planner):
    url = reverse("jobs:causes")
    assert planner.post(url, {"name": "Power cut", "pauses": "on"}).status_code == 302
    row = Cause.objects.of(shop).get(name="Power cut")
    press_url = reverse("jobs:cause", args=[row.pk])
    planner.post(press_url, {"do": "up"})
    assert names(shop)[-2] == "Power cut"
    planner.post(press_url, {"do": "save", "name": "No power", "remakes": "on"})
    row.refresh_from_db()
    assert (row.name, row.pauses, row.remakes) == ("No power", False, True)
    planner.post(press_url, {"do": "retire"})
    page = planner.get(url).content.decode()
    assert "No longer offered" in page
    refused = planner.post(url, {"name": "Break", "pauses": "on"})
    assert refused.status_code == 422
    assert "There already is a “Break”" in refused.content.decode()


def test_elements_are_added_renamed_moved_and_removed(shop):
    kind = StageKind.objects.of(shop).get(key="cut")
    peel = element_add(kind, "Peel test")
    element_move(peel, -1)
    assert [one.name for one in kind.elements.all()][-2:] == ["Peel test", "Cut"]
    element_rename(peel, "Peel")
    with pytest.raises(BadInput, match="There already is"):
        element_rename(peel, "cut TEST")
    element_remove(peel)
    assert not Element.objects.get(pk=peel.pk).active  # a tap that names it may still wait on a device
    for n in range(MOST - kind.elements.filter(active=True).count()):
        element_add(kind, f"Part {n}")
    with pytest.raises(BadInput, match="the most"):
        element_add(kind, "One more")


def test_an_element_with_laps_is_kept_for_them(shop):
    kind = StageKind.objects.of(shop).get(key="cut")
    stage = job_create(shop=shop, job_type=lettering(shop), title="Door").stages.get(kind=kind)
    test = kind.elements.get(name="Cut test")
    Lap.objects.create(shop=shop, stage=stage, element=test, starts_at=NOW, ends_at=NOW, seconds=1.0)
    element_remove(test)
    test.refresh_from_db()
    assert not test.active
    element_restore(test)
    assert [one.name for one in kind.elements.all()][-1] == "Cut test"


def test_a_kind_of_stages_page_edits_its_elements(shop, planner):
    kind = StageKind.objects.of(shop).get(key="weed")
    planner.post(reverse("jobs:element-new", args=[kind.pk]), {"name": "Peel"})
    peel = kind.elements.get(name="Peel")
    planner.post(reverse("jobs:element", args=[peel.pk]), {"do": "up"})
    page = planner.get(reverse("jobs:stage-kind", args=[kind.pk])).content.decode()
    assert (
        page.index("<strong>Weed</strong>") < page.index("<strong>Peel</strong>") < page.index("Check pieces")
    )
    planner.post(reverse("jobs:element", args=[peel.pk]), {"do": "remove"})
    assert not kind.elements.filter(name="Peel", active=True).exists()
    hold = StageKind.objects.of(shop).get(key="outgas")
    assert "Elements" not in planner.get(reverse("jobs:stage-kind", args=[hold.pk])).content.decode()
