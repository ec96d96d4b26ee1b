"""A walk knows nothing of the future, and one that is taken up again ends as if it had never stopped."""

import json
from dataclasses import replace

import numpy as np
import pytest

from analytics.engine.backtest import JOB_TOTAL, HistoryChanged, JobRecord, Options, StageRecord, Walk, walk
from analytics.engine.learner import Learner, forecast_job

KINDS = ("print", "weed", "engrave", "lacquer")
JOBS = 16


def a_history(seed: int, n: int = JOBS) -> list[JobRecord]:
    """Jobs that run beside each other: two stock kinds, two of the shop's own, with estimates and an unfit record."""
    rng = np.random.default_rng(seed)
    jobs = []
    for i in range(n):
        start, stages = 100.0 * i, []
        for kind in rng.permutation(KINDS)[: rng.integers(2, 5)]:
            plan = float(rng.lognormal(3, 0.7))
            end = start + float(rng.uniform(5, 200))
            stages.append(
                StageRecord(
                    kind,
                    kind,
                    plan * float(rng.lognormal(0, 0.4)),
                    float(rng.lognormal(2, 0.4)) if kind == "print" else 0.0,
                    {"planned_min": plan, "area_m2": float(rng.uniform(0.5, 6))},
                    {"job_type": "van", "person": ("Ada", "Ben")[i % 2]},
                    start,
                    end,
                    used=i != 7,
                    why="" if i != 7 else "stopped the next morning",
                )
            )
            start = end
        jobs.append(JobRecord(f"{i:03d}", ("van", "banner")[i % 3 > 0], start, stages))
    return jobs


def scrambled(job: JobRecord, rng: np.random.Generator) -> JobRecord:
    """The job with other minutes, drivers, people and type, at the same instants."""
    stages = [
        replace(
            stage,
            kind_key=str(rng.choice(KINDS)),
            hands_on=float(rng.lognormal(6, 2)),
            drivers={"area_m2": float(rng.uniform(0, 1000)), "height_m": 3.0},
            categories={"job_type": "boat", "person": "Cleo"},
            used=bool(rng.random() < 0.8),
        )
        for stage in job.stages
    ]
    return replace(job, job_type="boat", stages=stages)


def by_job(options: Options, jobs: list[JobRecord]) -> dict[str, list[tuple[float, ...]]]:
    found: dict[str, list[tuple[float, ...]]] = {}
    for rows in Walk(jobs, options):
        for row in rows:
            found.setdefault(row.job, []).append(row.quantiles)
    return found


@pytest.mark.parametrize(("seed", "k"), [(1, 0), (2, 6), (3, 9), (4, 13)])
def test_what_comes_after_a_job_changes_no_forecast_up_to_it(seed, k):
    jobs = sorted(a_history(seed), key=lambda job: job.finished_at)
    rng = np.random.default_rng(seed)
    other = [*jobs[: k + 1], *(scrambled(job, rng) for job in jobs[k + 1 :])]
    options = Options(first=0)
    before, after = by_job(options, jobs), by_job(options, other)
    told = [job.key for job in jobs[: k + 1]]
    assert [before[key] for key in told] == [after[key] for key in told]  # to the last bit
    assert [before[job.key] for job in jobs[k + 2 :]] != [after[job.key] for job in jobs[k + 2 :]]


def test_moving_or_dropping_the_future_changes_no_forecast_before_it():
    jobs = sorted(a_history(5), key=lambda job: job.finished_at)
    later = [replace(job, finished_at=job.finished_at + 5e4) for job in jobs[9:]]
    options = Options(first=0)
    whole, moved, short = (by_job(options, some) for some in (jobs, [*jobs[:9], *later], jobs[:9]))
    for job in jobs[:9]:
        assert whole[job.key] == moved[job.key] == short[job.key]


@pytest.mark.parametrize("seed", [1, 3, 4])
def test_as_of_its_start_a_job_is_forecast_from_what_had_finished_by_then(seed):
    """Every stage that ends at or after a job's start is scrambled: nothing of it may show."""
    jobs = a_history(seed)
    job = jobs[10]
    start = min(stage.started_at for stage in job.stages)
    rng = np.random.default_rng(seed)

    def later(other: JobRecord) -> JobRecord:
        wild = scrambled(other, rng)
        kept = [s if s.finished_at < start else w for s, w in zip(other.stages, wild.stages, strict=True)]
        return replace(other, stages=kept)

    changed = [later(other) if other is not job else other for other in jobs]
    options = Options(first=0, as_of="start")
    assert by_job(options, jobs)[job.key] == by_job(options, changed)[job.key]
    assert by_job(Options(first=0), jobs)[job.key] != by_job(Options(first=0), changed)[job.key]


def test_a_job_whose_records_have_no_length_is_not_learned_before_its_forecast():
    stage = StageRecord("engrave", "engrave", 10.0, started_at=50.0, finished_at=50.0)
    jobs = [
        JobRecord(str(i), "plate", 50.0, [replace(stage, hands_on=minutes)])
        for i, minutes in enumerate((10.0, 90.0))
    ]
    made = by_job(Options(first=0, as_of="start"), jobs)
    empty = forecast_job(Learner(), jobs[0], np.random.default_rng(0))[1][0]
    assert made["0"][0] == made["1"][0]
    assert made["0"][0][3] == pytest.approx(float(empty.quantile(0.5)))


