import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from analytics.engine.calibration import empty
from analytics.engine.forecast import PROBS, Forecast
from analytics.engine.learner import JobRecord, Learner, StageRecord, forecast_job
from analytics.engine.totals import (
    Correlations,
    columns,
    merge_correlations,
    nearest_correlation,
    total,
    with_job,
)


def normal(mean: float, sd: float, kind_share: float = 0.0) -> Forecast:
    return Forecast(norm.ppf(PROBS, mean, sd), 10.0, False, kind_share)


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def equicorrelated(k: int, rho: float) -> np.ndarray:
    return np.full((k, k), rho) + (1 - rho) * np.eye(k)


@pytest.mark.parametrize("rho", [0.0, 0.2, 0.7])
def test_the_sum_of_correlated_normals_is_the_normal_of_the_textbook(rho):
    laws = [normal(100, 10), normal(200, 20), normal(50, 5)]
    variance = 10**2 + 20**2 + 5**2 + 2 * rho * (10 * 20 + 10 * 5 + 20 * 5)
    sums = [total(laws, equicorrelated(3, rho), rng(seed)) for seed in range(8)]
    for p in (0.05, 0.5, 0.8, 0.95):
        mean = float(np.mean([float(s.quantile(p)) for s in sums]))
        assert mean == pytest.approx(norm.ppf(p, 350, math.sqrt(variance)), abs=1.0)


def test_what_is_not_known_of_each_kind_does_not_go_together():
    """Two laws, half of whose variance is the kinds' own: the correlation is half of that of the work."""
    sums = [
        total([normal(100, 10, 0.5), normal(200, 20, 0.5)], equicorrelated(2, 0.8), rng(seed))
        for seed in range(8)
    ]
    variance = 10**2 + 20**2 + 2 * 0.4 * 10 * 20
    mean = float(np.mean([float(s.quantile(0.9)) for s in sums]))
    assert mean == pytest.approx(norm.ppf(0.9, 300, math.sqrt(variance)), abs=0.6)


def test_every_stage_keeps_its_own_law_and_has_the_correlation_asked_for():
    laws = [normal(100, 10), normal(300, 40)]
    drawn = columns(laws, equicorrelated(2, 0.6), rng(), 4000)
    np.testing.assert_allclose(np.sort(drawn[:, 0]), laws[0].quantile((np.arange(4000) + 0.5) / 4000))
    assert float(np.corrcoef(drawn.T)[0, 1]) == pytest.approx(0.6, abs=0.03)


def test_one_stage_is_its_own_total_and_no_stage_takes_no_time():
    np.testing.assert_allclose(
        total([normal(100, 10)], np.eye(1), rng()).quantile([0.05, 0.5, 0.95]),
        norm.ppf([0.05, 0.5, 0.95], 100, 10),
        rtol=1e-3,
    )
    assert total([], np.zeros((0, 0)), rng()).minutes.max() == 0.0


def test_past_errors_of_totals_correct_the_next():
    pits = empty()
    pits[80:] = 100.0  # every past job took longer than its P80
    laws = [normal(100, 10), normal(100, 10)]
    plain, corrected = (total(laws, np.eye(2), rng(), pits=p) for p in (None, pits))
    assert float(corrected.quantile(0.5)) > float(plain.quantile(0.8))


def test_correlations_start_at_a_fifth_and_go_to_what_the_jobs_say():
    truth = equicorrelated(2, 0.7)
    draws = rng(3).standard_normal((2000, 2)) @ np.linalg.cholesky(truth).T
    known = Correlations()
    assert known.matrix(["cut", "weed"])[0, 1] == pytest.approx(0.2)
    at = {}
    for number, pits in enumerate(norm.cdf(draws), start=1):
        known = with_job(known, {"weed": pits[0], "cut": pits[1]})
        at[number] = float(known.matrix(["cut", "weed"])[0, 1])
    assert abs(at[3] - 0.2) < 0.2
    assert at[2000] == pytest.approx(0.7, abs=0.05)
    assert known.matrix(["cut", "never seen"])[0, 1] == pytest.approx(0.2)


def test_two_stages_of_the_same_kind_are_correlated_as_usual_not_as_one():
    known = Correlations()
    for pit in rng(4).random(200):
        known = with_job(known, {"cut": pit})
    assert known.matrix(["cut", "cut"])[0, 1] == pytest.approx(0.2)


jobs = st.lists(st.dictionaries(st.sampled_from("abcd"), st.floats(0.001, 0.999), max_size=4), max_size=6)


def after(seen: list[dict[str, float]]) -> Correlations:
    known = Correlations()
    for pits in seen:
        known = with_job(known, pits)
    return known


@given(jobs, jobs)
def test_correlations_merge_by_addition_and_survive_json(x, y):
    one, both = merge_correlations(after(x), after(y)), after(x + y)
    assert one.names == both.names
    np.testing.assert_allclose(one.products, both.products, atol=1e-9)
    np.testing.assert_array_equal(one.jobs, both.jobs)
    again = Correlations.from_dict(json.loads(json.dumps(both.to_dict())))
    np.testing.assert_array_equal(again.matrix("abcd"), both.matrix("abcd"))


def test_a_matrix_that_no_jobs_could_have_is_made_positive_definite():
    impossible = np.array([[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]])
    assert np.linalg.eigvalsh(impossible)[0] < 0
    near = nearest_correlation(impossible)
    assert np.linalg.eigvalsh(near)[0] > 0
    np.testing.assert_allclose(near.diagonal(), 1.0)


def test_parts_that_seldom_take_any_time_are_not_taken_to_go_together():
    """Two machines that each run alone in one job of eight, on no common days."""
    chance, learner = rng(4), Learner()
    for n in range(80):
        alone = [20.0 * float(chance.lognormal(0, 0.3)) * (chance.random() < 0.125) for _ in range(2)]
        stages = [
            StageRecord(kind, kind, 10.0 * float(chance.lognormal(0, 0.3)), ran, finished_at=1440.0 * n)
            for kind, ran in zip(("laminate", "mask"), alone, strict=True)
        ]
        job = JobRecord(str(n), "van", 1440.0 * n, stages)
        forecasts, _, whole = forecast_job(learner, job, rng(n))
        learner.learn(job, forecasts, whole)
    found = learner.correlations.matrix(["laminate/unattended", "mask/unattended"])
    assert abs(found[0, 1]) < 0.3
