"""What a stage depends on decides what is learned of it and what is forecast from; and a change of it is never lost."""

import json
import math
from datetime import UTC, datetime, timedelta
from io import StringIO

import numpy as np
import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from analytics import tasks
from analytics.models import ModelState, PooledState, Sample
from analytics.selectors.backlog import book_of, stage_forecasts
from analytics.selectors.driver_effects import effects_of
from analytics.selectors.models import learned, learned_stages
from analytics.services import learning
from analytics.services.learning import learn_shop, learn_stage
from analytics.services.relearning import is_outdated, outdate, relearn_outdated
from jobs.models import Driver, Item, Job, JobStatus, Stage, StageKind
from jobs.services.drivers import dependence_save, driver_create
from jobs.services.estimates import estimate_remove, estimate_set
from shop.models import Membership, Role, Shop, User
from tests.analytics.derived import MONDAY, a_job, a_kind, finish, learned_rows
from tests.analytics.quay import enquiry, make_quay

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def shop() -> Shop:
    return make_quay()


def ignore(shop: Shop, key: str, *drivers: str) -> None:
    """Clear these ticks of a kind of stage, as the page does; without drivers set them all again."""
    rows = list(Driver.objects.of(shop))
    kind = a_kind(shop, key)
    dependence_save(shop, [kind], rows, {(kind.pk, row.pk) for row in rows if row.key not in drivers})


def hemmed(shop: Shop, n: int = 24) -> Job:
    """Hems whose minutes are 3 a metre, whatever their colour number; with rivets they take half as long again."""
    for name, sort in (
        ("Hem m", "quantity"),
        ("Colour", "quantity"),
        ("Rivets", "yes_no"),
        ("Thread", "words"),
    ):
        driver_create(shop, name=name, sort=sort)
    job, rng = a_job(shop), np.random.default_rng(5)
    for i in range(n):
        metres, rivets = float(rng.uniform(5, 40)), float(i % 2)
        minutes = 3 * metres * (1 + 0.5 * rivets) * math.exp(0.02 * rng.standard_normal())
        finish(
            job, "hemming", minutes, MONDAY + i * DAY,
            hem_m=metres, colour=float(rng.uniform(1, 9)), rivets=rivets, thread="blue",
        )  # fmt: skip
    return job


def test_a_sample_lacks_what_its_stage_does_not_depend_on(shop: Shop) -> None:
    driver_create(shop, name="Surface", sort="words")
    job = a_job(shop)
    Item.objects.create(shop=shop, job=job, width_mm=1000, height_mm=500, count=4, letter_mm=20)
    ignore(shop, "weed", "passes", "panels", "surface")
    weed = finish(job, "weed", 20, MONDAY, surface="steel", height_m=2)
    mask = finish(job, "mask", 20, MONDAY + DAY, surface="steel")
    learn_shop(shop)
    found = {sample.stage_id: sample for sample in Sample.objects.of(shop)}
    assert set(found[weed.pk].drivers) == {"area_m2", "cut_m", "pieces", "layers", "small_share", "height_m"}
    assert found[weed.pk].drivers["small_share"] == 1.0
    assert found[weed.pk].categories == {"job_type": "Lettering"}
    assert {"passes", "panels"} <= set(found[mask.pk].drivers)
    assert found[mask.pk].categories == {"job_type": "Lettering", "surface": "steel"}


def test_a_forecast_hangs_on_no_driver_that_its_stage_does_not_depend_on(shop: Shop) -> None:
    job = hemmed(shop)
    learn_shop(shop)
    stage = Stage.objects.create(shop=shop, job=job, kind=a_kind(shop, "hemming"), name="Hemming")

    def minutes(**drivers: float) -> float:
        fresh = Stage.objects.get(pk=stage.pk)
        fresh.drivers = drivers
        return float(stage_forecasts(job, fresh, learned(shop))[0].forecast.quantile(0.5))

    assert minutes(hem_m=30.0) > 1.5 * minutes(hem_m=10.0)
    ignore(shop, "hemming", "hem_m")
    relearn_outdated(shop)
    assert minutes(hem_m=30.0) == minutes(hem_m=10.0) == minutes()


def test_changed_ticks_are_learned_as_if_they_had_always_been_so(
    shop: Shop, django_capture_on_commit_callbacks
) -> None:
    hemmed(shop)
    finish(a_job(shop), "weed", 20, MONDAY, height_m=3)
    learn_shop(shop)
    before = learned_rows(shop)
    with django_capture_on_commit_callbacks(execute=True):
        ignore(shop, "hemming", "colour", "thread")
    assert not is_outdated(shop)
    after = learned_rows(shop)
    assert after["ModelState"] != before["ModelState"]
    assert {key for sample in Sample.objects.filter(kind__key="hemming") for key in sample.drivers} == {
        "hem_m",
        "rivets",
    }
    learn_shop(shop)
    assert learned_rows(shop) == after
    with django_capture_on_commit_callbacks(execute=True):
        ignore(shop, "hemming")
    assert learned_rows(shop) == before


