"""Well-kept libraries' forecasts of a stage's minutes, to hold ours against: they know what ours knows.

Each learns from all that has finished so far, anew whenever asked to `fit`, and gives quantiles at GRID. Both work on
log minutes, as ours does; that is in their favour, because minutes are skewed.
"""

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtri
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.feature_extraction import DictVectorizer
from sklearn.linear_model import BayesianRidge
from sklearn.preprocessing import OrdinalEncoder
from threadpoolctl import threadpool_limits

from analytics.engine.learner import StageRecord

GRID = np.array([0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99])
"""The probabilities that boosting fits a model each for; between them the law is taken as even."""

FINE = np.concatenate(([0.001, 0.0025], np.linspace(0.005, 0.995, 199), [0.9975, 0.999]))
"""Where a law in closed form is read off."""

SHORTEST = 1.0 / 60.0
STAGE = "stage"
MOST_LEVELS = 250
"""Levels of a category that boosting can tell apart; the commonest are."""


def log_minutes(stages: Sequence[StageRecord]) -> np.ndarray:
    """The response, shape (n,)."""
    return np.log(np.maximum([stage.actual for stage in stages], SHORTEST))


def words(stage: StageRecord) -> dict[str, str]:
    """Every category that is known of a stage beforehand, its kind among them."""
    return {**stage.categories, STAGE: stage.kind_key}


class Boosting:
    """Gradient boosting of trees with quantile loss, one model for each probability of GRID.

    scikit-learn's HistGradientBoostingRegressor with its own settings: a missing number is a branch of its own, and
    categories are split as sets. Quantiles that cross are put in order.
    """

    probs = GRID

    # Trees this small take longer on several threads than on one, and far longer on a busy machine.
    @threadpool_limits.wrap(limits=1)
    def fit(self, stages: Sequence[StageRecord]) -> None:
        """Learn from all these stages, at least one."""
        self.numbers = sorted({key for stage in stages for key in stage.drivers})
        self.groups = sorted({key for stage in stages for key in words(stage)})
        # Ordinals from one beyond the numbers; what is rare or new is missing.
        self.encoder = OrdinalEncoder(
            handle_unknown="use_encoded_value",
            unknown_value=np.nan,
            encoded_missing_value=np.nan,
            max_categories=MOST_LEVELS,
        ).fit(self._words(stages))
        rows, response = self._rows(stages), log_minutes(stages)
        mask = [False] * len(self.numbers) + [True] * len(self.groups)
        self.models = [
            HistGradientBoostingRegressor(
                loss="quantile", quantile=p, categorical_features=mask, early_stopping=False, random_state=0
            ).fit(rows, response)
            for p in GRID
        ]

    @threadpool_limits.wrap(limits=1)
    def quantiles(self, stages: Sequence[StageRecord]) -> np.ndarray:
        """Minutes at `probs`, shape (n, len(probs))."""
        rows = self._rows(stages)
        return np.exp(np.sort(np.column_stack([model.predict(rows) for model in self.models]), axis=1))

    def _words(self, stages: Sequence[StageRecord]) -> np.ndarray:
        return np.array(
            [[words(stage).get(key, "") for key in self.groups] for stage in stages], dtype=object
        )

    def _rows(self, stages: Sequence[StageRecord]) -> np.ndarray:
        numbers = [[stage.drivers.get(key, np.nan) for key in self.numbers] for stage in stages]
        numbers = np.array(numbers, float).reshape(len(stages), len(self.numbers))
        return np.hstack([numbers, self.encoder.transform(self._words(stages))])


class AcceleratedFailureTime:
    """Log-normal accelerated failure time: log minutes = a line in log drivers and categories, with normal noise.

    Where every stage was seen to its end the likelihood of that model is the one of a linear regression of log
    minutes (Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data, 2nd ed., section 3.6). So
    scikit-learn's BayesianRidge fits it, and chooses the ridge penalty itself by the marginal likelihood; the spread
    of its forecasts has the coefficients' in it.
    """

    probs = FINE

    def fit(self, stages: Sequence[StageRecord]) -> None:
        """Learn from all these stages, at least two."""
        seen: dict[str, list[float]] = {}
        for stage in stages:
            for key, value in stage.drivers.items():
                seen.setdefault(key, []).append(np.log1p(max(value, 0.0)))
        self.middle = {key: float(np.mean(values)) for key, values in seen.items()}
        self.columns = DictVectorizer(sparse=False)
        self.model = BayesianRidge().fit(
            self.columns.fit_transform([self._row(stage) for stage in stages]), log_minutes(stages)
        )

    def quantiles(self, stages: Sequence[StageRecord]) -> np.ndarray:
        """Minutes at `probs`, shape (n, len(probs))."""
        rows = self.columns.transform([self._row(stage) for stage in stages])
        mean, spread = self.model.predict(rows, return_std=True)
        return np.exp(mean[:, None] + spread[:, None] * ndtri(FINE))

    def _row(self, stage: StageRecord) -> dict[str, float | str]:
        """Categories as words, drivers as logs about their mean; a driver that is not given stands at its mean."""
        row: dict[str, float | str] = dict(words(stage))
        for key, middle in self.middle.items():
            given = key in stage.drivers
            row[f"log {key}"] = np.log1p(max(stage.drivers[key], 0.0)) - middle if given else 0.0
            row[f"no {key}"] = float(not given)
        return row
