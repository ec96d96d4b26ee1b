"""The other methods that ours is held to know their trade: on stages whose law is known they come near it, and they
see nothing of the future. The logs of real shops are given to `make rivals`."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtri

from analytics.engine import scores
from analytics.engine.backtest import JobRecord, Options, StageRecord, walk
from tests.benchmarks.rival_models import GRID, AcceleratedFailureTime, Boosting
from tests.benchmarks.rivals import WITHOUT_PLAN, compare, main, plan_lines, read_jobs, table

SIGMA, SIZE = 0.3, 25
KINDS = {"hemming": 3.0, "welding": 4.0}
PEOPLE = {"Ann": -0.2, "Ben": 0.2}


def middle(stage: StageRecord) -> float:
    """The mean of its log minutes."""
    size = 0.8 * float(np.log1p(stage.drivers["frames"]))
    return KINDS[stage.kind_key] + PEOPLE[stage.categories["person"]] + size


def history(n: int, seed: int = 1) -> list[JobRecord]:
    """Jobs of two stages whose minutes are log-normal about `middle`; people plan them 15 % off."""
    rng = np.random.default_rng(seed)
    jobs = []
    for number in range(n):
        stages = []
        for k, kind in enumerate(KINDS):
            drivers = {"frames": float(rng.integers(1, 30))}
            categories = {"person": str(rng.choice(list(PEOPLE))), "job_type": "sign"}
            stage = StageRecord(kind, kind, 1.0, 0.0, drivers, categories, 10.0 * number, 10.0 * number + k)
            minutes = float(np.exp(middle(stage) + SIGMA * rng.standard_normal()))
            planned = minutes * float(np.exp(0.15 * rng.standard_normal()))
            stages.append(replace(stage, hands_on=minutes, drivers={**drivers, "planned_min": planned}))
        jobs.append(JobRecord(f"J{number}", "sign", 10.0 * number + 2, stages))
    return jobs


def stages_of(jobs):
    return [stage for job in jobs for stage in job.stages]


def known(jobs):
    """The stages without people's plans, which tell the answer."""
    return [replace(stage, drivers={"frames": stage.drivers["frames"]}) for stage in stages_of(jobs)]


@pytest.fixture(scope="module")
def lines():
    return {line.method: line for line in compare(history(SIZE), Options(leave_out=WITHOUT_PLAN))}


@pytest.mark.parametrize(
    ("make", "allowed", "off"),
    [
        (AcceleratedFailureTime, 1.05, 0.07),
        (Boosting, 1.35, 0.13),
    ],  # trees say too narrow a range of few records
)
def test_a_rival_comes_near_the_true_law(make, allowed, off):
    model = make()
    model.fit(known(history(120)))
    new = known(history(60, seed=2))
    laws, actual = model.quantiles(new), np.array([stage.actual for stage in new])
    crps = [scores.crps_from_quantiles(model.probs, law, y) for law, y in zip(laws, actual, strict=True)]
    true = scores.crps_lognormal([middle(stage) for stage in new], SIGMA, actual)
    assert np.mean(crps) <= allowed * np.mean(true)
    p80 = [np.interp(0.8, model.probs, law) for law in laws]
    assert np.mean(actual <= p80) == pytest.approx(0.8, abs=off)


def test_the_accelerated_failure_time_model_finds_the_true_coefficients():
    model = AcceleratedFailureTime()
    model.fit(known(history(800)))
    at = dict(zip(model.columns.get_feature_names_out(), model.model.coef_, strict=True))
    assert at["log frames"] == pytest.approx(0.8, abs=0.03)
    assert at["stage=welding"] - at["stage=hemming"] == pytest.approx(1.0, abs=0.05)
    assert at["person=Ben"] - at["person=Ann"] == pytest.approx(0.4, abs=0.05)
    law = model.quantiles(known(history(1)))[0]
    spread = np.log(np.interp(0.9, model.probs, law) / np.interp(0.1, model.probs, law)) / (2 * ndtri(0.9))
    assert spread == pytest.approx(SIGMA, abs=0.02)


