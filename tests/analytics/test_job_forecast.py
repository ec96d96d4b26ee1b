"""A job's forecast on its pages and in the API: what is clocked, what is left, and why."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from analytics.engine.explain import Explanation, Move
from analytics.models import Sample
from analytics.pictures.job_forecast import Bar, bars_picture, steps_picture
from analytics.selectors.explaining import stage_reasons, usual_stage
from analytics.selectors.job_forecast import job_forecast, jobs_to_forecast
from analytics.selectors.models import learned
from analytics.selectors.own_estimates import estimate_record
from analytics.services.learning import sweep_shop
from analytics.templatetags.job_forecast_words import fell_words, moved
from jobs.models import Job, Stage
from jobs.services.estimates import estimate_set
from shop.models import Membership, Role, User
from tests.analytics.floor import QuayFloor, at
from tests.analytics.quay import enquiry, make_quay

pytestmark = pytest.mark.django_db


@pytest.fixture
def floor() -> QuayFloor:
    return QuayFloor()


@pytest.fixture
def see(client):
    """`see(shop, address)`: the answer that a viewer of the shop gets."""

    def see(shop, address):
        user, _ = User.objects.get_or_create(username=f"viewer-{shop.slug}")
        Membership.objects.get_or_create(user=user, shop=shop, defaults={"role": Role.VIEWER})
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        return client.get(address)

    return see


def forecast_of(job: Job, now):
    return job_forecast(jobs_to_forecast(job.shop).get(pk=job.pk), now)


def test_a_running_stage_has_less_left_and_what_was_clocked(floor):
    floor.practised()
    sweep_shop(floor.shop)
    stage = floor.stage()
    before = forecast_of(stage.job, at(9)).rows[0]
    floor.press("start", stage, at(9))
    after = forecast_of(stage.job, at(9.2)).rows[0]
    assert before.clocked == 0.0
    assert before.left.p80 == pytest.approx(before.forecast.p80, rel=1e-3)
    assert before.left.p50 == pytest.approx(20, abs=1.5)  # twelve of 18 to 22 minutes
    assert after.clocked == pytest.approx(12.0)
    assert after.left.p50 == pytest.approx(8, abs=2)
    assert after.rests_on == "12 clocked, all of this job type"


def test_a_stage_far_beyond_its_forecast_has_something_left(floor):
    floor.practised()
    sweep_shop(floor.shop)
    stage = floor.stage()
    floor.press("start", stage, at(9))
    row = forecast_of(stage.job, at(15)).rows[0]
    assert row.clocked == pytest.approx(360)
    assert 1.0 < row.left.p50 < 1000.0


def test_a_finished_stage_says_where_it_fell_and_moves_the_one_to_come(floor):
    floor.practised()
    floor.practised("mask")
    slow, quick = (floor.stage() for _ in range(2))
    for stage, minutes in ((slow, 40), (quick, 12)):
        floor.stage("mask", stage.job)
        floor.press("start", stage, at(9 if stage is slow else 11))
        floor.press("finish", stage, at(9 if stage is slow else 11) + timedelta(minutes=minutes))
    sweep_shop(floor.shop)
    left = {}
    for stage in (slow, quick):
        done, coming = forecast_of(stage.job, at(14)).rows
        assert (done.left, done.forecast) == (None, None)
        left[stage] = coming.left.p50
        assert done.fell == pytest.approx(Sample.objects.get(stage=stage).pit["hands_on"])
    assert left[slow] > left[quick]


def test_without_records_the_trade_default_speaks_and_the_page_says_so(see):
    job = enquiry(make_quay())
    text = see(job.shop, reverse("analytics:job-forecast", args=[job.number])).content.decode()
    assert "trade default</span>, nothing clocked yet" in text
    assert "not enough for a narrow eight-in-ten time" in text
    assert "No sizes are kept" not in text
    found = forecast_of(job, timezone.now())
    assert found.work.p50 == pytest.approx(
        sum(row.left.p50 for row in found.rows if not row.is_hold), rel=0.35
    )
    assert found.work.p50 <= found.work.p80 <= found.work.p90


def test_a_hold_of_set_length_lasts_that_long_and_counts_as_no_work(see):
    job = enquiry(make_quay(), process="Solvent")
    found = forecast_of(job, timezone.now())
    (hold,) = [row for row in found.rows if row.is_set]
    assert hold.left.p50 == hold.left.p90 == hold.stage.hold_min
    assert found.work.p90 < hold.left.p50 * 2
    answer = see(job.shop, reverse("analytics:stage-forecast", args=[job.number, hold.stage.pk]))
    assert "Its length is set" in answer.content.decode()


def test_the_reasons_add_up_to_the_middle_of_the_forecast(floor):
    for n in range(24):
        stage = floor.done(10.0 * (1 + n % 4), at(9, n - 40))
        Stage.objects.filter(pk=stage.pk).update(drivers={"area_m2": 1.0 + n % 4})
    sweep_shop(floor.shop)
    job = floor.stage().job
    Job.objects.filter(pk=job.pk).update(drivers={"area_m2": 4.0})
    known = learned(floor.shop)
    found = job_forecast(jobs_to_forecast(floor.shop).get(pk=job.pk), at(9), known)
    (part,) = stage_reasons(found, found.rows[0], known).parts
    middle = float(found.rows[0].parts[0].forecast.quantile(0.5))
    assert part.explanation.here == pytest.approx(middle)
    assert part.explanation.usual + sum(m.minutes for m in part.moves) == pytest.approx(middle, abs=1e-9)
    assert part.usual.drivers["area_m2"] == pytest.approx(24**0.25)  # geometric mean of 1, 2, 3, 4
    assert part.moves[0].name == "Area"
    assert (part.moves[0].usual, part.moves[0].here) == ("2.21 m²", "4 m²")


def test_a_driver_that_few_had_is_not_usual(floor):
    for n in range(3):
        stage = floor.done(20, at(9, n - 9))
        if n == 0:
            Stage.objects.filter(pk=stage.pk).update(drivers={"area_m2": 2.0})
    sweep_shop(floor.shop)
    usual = usual_stage(Stage.objects.select_related("kind", "shop").get(pk=floor.stage().pk), {})
    assert (usual.n, dict(usual.drivers)) == (3, {})


def test_own_estimates_are_compared_with_what_was_clocked(floor, see):
    for n, (minutes, planned) in enumerate([(30, 20), (25, 20), (20, 20)]):
        stage = floor.stage()
        estimate_set(stage, planned)
        floor.press("start", stage, at(9, n - 9))
        floor.press("finish", stage, at(9, n - 9) + timedelta(minutes=minutes))
    assert estimate_record(floor.shop).words == ""
    sweep_shop(floor.shop)
    record = estimate_record(floor.shop)
    assert (record.n, record.ratio) == (3, pytest.approx(1.25))
    assert record.words == "stages took 25 % longer than estimated, in the middle of 3"
    stage = floor.stage()
    estimate_set(stage, 40)
    answer = see(floor.shop, reverse("analytics:stage-forecast", args=[stage.job.number, stage.pk]))
    text = answer.content.decode()
    assert "Your own estimate is <strong>40 min</strong>" in text
    assert "25 % longer than estimated" in text


def test_other_shops_and_stages_are_not_found(floor, see):
    stage, other = floor.stage(), QuayFloor(slug="pier").stage()
    assert see(floor.shop, f"/jobs/{stage.job.number}/forecast/{stage.pk}/").status_code == 200
    assert see(floor.shop, f"/jobs/{stage.job.number}/forecast/{other.pk}/").status_code == 404
    assert see(floor.shop, "/jobs/999/forecast/").status_code == 404
    assert see(floor.shop, "/api/v1/jobs/999/forecast").status_code == 404


def test_nobody_sees_a_forecast_without_a_log_in(client, floor):
    stage = floor.stage()
    assert client.get(f"/jobs/{stage.job.number}/forecast/").status_code == 302
    assert client.get(f"/api/v1/jobs/{stage.job.number}/forecast").status_code == 403


def test_the_api_says_the_same_in_minutes_and_is_described(floor, see):
    floor.practised()
    sweep_shop(floor.shop)
    stage = floor.stage()
    sent = see(floor.shop, f"/api/v1/jobs/{stage.job.number}/forecast").json()
    row = forecast_of(stage.job, timezone.now()).rows[0]
    assert sent["stages"][0]["left_min"]["p80"] == pytest.approx(row.left.p80)
    assert sent["left_hands_on_min"]["p50"] == pytest.approx(row.left.p50)
    assert (sent["stages"][0]["records"], sent["stages"][0]["records_of_type"]) == (12, 12)
    described = json.loads(see(floor.shop, reverse("openapi")).content)
    assert set(described["paths"]["/api/v1/jobs/{number}/forecast"]["get"]["responses"]) >= {"200", "404"}


def test_the_queries_are_as_many_however_many_stages_there_are(floor, django_assert_num_queries):
    floor.practised()
    sweep_shop(floor.shop)
    stage = floor.stage()
    known = learned(floor.shop)
    job = jobs_to_forecast(floor.shop).get(pk=stage.job.pk)
    with django_assert_num_queries(7):
        job_forecast(job, at(9), known)
    for key in ("mask", "cut", "pack"):
        floor.stage(key, stage.job)
    job = jobs_to_forecast(floor.shop).get(pk=stage.job.pk)
    with django_assert_num_queries(7):
        assert len(job_forecast(job, at(9), known).rows) == 4


def test_the_job_and_its_date_lead_to_the_forecast(see):
    job = enquiry(make_quay())
    link = f'href="/jobs/{job.number}/forecast/"'
    assert link in see(job.shop, f"/jobs/{job.number}/").content.decode()
    assert link in see(job.shop, f"/jobs/{job.number}/promise/").content.decode()


def test_a_cancelled_job_and_one_without_stages_say_so(see):
    job = enquiry(make_quay())
    Job.objects.filter(pk=job.pk).update(status="cancelled")
    assert "Cancelled" in see(job.shop, f"/jobs/{job.number}/forecast/").content.decode()
    job.stages.all().delete()
    assert "nothing to forecast" in see(job.shop, f"/jobs/{job.number}/forecast/").content.decode()


def test_bars_stand_at_their_minutes():
    """100 minutes and 3 % more on 360 pixels."""
    px = 360 / 103
    picture = bars_picture([Bar("Weed", 10, 20, 40, 60, 100), Bar("Mask", 50)])
    weed, mask = picture.bars
    assert (weed.clocked, weed.low, weed.middle, weed.most) == pytest.approx(
        (10 * px, 20 * px, 40 * px, 60 * px)
    )
    assert weed.low + weed.range_width == pytest.approx(100 * px)
    assert (mask.clocked, mask.to_come) == (pytest.approx(50 * px), False)
    assert bars_picture([Bar("Weed", 0.0)]) is None


def test_steps_lead_from_the_usual_to_this_one():
    found = Explanation(20.0, 25.0, (Move(("area",), 10.0), Move(("type",), -5.0)))
    picture = steps_picture(found, ["Area", "Type"], "Usual", "Here")
    px = 360 / 30.9
    assert [(s.sort, pytest.approx(s.x), pytest.approx(s.width)) for s in picture.steps] == [
        ("whole", 0.0, 20 * px),
        ("more", 20 * px, 10 * px),
        ("less", 25 * px, 5 * px),
        ("whole", 0.0, 25 * px),
    ]
    assert steps_picture(Explanation(5.0, 5.0, ()), [], "Usual", "Here") is None


def test_moves_and_where_a_stage_fell_in_words():
    assert [moved(4.21, 20), moved(-1.0, 20), moved(0.01, 20), moved(90, 400)] == [
        "+4.2 min",
        "−1.0 min",
        "±0",
        "+90 min",
    ]
    assert [fell_words(x) for x in (None, 0.83, 0.1, 0.999)] == [
        "",
        "longer than 83 in 100",
        "less time than 90 in 100",
        "longer than 99 in 100",
    ]
