"""The pages of how well the forecasts did, as a browser without a script sees them."""

from __future__ import annotations

import csv
import io
from datetime import timedelta

import pytest
from django.urls import reverse

from analytics.engine.quality import PitHistogram
from analytics.models import BacktestRun, ForecastCase, RunState
from analytics.pictures.forecasts import Span, bars_picture, highest, lowest, rows_picture
from analytics.selectors.durations import Period
from analytics.selectors.forecast_cases import Asked, load, newest_run, worst
from analytics.selectors.forecast_quality import forecast_quality
from jobs.models import Cause, Interval, IntervalKind, Job, JobType, StageKind
from shop.models import Membership, Role, User
from shop.services import shop_create
from tests.analytics.derived import a_kind
from tests.analytics.forecast_rows import BEGAN, a_walk

pytestmark = pytest.mark.django_db

PAGE, CASES, FILE = (f"analytics:{name}" for name in ("forecasts", "forecast-cases", "forecast-cases-csv"))


@pytest.fixture
def shop():
    return shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")


@pytest.fixture
def see(client, shop):
    """`see(PAGE, stage="whole")`: what a viewer of the shop is shown there, as text."""
    user = User.objects.create_user("viewer", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.VIEWER)
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")

    def see(name, **query):
        answer = client.get(reverse(name), query)
        assert answer.status_code == 200, answer
        return answer.content.decode()

    return see


def test_without_a_walk_the_page_says_what_to_do(see):
    text = see(PAGE)
    assert "Try the forecasts on your past jobs" in text
    assert 'href="/forecasts/walks/"' in text
    assert "What to do" in see(CASES)


def test_without_a_walk_the_file_leads_to_the_page(client, see):
    assert "What to do" in see(CASES)
    assert client.get(reverse(FILE)).url == reverse(PAGE)


def test_a_walk_that_is_not_done_is_not_shown(shop, see):
    run = a_walk(shop, 6)
    BacktestRun.objects.filter(pk=run.pk).update(state=RunState.STOPPED)
    assert newest_run(shop) is None
    assert "No forecast has been held against what happened yet" in see(PAGE)


def test_the_newest_walk_counts_and_only_ones_own_shops(shop):
    old, other = a_walk(shop, 2), a_walk(shop_create(slug="hill", name="Hill"), 2)
    new = BacktestRun.objects.create(
        shop=shop, state=RunState.DONE, asked_at=old.asked_at, ended_at=old.ended_at + timedelta(hours=1)
    )
    assert newest_run(shop) == new
    assert newest_run(other.shop) == other
    assert forecast_quality(new, Asked(Period())) is None


def test_the_first_sentence_counts_what_was_in_time(shop, see):
    run = a_walk(shop)
    in_time = sum(
        case.actual_min <= case.quantiles[5] for case in ForecastCase.objects.filter(kind__isnull=False)
    )
    text = see(PAGE)
    assert f"Of 300 stages, {in_time} were done within the eight-in-ten time" in text
    assert "where 80 % was said" in text
    assert "is within chance" in text
    whole = sum(
        case.actual_min <= case.quantiles[5] for case in ForecastCase.objects.filter(kind__isnull=True)
    )
    assert f"Of 60 jobs, {whole} were done within" in see(PAGE, stage="whole")
    assert run.cases.count() == 360


def test_right_forecasts_are_called_right_and_no_group_is_blamed(shop, see):
    a_walk(shop, together=0.0)
    text = see(PAGE)
    assert "The bars are as even as chance allows" in text
    assert "Fewer than said" not in text
    assert "so the forecasts were better" in text


def test_a_stage_that_takes_longer_than_was_said_is_named_and_leads_to_its_cases(shop, see):
    a_walk(shop, slower={"weed": 2.0})
    text, weed = see(PAGE), StageKind.objects.get(key="weed")
    assert "Take care" in text
    found = forecast_quality(newest_run(shop), Asked(Period()))
    verdicts = {group.name: group.coverage[1].verdict for group in found.by_kind}
    assert verdicts == {"Print": "fits", "Cut": "fits", "Weed": "below", "Mask": "fits", "Apply": "fits"}
    assert f"{reverse(CASES)}?stage={weed.pk}" in text
    assert "the work takes longer than the forecasts say" in see(PAGE, stage=weed.pk)
    assert "the forecasts promise too much" in see(PAGE, stage=weed.pk)