def test_a_lost_message_loses_nothing_because_the_sweep_sees_the_marks(shop: Shop) -> None:
    hemmed(shop, 6)
    learn_shop(shop)
    ignore(shop, "hemming", "colour")  # nothing runs on commit here: the message is lost
    assert is_outdated(shop)
    assert any("colour" in sample.drivers for sample in Sample.objects.all())
    tasks.sweep()
    assert not is_outdated(shop)
    swept = learned_rows(shop)
    assert not any("colour" in sample.drivers for sample in Sample.objects.all())
    learn_shop(shop)
    assert learned_rows(shop) == swept


def test_a_broker_that_is_down_is_logged_and_the_change_stands(
    shop: Shop, caplog, monkeypatch, django_capture_on_commit_callbacks
) -> None:
    hemmed(shop, 3)
    learn_shop(shop)

    def refuse(*_: object, **__: object) -> None:
        raise ConnectionError("no broker")

    monkeypatch.setattr(tasks.relearn_shop, "apply_async", refuse)
    with django_capture_on_commit_callbacks(execute=True):
        ignore(shop, "hemming", "colour")
    assert "waits for the sweep" in caplog.text
    assert StageKind.objects.get(key="hemming").ignores.get().key == "colour"
    assert is_outdated(shop)


def test_what_another_worker_worked_out_before_the_change_is_worked_out_again(
    shop: Shop, monkeypatch
) -> None:
    job = hemmed(shop, 3)
    learn_shop(shop)
    stage = finish(job, "hemming", 60, MONDAY + 9 * DAY, hem_m=20.0, colour=3.0)
    plan_stages, outside, changed = learning._plan_stages, len(connection.savepoint_ids), []

    def overtaken(shop: Shop, stage_ids: list[int]) -> learning.Plan:
        plan = plan_stages(shop, stage_ids)
        if not changed and len(connection.savepoint_ids) == outside:
            changed.append(True)
            ignore(shop, "hemming", "colour")
        return plan

    monkeypatch.setattr(learning, "_plan_stages", overtaken)
    learn_stage(stage.pk)
    monkeypatch.undo()
    assert changed
    assert "colour" not in Sample.objects.get(stage=stage).drivers


def test_marks_are_of_one_shop_and_a_shop_without_marks_is_left_alone(shop: Shop) -> None:
    hill = make_quay("hill")
    for one in (shop, hill):
        finish(a_job(one), "weed", 20, MONDAY, height_m=2)
        learn_shop(one)
    versions = dict(PooledState.objects.of(hill).values_list("part", "version"))
    assert outdate(shop, [a_kind(shop, "weed").pk]) == 1
    assert (is_outdated(shop), is_outdated(hill)) == (True, False)
    assert relearn_outdated(hill) == 0
    assert dict(PooledState.objects.of(hill).values_list("part", "version")) == versions
    assert relearn_outdated(shop) == 1


def test_an_own_estimate_is_learned_and_taking_it_back_after_the_finish_unlearns_it(
    shop: Shop, django_capture_on_commit_callbacks
) -> None:
    job = a_job(shop)
    stage = Stage.objects.create(shop=shop, job=job, kind=a_kind(shop, "weed"), name="Weed")
    estimate_set(stage, 25)
    finish(job, "weed", 30, MONDAY, stage=Stage.objects.get(pk=stage.pk))
    learn_stage(stage.pk)
    assert Sample.objects.get().drivers == {"planned_min": 25.0}
    assert "has:planned_min" in json.dumps(ModelState.objects.get(part="hands_on").state)
    with django_capture_on_commit_callbacks(execute=True):
        estimate_remove(stage)
    assert Sample.objects.get().drivers == {}


def test_the_ticks_cost_a_backlog_one_query_however_many_jobs_there_are(shop: Shop) -> None:
    def queries(jobs: int) -> int:
        while Job.objects.of(shop).count() < jobs:
            enquiry(shop)
        Job.objects.of(shop).update(status=JobStatus.PROMISED)
        with CaptureQueriesContext(
            connection,
        ) as seen:
            book_of(shop, None, datetime(2026, 11, 30, 9, tzinfo=UTC))
        return len(seen)

    ignore(shop, "weed", "height_m")
    queries(1)  # what was learned is read once
    assert queries(1) == queries(6)


def test_samples_are_made_with_as_many_queries_for_many_stages_as_for_few(shop: Shop) -> None:
    hemmed(shop, 2)
    ignore(shop, "hemming", "colour")
    with CaptureQueriesContext(connection) as few:
        learning.samples_of(shop)
    for i in range(20):
        finish(a_job(shop), "hemming", 20, MONDAY + i * DAY, hem_m=3.0)
    with CaptureQueriesContext(connection) as many:
        samples = learning.samples_of(shop)
    assert len(samples) == 22
    assert len(many) == len(few)


