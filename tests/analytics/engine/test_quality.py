"""How well forecasts did, against published values, reference libraries and cases that can be added up by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analytics.engine import quality
from analytics.engine.backtest import LEVELS, SHOWN


def cases(actual, quantiles=None, *, job=None, pit=None, **errors):
    """Cases of a job each, all forecast at the same quantiles: 10, 20 … 90 minutes."""
    actual = np.asarray(actual, float)
    n, none = actual.size, np.full(actual.size, np.nan)
    rows = np.tile(np.arange(10.0, 100.0, 10.0) if quantiles is None else quantiles, (n, 1))
    return quality.Cases(
        job=np.arange(n) if job is None else np.asarray(job),
        actual=actual,
        quantiles=rows,
        pit=none if pit is None else np.asarray(pit, float),
        **{
            name: np.asarray(errors.get(name, none), float)
            for name in ("crps", "crps_mean", "crps_past", "planned")
        },
    )


def within(hits, n):
    return np.arange(n) < hits


# Published values


def test_the_interval_of_a_share_is_the_published_one():
    """Newcombe, Statistics in Medicine 17 (1998), 857, method 3: 81 of 263, 0 of 20, 1 of 29."""
    for hits, n, low, high in ((81, 263, 0.2553, 0.3662), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)):
        found = quality.coverage_at(0.8, within(hits, n), n)
        assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def test_the_interval_of_a_share_of_few_is_the_published_one():
    """12 of 150: 4.6 % to 13.5 % (statulator.com, Wilson's score method)."""
    found = quality.coverage_at(0.1, within(12, 150), 150)
    assert (round(found.low, 3), round(found.high, 3)) == (0.046, 0.135)
    assert found.verdict == "fits"


@pytest.mark.parametrize(("n", "critical"), [(20, 0.2941), (100, 0.1340)])
def test_the_test_of_evenness_has_the_tables_critical_values(n, critical):
    """Kolmogorov and Smirnov at 5 %: the usual tables, as in Massey, JASA 46 (1951), to their last digit."""
    even = (np.arange(n) + 0.5) / n  # each 1/2n from its step
    for extra, chance in ((-0.0002, "more"), (0.0002, "less")):
        shifted = even - (critical - 0.5 / n + extra)
        found = quality.uniformity(np.clip(shifted, 0.0, 1.0), n)
        assert found.distance == pytest.approx(critical + extra)
        assert (found.p > 0.05) == (chance == "more")


def test_how_alike_the_cases_of_one_job_are_is_the_published_figure():
    """Shrout & Fleiss, Psychological Bulletin 86 (1979), tables 2 and 4: six targets, four judges, ICC(1,1) = .17."""
    ratings = np.array(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
    )
    assert quality.likeness(ratings.ravel(), np.repeat(np.arange(6), 4)) == pytest.approx(0.17, abs=0.005)


def test_a_conformal_range_covers_as_its_beta_law_says_and_chance_takes_it_in():
    """Split conformal, n = 99, alpha 0.1: its true coverage is Beta(90, 10), 5 to 95 % from .8467 to .9442.

    Vovk (2012); Angelopoulos & Bates (2021), section 3.2. Of such ranges, tried on 400 outcomes each, the share that
    is called wrong at 90 % must be that of the law of both chances together, the beta-binomial.
    """
    rng = np.random.default_rng(11)
    scores, fresh = rng.random((4000, 99)), rng.random((4000, 400))
    limits = np.sort(scores, axis=1)[:, 89]  # the 90th of 99 scores: ⌈(n + 1)·0.9⌉
    assert np.quantile(limits, (0.05, 0.95)) == pytest.approx((0.8467, 0.9442), abs=0.004)
    found = [quality.coverage_at(0.9, row <= limit, 400) for row, limit in zip(fresh, limits, strict=True)]
    called = np.mean([one.verdict in ("below", "above") for one in found])
    low, high = quality.chance_band(0.9, 400)
    law = stats.betabinom(400, 90, 10)
    outside = law.cdf(math.ceil(400 * low) - 1) + law.sf(math.floor(400 * high))
    assert called == pytest.approx(outside, abs=0.03)


# Reference libraries


def test_the_distance_from_evenness_and_its_chance_are_those_of_scipy():
    pits = np.random.default_rng(3).beta(1.3, 1.0, 150)
    found, theirs = quality.uniformity(pits, 150), stats.kstest(pits, "uniform")
    assert (found.distance, found.p) == pytest.approx((theirs.statistic, theirs.pvalue))


def test_the_interval_of_an_errors_ratio_is_that_of_scipys_bootstrap():
    rng = np.random.default_rng(5)
    theirs = rng.gamma(4.0, 5.0, 120)
    ours = theirs * rng.uniform(0.3, 0.9, 120)
    found = quality.error_ratio(ours, theirs, np.arange(120), seed=1)
    reference = stats.bootstrap(
        (ours, theirs),
        lambda a, b, axis: a.sum(axis=axis) / b.sum(axis=axis),
        paired=True,
        vectorized=True,
        method="percentile",
        n_resamples=4000,
        rng=np.random.default_rng(2),
    ).confidence_interval
    assert (found.low, found.high) == pytest.approx(tuple(reference), abs=0.006)
    assert found.low < found.ratio < found.high


def test_the_interval_of_the_bias_is_that_of_scipys_test_of_the_median():
    off = np.random.default_rng(8).normal(3.0, 10.0, 101)
    found = quality.bias(cases(50.0 - 10.0 + off), 101)  # the forecasts' middle is 40 minutes
    exact = stats.quantile_test(off, p=0.5).confidence_interval()
    ordered = np.sort(off)
    assert found.minutes == pytest.approx(float(np.median(off)))
    for ours, theirs in ((found.low, exact.low), (found.high, exact.high)):
        assert abs(np.searchsorted(ordered, ours) - np.searchsorted(ordered, theirs)) <= 1


def test_a_bar_lies_in_its_band_as_often_as_the_binomial_law_says():
    found = quality.pit_histogram(np.linspace(0, 1, 200, endpoint=False), 200)
    assert (found.low, found.high) == stats.binom.interval(0.95, 200, 0.1)
    inside = stats.binom.cdf(found.high, 200, 0.1) - stats.binom.cdf(found.low - 1, 200, 0.1)
    assert 0.95 <= inside < 0.98


# By hand


def test_coverage_counts_what_was_within_each_level():
    # At 0.5, 0.8 and 0.95 the forecasts say 40, 60 and 80 minutes.
    found = quality.coverages(cases([30, 40, 41, 60, 70, 80, 81, 200]), 0.0)
    assert [one.level for one in found] == list(LEVELS)
    assert [one.hits for one in found] == [2, 4, 6]
    assert [one.share for one in found] == [0.25, 0.5, 0.75]


def test_a_share_lies_outside_of_chance_exactly_if_its_interval_leaves_the_level_out():
    for n in (5, 20, 60, 214):
        for level in LEVELS:
            for hits in range(n + 1):
                one = quality.coverage_at(level, within(hits, n), n)
                assert (one.chance[0] <= one.share <= one.chance[1]) == (one.low <= level <= one.high)


def test_two_hundred_and_fourteen_stages_are_within_chance_from_75_to_85():
    low, high = quality.chance_band(0.8, 214)
    # 0.8 ± 1.96·√(0.8·0.2/214) = 0.8 ± 0.0536
    assert (round(low, 4), round(high, 4)) == (0.7464, 0.8536)


@pytest.mark.parametrize(
    ("hits", "n", "verdict"),
    [
        (0, 4, "few"),
        (4, 5, "few"),
        (1, 8, "below"),
        (16, 20, "fits"),
        (100, 150, "below"),
        (140, 150, "above"),
    ],
)
def test_what_is_said_of_a_share(hits, n, verdict):
    assert quality.coverage_at(0.8, within(hits, n), n).verdict == verdict


def test_nothing_is_said_where_there_is_nothing():
    found = quality.coverage_at(0.8, within(0, 0), 0.0)
    assert (found.verdict, found.low, found.high, found.chance) == ("few", 0.0, 1.0, (0.0, 1.0))
    assert math.isnan(found.share)
    assert quality.uniformity(np.array([]), 0.0) is None
    assert quality.pit_histogram(np.array([]), 0.0) is None
    assert quality.error_ratio(np.array([np.nan]), np.array([3.0]), np.array([1]), seed=1) is None
    assert quality.likeness(np.array([]), np.array([], int)) == 0.0


def test_stages_of_one_job_that_are_all_alike_are_worth_one():
    jobs = np.repeat([1, 2, 3], 4)
    assert quality.worth(jobs, 1.0) == 3.0
    assert quality.worth(jobs, 0.0) == 12.0
    assert quality.worth(jobs, 0.5) == pytest.approx(12 / 2.5)
    assert quality.likeness(np.repeat([1.0, 5.0, 9.0], 4), jobs) == 1.0


def test_many_stages_of_one_job_alone_say_as_much_as_one():
    """It may just have been a slow job: nothing is concluded of the forecasts."""
    one_job = np.zeros(9, int)
    w = quality.worth(one_job, quality.likeness(np.linspace(1.0, 3.0, 9), one_job))
    assert w == 1.0
    assert quality.coverage_at(0.8, within(0, 9), w).verdict == "few"


def test_intervals_hold_what_they_say_though_stages_of_a_job_hang_together():
    """400 invented logs of 40 jobs of 6 stages, whose normal scores share half their variance with their job."""
    rng, jobs, right, naive = np.random.default_rng(1), np.repeat(np.arange(40), 6), 0, 0
    for _ in range(400):
        scores = math.sqrt(0.5) * (rng.normal(size=40)[jobs] + rng.normal(size=240))
        inside = scores <= stats.norm.ppf(0.8)
        w = quality.worth(jobs, quality.likeness(scores, jobs))
        aware, blind = (quality.coverage_at(0.8, inside, n) for n in (w, 240))
        right += aware.low <= 0.8 <= aware.high
        naive += blind.low <= 0.8 <= blind.high
    assert right / 400 >= 0.94
    assert naive / 400 < 0.85


@pytest.mark.parametrize(("n", "bars"), [(9, None), (10, 2), (20, 4), (25, 5), (49, 5), (50, 10), (900, 10)])
def test_a_histogram_has_as_many_bars_as_the_cases_bear(n, bars):
    found = quality.pit_histogram(np.linspace(0.0, 1.0, n), n)
    assert (found and len(found.counts)) == bars
    assert found is None or sum(found.counts) == n


def test_a_histogram_counts_the_ends():
    assert quality.pit_histogram(np.array([0.0, 0.49, 0.5, 1.0] * 3), 12).counts == (6, 6)


@pytest.mark.parametrize(
    ("law", "said"),
    [((1, 1), "fits"), ((2, 1), "longer"), ((1, 2), "shorter"), ((0.5, 0.5), "narrow"), ((3, 3), "wide")],
)
def test_how_the_forecasts_are_off_is_told_apart(law, said):
    pits = stats.beta(*law).ppf((np.arange(300) + 0.5) / 300)
    assert quality.lean(pits, 300) == said


def test_an_error_that_is_always_half_of_another_is_half_of_it_for_certain():
    theirs = np.array([4.0, 8.0, 2.0, 6.0, 10.0, 6.0])
    found = quality.error_ratio(theirs / 2, theirs, np.arange(6), seed=3)
    assert (found.n, found.ours, found.theirs) == (6, 3.0, 6.0)
    assert (found.ratio, found.low, found.high) == pytest.approx((0.5, 0.5, 0.5))


def test_an_errors_ratio_leaves_out_what_only_one_has_and_says_nothing_of_four_jobs():
    ours, theirs = np.array([1.0, 2.0, 3.0, 4.0, 9.0]), np.array([2.0, 4.0, 6.0, 8.0, np.nan])
    found = quality.error_ratio(ours, theirs, np.arange(5), seed=3)
    assert (found.n, found.ratio) == (4, 0.5)
    assert math.isnan(found.low)
    assert math.isnan(found.high)


def test_the_same_seed_gives_the_same_interval():
    rng = np.random.default_rng(4)
    ours, theirs = rng.random(30), rng.random(30)
    once, again, other = (quality.error_ratio(ours, theirs, np.arange(30), seed=s) for s in (7, 7, 8))
    assert once == again
    assert once != other


def test_misses_that_come_in_runs_are_found_and_others_not():
    jobs = np.repeat(np.arange(40), 2)
    slow_then_quick = np.repeat(([0.9] * 10 + [0.1] * 10) * 2, 2)
    turn_about = np.repeat([0.9, 0.1] * 20, 2)
    assert quality.runs(slow_then_quick, jobs).clear
    assert not quality.runs(turn_about, jobs).clear
    assert quality.runs(turn_about, jobs).limit == pytest.approx(1.96 / math.sqrt(40), abs=1e-4)
    assert quality.runs(turn_about[:38], jobs[:38]) is None


def test_cases_can_be_taken_by_mask_and_place():
    whole = cases([1.0, 2.0, 3.0], planned=[1.5, np.nan, 5.0])
    assert len(whole.take(np.array([True, False, True]))) == 2
    assert whole.take(np.array([2, 0])).actual.tolist() == [3.0, 1.0]
    assert whole.plan_error.tolist()[::2] == [0.5, 2.0]
    assert whole.at(SHOWN[0]).tolist() == [10.0, 10.0, 10.0]
