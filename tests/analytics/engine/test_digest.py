"""Binned durations: quantiles against NumPy's, and sums of days."""

import numpy as np
import pytest

from analytics.engine import digest


@pytest.mark.parametrize("p", [0.0, 0.05, 0.25, 0.5, 0.8, 0.95, 1.0])
@pytest.mark.parametrize("n", [1, 2, 7, 100, 5000])
def test_a_quantile_is_within_three_per_cent_of_numpys(p: float, n: int) -> None:
    """Against numpy.quantile's 'linear' method, which is Hyndman & Fan's type 7."""
    minutes = np.random.default_rng(n).lognormal(3.0, 1.2, n)
    ours = digest.quantile(digest.count(minutes), p)
    assert ours == pytest.approx(np.quantile(minutes, p, method="linear"), rel=0.03)


def test_days_add_up_to_the_period() -> None:
    minutes = np.random.default_rng(4).lognormal(3.0, 1.0, 300)
    days = [digest.count(day) for day in np.split(minutes, [40, 41, 200])]
    assert digest.merge(days) == digest.count(minutes)
    assert sum(digest.merge(days).values()) == 300


def test_what_was_stored_as_json_is_the_same() -> None:
    bins = digest.count([0.0, 0.5, 12.0, 12.1])
    assert digest.from_stored({str(number): n for number, n in bins.items()}) == bins


def test_zero_counts_as_a_second_and_nonsense_is_refused() -> None:
    assert digest.quantile(digest.count([0.0]), 0.5) == pytest.approx(1 / 60, rel=0.03)
    for wrong in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="no duration"):
            digest.bin_of(wrong)
    with pytest.raises(ValueError, match="quantile of 0 durations"):
        digest.quantile({}, 0.5)
    with pytest.raises(ValueError, match=r"No 1\.5 quantile"):
        digest.quantile({3: 1}, 1.5)