def test_few_jobs_are_called_few(shop, see):
    a_walk(shop, 3, kinds=("cut",))
    text = see(PAGE)
    assert "Too few to say" in text
    assert "Too few to draw" in text


def test_stages_of_a_job_that_hang_together_are_worth_less(shop, see):
    a_walk(shop, together=0.7)
    found = forecast_quality(newest_run(shop), Asked(Period()))
    assert found.every.n == 300
    assert 60 <= found.worth < 150
    assert "tend to be quick or slow together" in see(PAGE)
    alone = forecast_quality(newest_run(shop), Asked(Period(), kind=StageKind.objects.get(key="cut")))
    assert alone.worth == 60.0


def test_groups_are_by_stage_by_type_and_by_the_shops_own_months(shop):
    run = a_walk(shop, 30)
    # The last minute of March in London is 22:59 of UTC, for summer has begun.
    ForecastCase.objects.filter(run=run).update(
        finished_at=BEGAN.replace(month=3, day=31, hour=22, minute=59)
    )
    late = ForecastCase.objects.filter(run=run, kind__isnull=False).first()
    ForecastCase.objects.filter(pk=late.pk).update(finished_at=BEGAN.replace(month=3, day=31, hour=23))
    found = forecast_quality(run, Asked(Period()))
    assert [(group.name, group.n) for group in found.by_month] == [("March 2026", 149), ("April 2026", 1)]
    assert [group.n for group in found.by_type] == [50, 50, 50]
    assert [group.n for group in found.by_kind] == [30] * 5
    of_month = dict(part.split("=") for part in found.by_month[1].query.split("&"))
    assert of_month == {"from": "2026-04-01", "to": "2026-04-30"}
    april = Period(*(BEGAN.date().replace(month=4, day=day) for day in (1, 30)))
    assert len(load(run, Asked(april)).cases) == 1


def test_a_filter_takes_in_only_what_it_names(shop, see):
    a_walk(shop, 30)
    cut, lettering = StageKind.objects.get(key="cut"), JobType.objects.get(shop=shop, name="Lettering")
    text = see(PAGE, stage=cut.pk, type=lettering.pk)
    assert "Of 10 stages" in text
    assert "By stage" not in text
    assert "By job type" not in text
    assert "Month by month" in text
    assert "nothing of that kind in that time" in see(PAGE, **{"from": "2031-01-01"})


def test_what_another_shop_has_is_not_found(client, shop, see):
    a_walk(shop, 3)
    other = a_kind(shop_create(slug="hill", name="Hill"), "weed")
    for query in ({"stage": other.pk}, {"stage": "x"}, {"type": 999999}):
        assert client.get(reverse(PAGE), query).status_code == 404


def test_errors_are_held_against_simpler_forecasts_and_the_own_estimate(shop):
    run = a_walk(shop, 20, kinds=("cut",))
    found = forecast_quality(run, Asked(Period()))
    cases = list(ForecastCase.objects.filter(run=run, kind__isnull=False))
    own = [case for case in cases if case.planned_min is not None]
    mean, past, planned = found.every.errors
    assert (mean.n, past.n, planned.n) == (20, 20, 10)
    assert mean.ratio == pytest.approx(sum(c.crps for c in cases) / sum(c.crps_mean for c in cases))
    theirs = sum(abs(case.planned_min - case.actual_min) for case in own)
    assert planned.ratio == pytest.approx(sum(case.crps for case in own) / theirs)


def test_cases_that_are_not_scored_count_nowhere_but_stand_in_the_file(client, shop, see):
    run = a_walk(shop, 12, kinds=("cut",))
    odd = ForecastCase.objects.filter(run=run, kind__isnull=False).first()
    ForecastCase.objects.filter(pk=odd.pk).update(used=False, why="=forgotten stop")
    assert forecast_quality(run, Asked(Period())).every.n == 11
    rows = list(csv.DictReader(io.StringIO(see(FILE))))
    assert len(rows) == 12
    assert [row["why"] for row in rows if row["used"] == "0"] == ["'=forgotten stop"]
    assert rows[0]["q80"] == f"{odd.quantiles[5]:.3f}"
    assert float(rows[0]["actual_min"]) == pytest.approx(odd.actual_min, abs=5e-4)


