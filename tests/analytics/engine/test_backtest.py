import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from analytics.engine import scores
from analytics.engine.backtest import (
    JOB_TOTAL,
    SHOWN,
    ForecastRow,
    JobRecord,
    Learner,
    Past,
    StageRecord,
    forecast_job,
    walk,
)
from tests.analytics.engine.invented import InventedShop, TrueStage


def record(stages: Sequence[TrueStage], number: int) -> JobRecord:
    """A finished job of an invented shop as the backtest reads it."""
    made: dict[str, StageRecord] = {}
    for s in stages:
        before = made.get(s.kind, StageRecord(s.kind, s.kind, 0.0, 0.0, s.drivers, s.categories))
        made[s.kind] = replace(before, **{s.part: s.minutes})
    return JobRecord(
        f"job {number:04d}", stages[0].categories["job_type"], float(number), list(made.values())
    )


def history(seed: int, n: int) -> list[JobRecord]:
    shop = InventedShop(seed)
    return [record(shop.job().stages, i) for i in range(n)]


@pytest.fixture(scope="module")
def scored():
    """What forecasts of invented shops were worth after so many finished jobs, beside the true law's."""
    cases: dict[int, list[list[float]]] = {0: [], 5: [], 20: [], 60: []}
    totals: list[np.ndarray] = []
    for seed in range(100, 116):
        shop, learner, past, rng = InventedShop(seed), Learner(), Past(), np.random.default_rng(seed)
        for i in range(72):
            stages = shop.job().stages
            job = record(stages, i)
            forecasts, _, whole = forecast_job(learner, job, rng)
            laws = {
                (s.kind_key, p): law
                for s, f in zip(job.stages, forecasts, strict=True)
                for p, law in f.items()
            }
            after = max(k for k in cases if k <= i)
            if i - after < (4 if after < 20 else 12):
                for s in stages:
                    law = laws[s.kind, s.part]
                    oracle = scores.crps_sample(s.law(rng), s.minutes)
                    known = past.of(s.categories["job_type"], s.kind, s.part)
                    simple = abs(1.25 * float(np.mean(known)) - s.minutes) if known else np.nan
                    hits = s.minutes <= law.quantile([0.8, 0.95])
                    cases[after].append([law.crps(s.minutes), oracle, simple, *hits])
                if after >= 20:
                    totals.append(sum(s.minutes for s in stages) <= whole.quantile([0.5, 0.8, 0.95]))
            for s in stages:
                past.add(s.minutes, s.categories["job_type"], s.kind, s.part)
            learner.learn(job, forecasts, whole)
    return {k: np.array(v, float) for k, v in cases.items()}, np.array(totals, float)


# CRPS at most so many times the true law's and the mean with a quarter added; P80 and P95 within points, which
# leave room for twice the sampling error of 16 shops (0.014 and 0.006, measured on 48) beside what is aimed at.
# These shops forget no stop: the mean per type is better here than it is in `oracle_table`.
@pytest.mark.parametrize(
    ("jobs", "oracle", "simple", "p80", "p95"),
    [
        (0, 1.60, 0.80, 0.08, 0.04),
        (5, 1.35, 0.48, 0.06, 0.03),
        (20, 1.20, 0.48, 0.05, 0.03),
        (60, 1.12, 0.48, 0.05, 0.03),
    ],
)
def test_forecasts_of_invented_shops_are_sharp_and_true(scored, jobs, oracle, simple, p80, p95):
    cases = scored[0][jobs]
    assert cases[:, 0].mean() < oracle * cases[:, 1].mean()
    assert cases[:, 0].mean() < simple * np.nanmean(cases[:, 2])
    assert cases[:, 3].mean() == pytest.approx(0.8, abs=p80)
    assert cases[:, 4].mean() == pytest.approx(0.95, abs=p95)


def test_totals_of_jobs_cover_as_they_say(scored):
    median, p80, p95 = scored[1].mean(axis=0)
    assert median == pytest.approx(0.5, abs=0.08)
    assert p80 == pytest.approx(0.8, abs=0.06)
    assert p95 == pytest.approx(0.95, abs=0.03)


def test_the_score_has_the_promised_shape_and_is_json():
    result = walk(history(1, 12), first=5).to_dict()
    again = json.loads(json.dumps(result, allow_nan=False))
    assert next(iter(again["stages"])) == "all"
    assert set(again["stages"]) == {"all", "artwork", "print", "cut", "weed", "mask", "clean", "install"}
    for group in (again["stages"]["all"], again["jobs"]["all"]):
        assert set(group) == {"n", "crps_min", "pinball_min", "coverage", "width90_min", "baselines"}
        assert set(group["pinball_min"]) == set(group["coverage"]) == {"0.5", "0.8", "0.95"}
        assert set(group["baselines"]["mean_plus_quarter"]) == {"crps_min", "pinball_min"}
        assert set(group["baselines"]["past_quantiles"]) == {"crps_min", "pinball_min", "coverage"}
    assert again["stages"]["all"]["n"] == 7 * 7
    assert again["jobs"]["all"]["n"] == 7


