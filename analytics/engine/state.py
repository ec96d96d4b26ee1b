"""What the shop's clock has taught about one part of one stage kind, as sums that add up.

For each finished stage with features x (a row) and response y = log(minutes) − log(trade formula):
XᵀWX, XᵀWy, yᵀWy and n. Features are named, and two states are aligned by name, so that workers can learn apart
and be merged by addition. Minutes of zero have no logarithm and are counted apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine import calibration
from analytics.engine.features import INTERCEPT
from analytics.engine.trade import Part, PartDefault, defaults_for

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class State:
    """Sufficient statistics of a log-linear regression, with the PITs of its own past forecasts.

    names: the p features seen so far. xtwx: shape (p, p). xtwy: shape (p,). n: sum of weights.
    pits: counts of past PITs, shape (calibration.BINS,). zeros: weight of the stages that took no time.
    """

    kind: str
    part: Part
    names: tuple[str, ...]
    xtwx: Floats
    xtwy: Floats
    ytwy: float
    n: float
    zeros: float
    pits: Floats

    @classmethod
    def empty(cls, kind: str, part: Part = "hands_on") -> State:
        """Nothing learned yet."""
        return cls(
            kind, part, (INTERCEPT,), np.zeros((1, 1)), np.zeros(1), 0.0, 0.0, 0.0, calibration.empty()
        )

    @property
    def default(self) -> PartDefault:
        """The trade default that the state's response is measured against."""
        return defaults_for(self.kind, self.part)

    def count(self, name: str) -> float:
        """The weight of past stages that had an indicator feature (a person, a machine …)."""
        at = positions(self.names).get(name)
        return float(self.xtwx[at, at]) if at is not None else 0.0

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe; `from_dict` gives the same numbers back, bit for bit. The triangle of XᵀWX is kept once."""
        return {
            "kind": self.kind,
            "part": self.part,
            "names": list(self.names),
            "xtwx": self.xtwx[np.triu_indices(len(self.names))].tolist(),
            "xtwy": self.xtwy.tolist(),
            "ytwy": self.ytwy,
            "n": self.n,
            "zeros": self.zeros,
            "pits": self.pits.tolist(),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> State:
        """The state that `to_dict` stored. Raises ValueError where the sizes do not agree."""
        names = tuple(stored["names"])
        p = len(names)
        triangle = np.asarray(stored["xtwx"], float)
        xtwy, pits = np.asarray(stored["xtwy"], float), np.asarray(stored["pits"], float)
        if triangle.shape != (p * (p + 1) // 2,) or xtwy.shape != (p,) or pits.shape != (calibration.BINS,):
            raise ValueError(
                f"The stored model of '{stored['kind']}' names {p} features, but its sums have other sizes. "
                "Rebuild it from the clock."
            )
        xtwx = np.zeros((p, p))
        xtwx[np.triu_indices(p)] = triangle
        xtwx.T[np.triu_indices(p)] = triangle
        return cls(
            stored["kind"],
            stored["part"],
            names,
            xtwx,
            xtwy,
            stored["ytwy"],
            stored["n"],
            stored["zeros"],
            pits,
        )


@lru_cache(maxsize=4096)
def positions(names: tuple[str, ...]) -> Mapping[str, int]:
    """Where each feature stands."""
    return {name: i for i, name in enumerate(names)}


def widened(state: State, wanted: Iterable[str]) -> tuple[tuple[str, ...], Floats, Floats]:
    """The state's names with the wanted ones added at the end, and its sums padded with zeros to match."""
    index = positions(state.names)
    added = tuple(name for name in wanted if name not in index)
    if not added:
        return state.names, state.xtwx.copy(), state.xtwy.copy()
    old, p = len(state.names), len(state.names) + len(added)
    xtwx, xtwy = np.zeros((p, p)), np.zeros(p)
    xtwx[:old, :old], xtwy[:old] = state.xtwx, state.xtwy
    return state.names + added, xtwx, xtwy


def merge(a: State, b: State) -> State:
    """The state that has seen what both have seen. Raises ValueError if they are of different stage parts."""
    if (a.kind, a.part) != (b.kind, b.part):
        raise ValueError(f"A model of {a.kind}/{a.part} cannot be merged with one of {b.kind}/{b.part}.")
    names, xtwx, xtwy = widened(a, b.names)
    index = positions(names)
    at = np.array([index[name] for name in b.names])
    xtwx[np.ix_(at, at)] += b.xtwx
    xtwy[at] += b.xtwy
    return State(
        a.kind, a.part, names, xtwx, xtwy, a.ytwy + b.ytwy, a.n + b.n, a.zeros + b.zeros, a.pits + b.pits
    )


def with_row(state: State, features: Mapping[str, float], y: float, weight: float, pit: float) -> State:
    """The state after one more stage: features by name, response y, and the PIT it had beforehand."""
    names, xtwx, xtwy = widened(state, features)
    x = vector(names, features)
    xtwx += weight * np.outer(x, x)
    xtwy += (weight * y) * x
    pits = state.pits
    if math.isfinite(pit):
        pits = pits.copy()
        pits[calibration.bin_of(pit)] += weight
    return State(
        state.kind,
        state.part,
        names,
        xtwx,
        xtwy,
        state.ytwy + weight * y * y,
        state.n + weight,
        state.zeros,
        pits,
    )


def vector(names: tuple[str, ...], features: Mapping[str, float]) -> Floats:
    """The features in the order of the names, shape (p,); names that are not among the features are 0."""
    index = positions(names)
    x = np.zeros(len(names))
    for name, value in features.items():
        at = index.get(name)
        if at is not None:
            x[at] = value
    return x