def test_the_worst_misses_come_first_with_what_was_clocked_beside_them(shop, see):
    run = a_walk(shop, 12, kinds=("cut",))
    ForecastCase.objects.filter(run=run).update(actual_min=12.0)
    slow, quick = (case for case in ForecastCase.objects.filter(run=run, kind__isnull=False)[4:6])
    ForecastCase.objects.filter(pk=slow.pk).update(actual_min=slow.quantiles[7] + 100.0)
    ForecastCase.objects.filter(pk=quick.pk).update(actual_min=0.5)
    cause = Cause.objects.create(shop=shop, key="blade-broke", name="Blade snapped")
    Interval.objects.create(
        shop=shop,
        stage=slow.stage,
        kind=IntervalKind.INTERRUPTION,
        cause=cause,
        starts_at=BEGAN,
        ends_at=BEGAN + timedelta(minutes=25),
    )
    assert worst(run, Asked(Period()))[:2] == [slow.pk, quick.pk]
    text = see(CASES)
    assert text.index(f"/jobs/{slow.job.number}/time/") < text.index(f"/jobs/{quick.job.number}/time/")
    assert "1 h 40 min longer" in text
    assert "interrupted: Blade snapped, 25 min" in text


def test_a_case_without_scores_is_counted_for_its_coverage_alone(shop, see):
    run = a_walk(shop, 12, kinds=("cut",))
    ForecastCase.objects.filter(run=run).update(pit=None, crps=None, crps_mean=None, crps_past=None)
    found = forecast_quality(run, Asked(Period()))
    assert (found.every.n, found.histogram, found.uniformity) == (12, None, None)
    assert "Of 12 stages" in see(PAGE)


def test_jobs_that_finished_since_are_said(shop, see):
    run = a_walk(shop, 6)
    Job.objects.filter(pk=Job.objects.of(shop).first().pk).update(
        finished_at=run.asked_at + timedelta(days=1)
    )
    assert "1 job has finished since" in see(PAGE)


# Pictures


def test_marks_stand_where_their_shares_are_and_beyond_the_scale_at_its_end():
    spans = [Span(0.5, 0.25, 0.75, False, ""), None, Span(1.5, 0.5, float("nan"), True, "")]
    picture = rows_picture([("Weed", spans)], [(0.5, "50 %")], 0.0, 1.0)
    first, third = picture.rows[0].marks
    assert (first.left, first.x, first.right) == (96.0, 180.0, 264.0)
    assert (third.x, third.right, third.shape) == (348.0, 348.0, 2)
    assert picture.lines[0].x == 180.0
    assert [tick.label for tick in picture.ticks] == ["0", "20", "40", "60", "80", "100"]
    assert all(picture.rows[0].y < mark.y < picture.base for mark in picture.rows[0].marks)


def test_a_scale_takes_in_every_interval():
    groups = [("Weed", [Span(0.5, 0.31, 0.75, False, ""), Span(1.3, float("nan"), 1.7, False, "")])]
    assert lowest(groups, 0.4) == 0.3
    assert highest(groups, 1.2, 2.0) == 1.8
    assert highest(groups, 1.2, 1.5) == 1.5


def test_bars_are_as_high_as_their_counts_and_marked_where_chance_seldom_makes_them():
    picture = bars_picture(PitHistogram((5, 20, 10, 5), 4.0, 16.0), tall=100.0)
    assert [bar.height for bar in picture.bars] == [25.0, 100.0, 50.0, 25.0]
    assert [bar.odd for bar in picture.bars] == [False, True, False, False]
    assert (picture.band_height, picture.base - picture.expected_y) == (60.0, 50.0)
    assert [(bar.first, bar.last) for bar in picture.bars] == [(0, 25), (25, 50), (50, 75), (75, 100)]