@pytest.mark.parametrize("make", [AcceleratedFailureTime, Boosting])
def test_a_rival_forecasts_people_stages_and_drivers_that_it_never_saw(make):
    model = make()
    model.fit(known(history(20)))
    new = StageRecord(
        "glue", "glue", 1.0, drivers={"pots": 2.0}, categories={"person": "Cy", "shift": "late"}
    )
    law = model.quantiles([new])[0]
    assert np.isfinite(law).all()
    assert (np.diff(law) >= 0).all()
    assert law[0] > 0


def test_crossing_quantiles_are_put_in_order():
    model = Boosting()
    model.fit(known(history(40)))
    laws = model.quantiles(known(history(40, seed=5)))
    assert laws.shape == (80, GRID.size)
    assert (np.diff(laws, axis=1) >= 0).all()


def test_ours_and_the_simple_ones_are_scored_as_the_backtest_does(lines):
    score = walk(history(SIZE), options=Options(leave_out=WITHOUT_PLAN)).stages["all"]
    assert lines["ours"].crps == score["crps_min"]
    assert lines["ours"].coverage == list(score["coverage"].values())
    assert lines["past quantiles"].crps == score["baselines"]["past_quantiles"]["crps_min"]


def test_every_method_is_scored_on_the_same_cases_and_the_lines_beat_the_simple_ones(lines):
    assert {line.n for line in lines.values()} == {2 * (SIZE - 5)}
    simple = min(lines["mean + quarter"].crps, lines["past quantiles"].crps)
    for name in ("ours", "log-normal AFT"):  # boosting's leaves hold 20 records: it needs more than these
        assert lines[name].crps < simple


def test_no_method_sees_what_has_not_finished_yet(lines):
    # One job more at the end, of monstrous minutes, adds its own two cases to each sum and changes nothing else.
    jobs = history(SIZE + 1)
    late = [replace(stage, hands_on=1e5) for stage in jobs[SIZE].stages]
    longer = compare([*jobs[:SIZE], replace(jobs[SIZE], stages=late)], Options(leave_out=WITHOUT_PLAN))
    for line in longer:
        own = line.crps * line.n - lines[line.method].crps * (line.n - 2)
        assert 1.5e5 < own < 2e5  # what two forecasts of minutes miss by, where each took 100,000


def test_a_plan_is_a_point_whose_error_is_how_far_it_was_off():
    jobs = history(SIZE)
    theirs, ours = plan_lines(jobs)
    scored = stages_of(jobs[5:])
    expected = np.mean([abs(stage.drivers["planned_min"] - stage.actual) for stage in scored])
    assert theirs.crps == pytest.approx(float(expected))
    assert (theirs.n, ours.n) == (2 * (SIZE - 5), 2 * (SIZE - 5))
    assert ours.crps == pytest.approx(compare(jobs)[0].crps)  # all of these stages were planned
    assert plan_lines([replace(job, stages=known([job])) for job in jobs]) == []


LOG = "job,job_type,stage,started_at,finished_at,person,frames,planned_min\n" + "".join(
    f"J{n},sign,hemming,2026-03-{n + 1:02d}T09:00Z,2026-03-{n + 1:02d}T09:{10 + 2 * n}Z,Ann,{n},30\n"
    for n in range(20)
)


@pytest.mark.django_db(transaction=True)
def test_a_log_becomes_the_jobs_that_the_backtest_walks_through(tmp_path: Path):
    log = tmp_path / "log.csv"
    log.write_text(LOG, encoding="utf-8")
    jobs = read_jobs(log)
    assert [job.key for job in jobs] == [f"J{n}" for n in range(20)]
    assert [stage.actual for stage in stages_of(jobs)] == [10.0 + 2 * n for n in range(20)]
    assert stages_of(jobs)[7].drivers == {"frames": 7.0, "planned_min": 30.0}
    assert [line for line in table("", compare(jobs)) if line.startswith("log-normal AFT")]


def test_a_log_that_is_not_there_is_named(capsys):
    assert main(["nowhere.csv"]) == 2
    assert "No such log: nowhere.csv" in capsys.readouterr().out
    assert main([]) == 2
    assert "Name a log" in capsys.readouterr().out