def test_a_forecast_is_made_before_its_job_is_read():
    jobs = history(2, 15)
    changed = [
        *jobs[:10],
        replace(jobs[10], stages=[replace(s, hands_on=9999.0) for s in jobs[10].stages]),
        *jobs[11:],
    ]
    rows: list[list[ForecastRow]] = [[], []]
    walk(jobs, on_forecast=rows[0].append)
    walk(changed, on_forecast=rows[1].append)
    upto = [[r.quantiles for r in run if r.job <= "job 0010"] for run in rows]
    later = [[r.quantiles for r in run if r.job > "job 0010"] for run in rows]
    assert upto[0] == upto[1]
    assert later[0] != later[1]


def test_jobs_are_walked_in_the_order_of_their_finish_whatever_the_order_given():
    jobs = history(3, 12)
    assert walk(jobs).to_dict() == walk(jobs[::-1]).to_dict()


def test_every_stage_and_every_total_is_reported_with_rising_quantiles():
    rows: list[ForecastRow] = []
    jobs = history(4, 9)
    walk(jobs, first=5, on_forecast=rows.append)
    assert [r.job for r in rows if r.stage == JOB_TOTAL] == [job.key for job in jobs[5:]]
    assert len(rows) == 4 * (7 + 1)
    for r in rows:
        assert len(r.quantiles) == len(SHOWN)
        assert list(r.quantiles) == sorted(r.quantiles)
    last = jobs[-1]
    assert rows[-1].actual_min == sum(s.hands_on + s.unattended for s in last.stages)


def test_a_record_that_is_not_used_is_reported_with_its_reason_and_neither_scored_nor_learned():
    jobs = history(5, 10)
    bad = replace(jobs[7].stages[2], hands_on=2000.0, used=False, why="stopped the next morning")
    spoiled = [*jobs[:7], replace(jobs[7], stages=[*jobs[7].stages[:2], bad, *jobs[7].stages[3:]]), *jobs[8:]]
    rows: list[ForecastRow] = []
    result = walk(spoiled, on_forecast=rows.append)
    unfit = [r for r in rows if not r.used]
    assert [(r.stage, r.why) for r in unfit] == [
        ("cut", "stopped the next morning"),
        (JOB_TOTAL, "cut: stopped the next morning"),
    ]
    assert result.stages["cut"]["n"] == 4
    assert result.jobs["all"]["n"] == 4
    later = [r for r in rows if r.job == "job 0009" and r.stage == "cut"]
    assert later[0].quantiles[-1] < 1000


def test_forecasts_may_begin_before_the_first_job_but_are_scored_only_where_there_is_a_past():
    rows: list[ForecastRow] = []
    result = walk(history(6, 3), first=0, on_forecast=rows.append)
    assert len(rows) == 3 * 8
    assert result.jobs["all"]["n"] == 2


def test_no_jobs_give_an_empty_score():
    result = walk([])
    assert result.stages["all"]["n"] == 0
    assert result.stages["all"]["crps_min"] is None


def test_the_simple_forecasts_fall_back_from_job_type_and_stage_to_stage_to_all():
    past = Past()
    assert past.of("van", "cut") == []
    past.add(10.0, "van", "cut")
    past.add(30.0, "banner", "weed")
    assert past.of("van", "cut") == [10.0]
    assert past.of("banner", "cut") == [10.0]
    assert past.of("banner", "mask") == [10.0, 30.0]


def test_the_mean_with_a_quarter_added_is_scored_as_a_point():
    stage = StageRecord("engrave", "engrave", 40.0)
    jobs = [
        JobRecord(str(i), "plate", float(i), [replace(stage, hands_on=m)])
        for i, m in enumerate([40.0, 80.0, 50.0])
    ]
    score = walk(jobs, first=2).stages["all"]["baselines"]["mean_plus_quarter"]
    assert score["crps_min"] == abs(1.25 * 60 - 50)
    assert score["pinball_min"]["0.8"] == pytest.approx(0.2 * 25)


def test_unknown_stage_kinds_with_a_planned_time_beat_both_simple_forecasts():
    rng = np.random.default_rng(7)
    jobs = []
    for i in range(80):
        stages = []
        for kind in ("mill", "lap", "grind"):
            plan = float(rng.lognormal(4, 1))
            minutes = float(plan * rng.lognormal(-0.2, 0.5))
            stages.append(StageRecord(kind, kind, minutes, 0.0, {"planned_min": plan}, {"job_type": "ring"}))
        jobs.append(JobRecord(f"{i:03d}", "ring", float(i), stages))
    score = walk(jobs).stages["all"]
    assert score["crps_min"] < 0.7 * score["baselines"]["past_quantiles"]["crps_min"]
    assert score["crps_min"] < 0.6 * score["baselines"]["mean_plus_quarter"]["crps_min"]
    assert score["coverage"]["0.8"] == pytest.approx(0.8, abs=0.07)
