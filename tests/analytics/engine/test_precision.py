"""The stated error of a quantile against quantiles that are known."""

import numpy as np
import pytest
from scipy import stats

from analytics.engine.hours import ALWAYS, Calendar
from analytics.engine.precision import half_width
from analytics.engine.sampling import uniforms

TIMES = 300


def plain_blocks(k):
    rng = np.random.default_rng(k)
    return [rng.exponential(100, 250) for _ in range(8)], stats.expon(scale=100)


def stratified_blocks(k):
    """The sum of three exponential times, each stratified: a gamma law."""
    blocks = [-100 * np.log1p(-uniforms(k, b, np.arange(3), 250)).sum(axis=0) for b in range(8)]
    return blocks, stats.gamma(3, scale=100)


@pytest.mark.parametrize("made", [plain_blocks, stratified_blocks])
@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_the_interval_holds_the_true_quantile_nineteen_times_in_twenty(made, level):
    inside = []
    for k in range(TIMES):
        blocks, law = made(k)
        at = np.quantile(np.concatenate(blocks), level, method="inverted_cdf")
        inside.append(abs(at - law.ppf(level)) <= half_width(blocks, level, ALWAYS))
    assert 0.925 < np.mean(inside) < 0.985


def test_stratified_futures_are_known_more_exactly_than_plain_ones_of_the_same_law():
    blocks, law = stratified_blocks(1)
    rng = np.random.default_rng(1)
    plain = [law.rvs(250, random_state=rng) for _ in range(8)]
    assert half_width(blocks, 0.5, ALWAYS) < half_width(plain, 0.5, ALWAYS)


def test_the_error_counts_working_minutes():
    day = Calendar.of([0.0, 1440.0], [480.0, 1920.0])
    blocks = [np.concatenate([np.full(50, 470.0), np.full(50, 1450.0)])]
    assert half_width(blocks, 0.5, day) == pytest.approx(
        10.0
    )  # ten minutes before closing, ten after opening
