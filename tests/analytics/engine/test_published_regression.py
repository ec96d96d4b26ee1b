"""The duration model's regression against NIST's certified values, with priors too wide to say anything."""

import math
from collections.abc import Iterable, Mapping

import numpy as np
import pytest

from analytics.engine.features import INTERCEPT
from analytics.engine.posterior import Posterior, Prior, posterior
from analytics.engine.quality import likeness
from analytics.engine.state import DAY, Entry, State, merge, with_entry
from tests.analytics.engine import published_series as nist

X = "x"
WHOLE = 0
"""The copy of the sums that has all the past, unfaded."""


def summed(rows: Iterable[tuple[Mapping[str, float], float]]) -> State:
    """The sums of features and responses, one a day."""
    state = State.empty("a kind without formula")
    for day, (features, y) in enumerate(rows):
        state = with_entry(state, Entry(day * DAY, 1.0, features, y, 1.0, 1.0))
    return state


def flat(names: Iterable[str]) -> Prior:
    """A prior of next to nothing: no records' worth of spread, coefficients anywhere."""
    return Prior(
        sigma=1.0, formula=False, shape=1e-12, means=dict.fromkeys(names, 0.0), sds=dict.fromkeys(names, 1e9)
    )


def residual_squares(post: Posterior) -> float:
    """b is half the sum of squared residuals where the prior is flat."""
    return 2.0 * float(post.b[WHOLE])


def norris() -> list[tuple[dict[str, float], float]]:
    return [({INTERCEPT: 1.0, X: x}, y) for y, x in nist.NORRIS]


def test_the_line_through_norris_data_is_the_certified_one():
    state = summed(norris())
    post = posterior(state, flat((INTERCEPT, X)))
    n, parameters = len(nist.NORRIS), 2
    variance = residual_squares(post) / (n - parameters)
    assert post.mean[WHOLE] == pytest.approx((nist.NORRIS_B0, nist.NORRIS_B1), rel=1e-9)
    assert math.sqrt(variance) == pytest.approx(nist.NORRIS_RESID_SD, rel=1e-8)
    errors = np.sqrt(variance * np.diag(post.cov[WHOLE]))
    assert errors == pytest.approx((nist.NORRIS_SE_B0, nist.NORRIS_SE_B1), rel=1e-8)
    around_mean = state.ytwy[WHOLE] - state.xtwy[WHOLE, 0] ** 2 / n
    assert 1.0 - residual_squares(post) / around_mean == pytest.approx(nist.NORRIS_R2, abs=1e-12)


def test_two_workers_sums_give_the_certified_line_too():
    rows = norris()
    both = merge(summed(rows[:13]), summed(rows[13:]))
    assert posterior(both, flat((INTERCEPT, X))).mean[WHOLE] == pytest.approx(
        (nist.NORRIS_B0, nist.NORRIS_B1), rel=1e-9
    )


def test_the_model_with_its_own_prior_does_not_give_that_line():
    # What is checked above is the flat prior's doing: the stock prior draws the coefficients towards the default.
    post = posterior(summed(norris()), Prior(sigma=1.0, formula=False))
    assert abs(post.mean[WHOLE, 0] - nist.NORRIS_B0) > 1e-4


def test_the_spread_between_and_within_groups_is_the_certified_one():
    # SiRstv: five instruments, five readings each, as a category's levels
    def features(group: int) -> dict[str, float]:
        return {INTERCEPT: 1.0, **({f"group {group}": 1.0} if group > 1 else {})}

    state = summed((features(group), y) for group, y in nist.SIRSTV)
    within = residual_squares(posterior(state, flat(state.names)))
    n, groups = len(nist.SIRSTV), 5
    between = state.ytwy[WHOLE] - state.xtwy[WHOLE, 0] ** 2 / n - within
    f = (between / (groups - 1)) / (within / (n - groups))
    assert within == pytest.approx(nist.SIRSTV_SSW, rel=1e-7)
    assert f == pytest.approx(nist.SIRSTV_F, rel=1e-6)  # sums of 200² leave nine of sixteen digits
    assert math.sqrt(within / (n - groups)) == pytest.approx(nist.SIRSTV_RESID_SD, rel=1e-7)


def test_the_likeness_of_a_jobs_cases_comes_from_the_certified_f():
    # ICC(1,1) = (F − 1) / (F − 1 + k) for k readings in each group: Shrout & Fleiss, Psychological Bulletin 86 (1979)
    groups, y = (np.array(column) for column in zip(*nist.SIRSTV, strict=True))
    expected = (nist.SIRSTV_F - 1) / (nist.SIRSTV_F - 1 + 5)
    assert likeness(y, groups) == pytest.approx(expected, rel=1e-9)