def test_effects_say_what_the_invented_hems_were_made_to_take(shop: Shop) -> None:
    hemmed(shop, 60)
    learn_shop(shop)
    rows = {row.key: row for row in Driver.objects.of(shop)}
    hemming = a_kind(shop, "hemming")
    effects = effects_of(shop, [hemming, a_kind(shop, "weed")], list(rows.values()), learned_stages(shop))

    def effect(key: str):
        return effects[hemming.pk, rows[key].pk]

    assert effect("hem_m").n == 60
    assert float(effect("hem_m").short.strip("+ %")) == pytest.approx(
        10, abs=2
    )  # minutes are in proportion to metres
    assert float(effect("rivets").short.strip("+ %")) == pytest.approx(50, abs=8)  # half as long again
    assert effect("rivets").words.startswith("“yes” makes it ")
    colour = effect("colour").short
    assert colour == "none" or abs(float(colour.replace("−", "-").strip("+ %"))) < 2
    assert effect("thread").short == "one word"
    assert (effect("height_m").n, effect("height_m").words) == (0, "not given with any finished stage yet")
    weed = effects[a_kind(shop, "weed").pk, rows["area_m2"].pk]
    assert (weed.n, weed.words.endswith("by the trade's formula")) == (0, True)


def test_a_quote_takes_the_height_of_letters_and_refuses_what_is_none(shop: Shop, tmp_path) -> None:
    def asked(letters: object) -> str:
        item = {"width_mm": 300, "height_mm": 200, "count": 4, "letter_mm": letters}
        file = tmp_path / "quote.json"
        file.write_text(json.dumps({"job_type": "Lettering", "process": "Cut only", "items": [item]}))
        out = StringIO()
        call_command("promise", str(file), "--json", "--shop", shop.slug, stdout=out)
        return out.getvalue()

    assert json.loads(asked(15))["promise"]["confidence"] == 0.8
    with pytest.raises(Exception, match=r"letters 400 mm high"):
        asked(400)
    with pytest.raises(Exception, match=r"items\.0\.letter_mm is 'tiny'\. Give a number"):
        asked("tiny")
    assert Job.objects.of(shop).count() == 0


def client_of(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(role.value)
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def test_the_page_shows_each_driver_and_a_planner_adds_changes_and_removes_one(shop: Shop) -> None:
    planner, page = client_of(shop, Role.PLANNER), reverse("analytics:drivers")
    seen = planner.get(page).content.decode()
    for name in ("Area", "Share of small letters", "Save the ticks", "Weed depends on Cut path"):
        assert name in seen
    refused = planner.post(page, {"name": "Area", "sort": "quantity"})
    assert refused.status_code == 422
    assert "There already is a “Area”" in refused.content.decode()
    said = planner.post(page, {"name": "Surface", "sort": "words", "levels": "Steel\r\nGlass"}, follow=True)
    assert "Surface can be given with jobs from now on." in said.content.decode()
    surface = Driver.objects.of(shop).get(key="surface")
    assert surface.levels == ["Steel", "Glass"]
    press = reverse("analytics:driver", args=[surface.pk])
    planner.post(press, {"name": "Ground", "levels": "Steel"})
    surface.refresh_from_db()
    assert (surface.name, surface.key, surface.levels) == ("Ground", "surface", ["Steel"])
    job = enquiry(shop, drivers={"surface": "Steel"})
    said = planner.post(press, {"do": "remove"}, follow=True).content.decode()
    assert "Ground is given with 1 job, so it stays" in said
    job.delete()
    said = planner.post(press, {"do": "remove"}, follow=True).content.decode()
    assert "Ground is removed." in said
    assert not Driver.objects.of(shop).filter(key="surface").exists()


def test_the_ticks_are_saved_as_sent_and_a_viewer_only_reads_them(shop: Shop) -> None:
    weed, area, height = (
        a_kind(shop, "weed"),
        Driver.objects.of(shop).get(key="area_m2"),
        Driver.objects.of(shop).get(key="height_m"),
    )
    hill = make_quay("hill")
    foreign = a_kind(hill, "weed")
    sent = {
        "kind": [weed.pk, foreign.pk, "x"],
        "driver": [area.pk, height.pk],
        "tick": [f"{weed.pk}-{area.pk}", "1-", "nonsense"],
    }
    press = reverse("analytics:dependence")
    viewer = client_of(shop, Role.VIEWER)
    assert viewer.post(press, sent).status_code == 403
    assert weed.ignores.count() == 0
    planner = client_of(shop, Role.PLANNER)
    said = planner.post(press, sent, follow=True).content.decode()
    assert "Saved: Weed. What was learned is being learned again" in said
    assert [one.key for one in weed.ignores.all()] == ["height_m"]
    assert foreign.ignores.count() == 0
    assert "Nothing was changed." in planner.post(press, sent, follow=True).content.decode()
    seen = viewer.get(reverse("analytics:drivers")).content.decode()
    assert "Save the ticks" not in seen
    assert "left out" in seen
