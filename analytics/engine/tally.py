"""Scores of forecasts, and of the two simple ones that they are held to, case by case and as means."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine import scores
from analytics.engine.forecast import Forecast

Floats = NDArray[np.float64]

LEVELS = (0.5, 0.8, 0.95)
WIDTH = 19
"""How many numbers `case_scores` gives."""

CRPS, CRPS_MEAN, CRPS_PAST = 0, 8, 12
"""Where the CRPS of the forecast, of the mean and a quarter, and of the past's quantiles stand among them."""


def case_scores(forecast: Forecast, past: Sequence[float], actual: float) -> Floats:
    """Every score of one case, shape (WIDTH,); past: what the simple forecasts know, not empty."""
    ours = forecast.quantile(LEVELS)
    low, high = forecast.quantile((0.05, 0.95))
    point = 1.25 * float(np.mean(past))
    theirs = np.quantile(past, LEVELS)
    return np.array(
        [
            forecast.crps(actual),
            *scores.pinball(LEVELS, ours, actual),
            *(actual <= ours),
            high - low,
            abs(point - actual),
            *scores.pinball(LEVELS, point, actual),
            scores.crps_sample(past, actual),
            *scores.pinball(LEVELS, theirs, actual),
            *(actual <= theirs),
        ],
        float,
    )


@dataclass
class Tally:
    """The sums of `case_scores` over one group of cases. sums: shape (WIDTH,)."""

    n: int = 0
    sums: Floats = field(default_factory=lambda: np.zeros(WIDTH))

    def add(self, case: Floats) -> None:
        """Count one case more."""
        self.n += 1
        self.sums = self.sums + case

    def score(self) -> dict[str, Any]:
        """The means, under the names of the backtest's SCORE; None where there was no case."""
        means: list[float | None] = [None] * WIDTH
        if self.n:
            means = [float(mean) for mean in self.sums / self.n]
        return {
            "n": self.n,
            "crps_min": means[CRPS],
            "pinball_min": _by_level(means[1:4]),
            "coverage": _by_level(means[4:7]),
            "width90_min": means[7],
            "baselines": {
                "mean_plus_quarter": {
                    "crps_min": means[CRPS_MEAN],
                    "pinball_min": _by_level(means[9:12]),
                },
                "past_quantiles": {
                    "crps_min": means[CRPS_PAST],
                    "pinball_min": _by_level(means[13:16]),
                    "coverage": _by_level(means[16:19]),
                },
            },
        }

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe; `from_dict` gives the same numbers back."""
        return {"n": self.n, "sums": self.sums.tolist()}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Tally:
        """The tally that `to_dict` stored."""
        return cls(stored["n"], np.asarray(stored["sums"], float))


def _by_level(values: Sequence[float | None]) -> dict[str, float | None]:
    return {f"{level:g}": value for level, value in zip(LEVELS, values, strict=True)}


@dataclass
class PlanTally:
    """People's own estimates beside the forecasts of the same cases, minutes. A point's CRPS is its absolute error."""

    n: int = 0
    theirs: float = 0.0
    ours: float = 0.0

    def add(self, planned: float, actual: float, crps: float) -> None:
        """Count one case more."""
        self.n, self.theirs, self.ours = self.n + 1, self.theirs + abs(planned - actual), self.ours + crps

    def score(self) -> dict[str, Any]:
        """{"n", "crps_min" of the estimates, "ours_crps_min"}; None where there was no case."""
        theirs, ours = (self.theirs / self.n, self.ours / self.n) if self.n else (None, None)
        return {"n": self.n, "crps_min": theirs, "ours_crps_min": ours}


class Past:
    """What the simple forecasts know: past minutes, by groups that get wider and wider."""

    def __init__(self) -> None:
        self._minutes: dict[tuple[str, ...], list[float]] = defaultdict(list)

    def add(self, minutes: float, *groups: str) -> None:
        """One more record. groups: from the narrowest to the widest."""
        for k in range(len(groups) + 1):
            self._minutes[groups[k:]].append(minutes)

    def of(self, *groups: str) -> list[float]:
        """The records of the narrowest group that has any; empty if there are none at all."""
        wider = (groups[k:] for k in range(len(groups) + 1))
        return next((found for group in wider if (found := self._minutes.get(group))), [])
