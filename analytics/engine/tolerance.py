"""How far a share or a range can be trusted that was seen on few jobs.

Intervals of a share (of jobs in time, of outcomes inside a range), the law of the coverage that a conformal range
really has, and factors of normal tolerance limits: mean ± k·sd that hold at least a given share of all jobs to come
with a given confidence.
"""

from __future__ import annotations

import math


def wilson(hits: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Score interval of a share seen as `hits` of n; (0, 1) for n = 0.

    Wilson, Probable Inference, JASA 22 (1927); method 3 in Newcombe, Statistics in Medicine 17 (1998), 857.
    Raises ValueError for counts or a level that cannot be.
    """
    from scipy.special import ndtri

    _check_counts(hits, n)
    _check_share("level", level)
    if n == 0:
        return 0.0, 1.0
    z = float(ndtri(0.5 + level / 2))
    share, extra = hits / n, z * z / n
    middle = (share + extra / 2) / (1 + extra)
    half = z * math.sqrt(share * (1 - share) / n + extra / (4 * n)) / (1 + extra)
    return (0.0 if hits == 0 else middle - half), (1.0 if hits == n else middle + half)


def exact(hits: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Interval of a share that covers with at least the level whatever the share is; (0, 1) for n = 0.

    Clopper & Pearson, Biometrika 26 (1934), by quantiles of the beta law; wider than `wilson`.
    Raises ValueError for counts or a level that cannot be.
    """
    from scipy.special import betaincinv

    _check_counts(hits, n)
    _check_share("level", level)
    tail = (1 - level) / 2
    low = float(betaincinv(hits, n - hits + 1, tail)) if hits else 0.0
    high = float(betaincinv(hits + 1, n - hits, 1 - tail)) if hits < n else 1.0
    return low, high


def coverage_law(n: int, alpha: float) -> tuple[float, float]:
    """The beta law (a, b) of the share of outcomes in a conformal range that was set on n jobs to miss alpha of them.

    a = n + 1 − l, b = l with l = ⌊(n + 1)·alpha⌋: Vovk, Conditional Validity of Inductive Conformal Predictors
    (2012); Angelopoulos & Bates, A Gentle Introduction to Conformal Prediction (2021), section 3.2. With n = 99 and
    alpha 0.1 a range covers 90 % on average, but may well cover 85 % or 94 %. Raises ValueError for values that
    cannot be, and where n jobs are too few for so small an alpha: such a range would have no end.
    """
    if n < 1:
        raise ValueError(f"A range is set on 1 job or more, not {n}.")
    _check_share("alpha", alpha)
    # A hair more than the product, which may be rounded to just below a whole number.
    outside = math.floor((n + 1) * alpha * (1 + 1e-12))
    if outside < 1:
        raise ValueError(
            f"{n} jobs are too few for a range that misses only {alpha:g}; {math.ceil(1 / alpha) - 1} do."
        )
    return float(n + 1 - outside), float(outside)


def factor_one_sided(n: int, share: float, confidence: float) -> float:
    """k so that at least `share` of a normal population lies below mean + k·sd of n values, with this confidence.

    Exact, by the noncentral t law: NIST/SEMATECH e-Handbook 7.2.6.3. Raises ValueError for n < 2 or shares outside
    (0, 1).
    """
    from scipy.special import ndtri
    from scipy.stats import nct

    _check_factor(n, share, confidence)
    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, float(ndtri(share)) * root)) / root


def factor_two_sided(n: int, share: float, confidence: float) -> float:
    """k so that at least `share` of a normal population lies within mean ± k·sd of n values, with this confidence.

    Howe, Two-Sided Tolerance Limits for Normal Populations, JASA 64 (1969), as in NIST/SEMATECH e-Handbook 7.2.6.3:
    within 2 % of the exact factor from five values on, within 1 % from twenty, and wide for fewer. Raises ValueError
    for n < 2 or shares outside (0, 1).
    """
    from scipy.special import chdtri, ndtri

    _check_factor(n, share, confidence)
    z = float(ndtri(0.5 + share / 2))
    chi2 = float(chdtri(n - 1, confidence))  # what a chi-squared exceeds with this confidence
    return z * math.sqrt((n - 1) * (1 + 1 / n) / chi2)


def _check_counts(hits: float, n: float) -> None:
    if not 0 <= hits <= n:
        raise ValueError(f"{hits:g} of {n:g} is not a share.")


def _check_factor(n: int, share: float, confidence: float) -> None:
    if n < 2:
        raise ValueError(f"A spread needs 2 values or more, not {n}.")
    _check_share("share", share)
    _check_share("confidence", confidence)


def _check_share(name: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise ValueError(f"The {name} is {value:g}; give a value between 0 and 1.")