@pytest.mark.parametrize("as_of", ["finish", "start"])
def test_a_walk_taken_up_at_any_step_ends_as_if_it_had_never_stopped(as_of):
    jobs, options = a_history(6), Options(first=3, as_of=as_of)
    whole = Walk(jobs, options)
    rows = [row for rows in whole for row in rows]
    going = Walk(jobs, options)
    made = []
    while going.done < len(going.steps):
        made += going.step()
        going = Walk.resumed(jobs, options, json.loads(json.dumps(going.to_dict())))
    assert made == rows
    assert going.result() == whole.result()
    assert going.to_dict() == whole.to_dict()


def test_a_learner_comes_back_from_json_to_the_last_bit():
    jobs = a_history(7)
    going = Walk(jobs)
    for _ in going:
        pass
    learner = going.learner
    again = Learner.from_dict(json.loads(json.dumps(learner.to_dict())))
    for job in jobs[-3:]:
        one, other = (forecast_job(each, job, np.random.default_rng(1)) for each in (learner, again))
        assert (one[2].minutes == other[2].minutes).all()
        for law, same in zip(one[1], other[1], strict=True):
            assert (law.minutes == same.minutes).all()


def test_a_walk_is_not_taken_up_where_what_it_read_has_changed():
    jobs = a_history(8)
    going = Walk(jobs)
    for _ in range(9):
        going.step()
    stored = going.to_dict()
    ordered = going.jobs
    other = replace(ordered[4], stages=[replace(ordered[4].stages[0], hands_on=1.5), *ordered[4].stages[1:]])
    with pytest.raises(HistoryChanged, match="have changed"):
        Walk.resumed([*ordered[:4], other, *ordered[5:]], None, stored)
    with pytest.raises(HistoryChanged, match="have changed"):
        Walk.resumed(jobs, Options(leave_out=frozenset({"area_m2"})), stored)
    with pytest.raises(HistoryChanged, match="another form"):
        Walk.resumed(jobs, None, {**stored, "learner": {}})
    news = replace(ordered[-1], key="news", finished_at=ordered[-1].finished_at + 1)
    assert Walk.resumed([*jobs, news], None, stored).done == 9  # what is new at the end is welcome


def test_only_jobs_in_the_days_asked_for_are_scored_and_the_walk_ends_with_them():
    jobs = sorted(a_history(9), key=lambda job: job.finished_at)
    begins, ends = jobs[8].finished_at, jobs[12].finished_at
    rows = []
    result = walk(jobs, on_forecast=rows.append, options=Options(scored_from=begins, scored_until=ends))
    assert [row.job for row in rows if row.stage == JOB_TOTAL] == [job.key for job in jobs[8:12]]
    assert result.walked == 12
    whole = []
    walk(jobs, on_forecast=whole.append)
    assert rows == [row for row in whole if row.job in {job.key for job in jobs[8:12]}]


def test_what_is_left_out_is_neither_learned_nor_known():
    jobs = a_history(10)
    bare = [
        replace(job, stages=[replace(s, drivers={"area_m2": s.drivers["area_m2"]}) for s in job.stages])
        for job in jobs
    ]
    without = by_job(Options(leave_out=frozenset({"planned_min"})), jobs)
    assert without == by_job(Options(), bare)
    assert without != by_job(Options(), jobs)


def test_peoples_own_estimates_are_scored_even_where_forecasts_may_not_know_them():
    """Three jobs with estimates of 10, 20 and 30 min that took 12, 18 and 60: the last two are off by 2 and 30."""
    stage = StageRecord("engrave", "engrave", 0.0)
    jobs = [
        JobRecord(str(i), "plate", float(i), [replace(stage, hands_on=took, drivers={"planned_min": plan})])
        for i, (plan, took) in enumerate(((10.0, 12.0), (20.0, 18.0), (30.0, 60.0)))
    ]
    rows = []
    options = Options(first=1, leave_out=frozenset({"planned_min"}))
    plan = walk(jobs, on_forecast=rows.append, options=options).to_dict()["plan"]
    stages = [row for row in rows if row.stage != JOB_TOTAL]
    assert (plan["n"], plan["crps_min"]) == (2, 16.0)
    assert plan["ours_crps_min"] == pytest.approx(np.mean([row.crps for row in stages]))
    assert [row.planned_min for row in rows] == [20.0, 20.0, 30.0, 30.0]
    bare = [replace(job, stages=[replace(job.stages[0], drivers={})]) for job in jobs]
    assert walk(bare).to_dict()["plan"] == {"n": 0, "crps_min": None, "ours_crps_min": None}


def test_every_scored_row_has_its_pit_and_the_three_errors_of_its_quantiles():
    jobs = a_history(11)
    rows = []
    result = walk(jobs, on_forecast=rows.append)
    scored = [row for row in rows if row.crps is not None and row.stage != JOB_TOTAL]
    assert len(scored) == result.stages["all"]["n"]
    assert np.mean([row.crps for row in scored]) == pytest.approx(result.stages["all"]["crps_min"])
    for row in scored:
        assert 0 <= row.pit <= 1
        below = np.searchsorted(row.quantiles, row.actual_min)
        levels = (0.0, 0.05, 0.10, 0.25, 0.50, 0.75, 0.80, 0.90, 0.95, 0.98, 1.0)
        assert levels[below] - 1e-9 <= row.pit <= levels[below + 1] + 1e-9
    assert {row.job for row in rows if row.crps is None} == {"007"}
