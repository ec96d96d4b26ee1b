"""Draws against SciPy's laws, against rejection sampling, and against themselves when the backlog changes."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from analytics.engine import drawing
from analytics.engine.sampling import BLOCK, Columns, draw

PROBS = stats.norm.cdf(np.linspace(-4, 4, 161))
RUNS = 20_000


def lognormal_columns(medians, sigma, job, kind, **more):
    quantiles = np.asarray(medians, float)[:, None] * np.exp(sigma * stats.norm.ppf(PROBS))
    return Columns(quantiles, PROBS, np.array(job), np.array(kind), **more)


def test_a_column_follows_its_own_law_whatever_it_shares():
    columns = lognormal_columns([30, 60], 0.4, [0, 0], [1, 2], job_corr=0.3, kind_corr=np.array([0.1, 0.0]))
    minutes = draw(columns, [17], RUNS, seed=1)
    for k, median in enumerate([30, 60]):
        assert stats.kstest(minutes[:, k], stats.lognorm(0.4, scale=median).cdf).pvalue > 0.001


def test_each_run_of_a_block_draws_from_its_own_stratum():
    columns = lognormal_columns([30, 60], 0.4, [0, 0], [1, 2])
    uniform = stats.lognorm(0.4, scale=[30, 60]).cdf(draw(columns, [17], 4 * BLOCK, seed=1))
    middles = (np.arange(BLOCK) + 0.5) / BLOCK
    for block in np.split(uniform, 4):
        strays = np.abs(np.sort(block, axis=0).T - middles).max()
        assert strays < 0.6 / BLOCK  # plain draws stray twenty times as far
    assert abs(np.corrcoef(uniform.T)[0, 1]) < 4 / np.sqrt(
        4 * BLOCK
    )  # the columns' strata are paired at random
    assert abs(np.corrcoef(uniform[:BLOCK, 0], uniform[BLOCK : 2 * BLOCK, 0])[0, 1]) < 4 / np.sqrt(BLOCK)


def test_more_runs_leave_the_first_ones_as_they_were_and_threads_change_nothing():
    columns = lognormal_columns([30, 60], 0.4, [0, 1], [1, 1], kind_corr=0.1, elapsed=np.array([40.0, 0.0]))
    minutes = draw(columns, [17, 18], 3 * BLOCK, seed=1, threads=2)
    assert np.array_equal(draw(columns, [17, 18], 2 * BLOCK, seed=1), minutes[: 2 * BLOCK])


def test_the_compiled_normal_quantile_is_scipy_s():
    p = np.concatenate([10.0 ** -np.arange(1, 14), [0.0749, 0.0751, 0.3, 0.5, 0.7, 0.9251, 0.99]])
    ours = [drawing.normal_quantile(one) for one in p]
    np.testing.assert_allclose(ours, special.ndtri(p), rtol=1e-13, atol=1e-14)


def test_jobs_and_kinds_share_what_they_should():
    columns = lognormal_columns([30] * 4, 0.4, [0, 0, 1, 1], [1, 2, 1, 2], job_corr=0.2, kind_corr=0.1)
    r = np.corrcoef(np.log(draw(columns, [5, 6], RUNS, seed=2)).T)
    error = 4 / np.sqrt(RUNS)
    assert r[0, 1] == pytest.approx(0.2, abs=error)  # one job, two kinds
    assert r[0, 2] == pytest.approx(0.1, abs=error)  # two jobs, one kind
    assert r[0, 3] == pytest.approx(0.0, abs=error)


@pytest.mark.parametrize("elapsed", [5.0, 30.0, 75.0])
def test_a_running_stage_follows_its_law_given_what_has_passed(elapsed):
    law = stats.lognorm(0.4, scale=30)
    columns = lognormal_columns([30, 40], 0.4, [0, 0], [1, 2], job_corr=0.3, elapsed=np.array([elapsed, 0.0]))
    left = draw(columns, [3], RUNS, seed=3)[:, 0]

    def truncated(t):
        return 1 - law.sf(t + elapsed) / law.sf(elapsed)

    assert left.min() >= 0
    assert stats.kstest(left, truncated).pvalue > 0.001
    mean = law.expect(lambda t: t - elapsed, lb=elapsed, conditional=True)
    assert left.mean() == pytest.approx(mean, abs=4 * left.std() / np.sqrt(RUNS))


def test_the_rest_of_a_job_learns_from_its_running_stage_as_by_rejection():
    columns = lognormal_columns([30, 40, 50], 0.4, [0, 0, 1], [1, 2, 3], job_corr=0.5)
    free = np.log(draw(columns, [3, 4], 20 * RUNS, seed=4))
    kept = free[free[:, 0] > np.log(50)]
    late = np.log(draw(replace(columns, elapsed=np.array([50.0, 0, 0])), [3, 4], RUNS, seed=5))
    for k in (1, 2):  # its own next stage, and another job's
        assert late[:, k].mean() == pytest.approx(
            kept[:, k].mean(), abs=4 * 0.4 * np.sqrt(1 / RUNS + 1 / len(kept))
        )
        assert late[:, k].std() == pytest.approx(kept[:, k].std(), rel=0.06)
    assert kept[:, 1].mean() - free[:, 1].mean() > 0.2  # and it does matter


def test_two_running_stages_of_a_job_keep_their_own_laws():
    columns = lognormal_columns([30, 40], 0.4, [0, 0], [1, 2], job_corr=0.5, elapsed=np.array([45.0, 50.0]))
    minutes = draw(columns, [3], RUNS, seed=6)
    for k, (median, elapsed) in enumerate([(30, 45.0), (40, 50.0)]):
        law = stats.lognorm(0.4, scale=median)
        tail = law.sf(minutes[:, k] + elapsed) / law.sf(elapsed)
        assert stats.kstest(tail, "uniform").pvalue > 0.001


def test_a_stage_that_has_outlasted_its_law_still_ends():
    columns = lognormal_columns([30], 0.4, [0], [1], elapsed=np.array([2000.0]))
    left = draw(columns, [3], 1000, seed=7)[:, 0]
    assert (left > 0).all()
    assert np.isfinite(left).all()


def test_a_fixed_time_is_exact_and_what_has_passed_of_it_is_taken_off():
    fixed = Columns(np.full((3, 2), 1440.0), np.array([0.1, 0.9]), np.zeros(3, int), np.arange(3), 0.2)
    fixed = replace(fixed, elapsed=np.array([0.0, 1000.0, 2000.0]))
    assert draw(fixed, [1], 2, seed=1).tolist() == [[1440, 440, 0]] * 2
    nothing = Columns(np.zeros((1, 2)), np.array([0.1, 0.9]), np.array([0]), np.array([0]))
    assert draw(nothing, [1], 2, seed=1).tolist() == [[0], [0]]


def backlog():
    return lognormal_columns([30, 60, 20, 45], 0.4, [0, 0, 0, 1], [1, 2, 3, 1], job_corr=0.2, kind_corr=0.1)


def test_the_same_seed_gives_the_same_draws_and_another_gives_others():
    first = draw(backlog(), [11, 12], 50, seed=8)
    assert np.array_equal(first, draw(backlog(), [11, 12], 50, seed=8))
    assert not np.isin(first, draw(backlog(), [11, 12], 50, seed=9)).any()


def test_another_job_in_front_leaves_the_others_draws_alone():
    first = draw(backlog(), [11, 12], 50, seed=8)
    more = lognormal_columns(
        [99, 30, 60, 20, 45], 0.4, [0, 1, 1, 1, 2], [2, 1, 2, 3, 1], job_corr=0.2, kind_corr=0.1
    )
    assert np.array_equal(first, draw(more, [77, 11, 12], 50, seed=8)[:, 1:])


def test_a_process_without_one_of_the_stages_leaves_the_other_stages_alone():
    first = draw(backlog(), [11, 12], 50, seed=8)
    fewer = lognormal_columns([30, 20, 45], 0.4, [0, 0, 1], [1, 3, 1], job_corr=0.2, kind_corr=0.1)
    assert np.array_equal(first[:, [0, 2, 3]], draw(fewer, [11, 12], 50, seed=8))


def test_laws_that_are_none_are_refused():
    good = backlog()
    with pytest.raises(ValueError, match="column 1 are negative or fall"):
        replace(good, quantiles=np.where(np.arange(4)[:, None] == 1, -good.quantiles, good.quantiles))
    with pytest.raises(ValueError, match="add up to more than 1"):
        replace(good, job_corr=0.7, kind_corr=0.4)
    with pytest.raises(ValueError, match="rise strictly"):
        replace(good, probabilities=good.probabilities[::-1])
    with pytest.raises(ValueError, match="jobs 0 to 1 of 1"):
        draw(good, [1], 5, seed=1)
