"""What the shop's clock has taught about one part of one stage kind, as sums that add up.

For each finished stage with features x (a row) and response y = log(minutes) − log(trade formula):
XᵀWX, XᵀWy, yᵀWy and the weight, in one copy per half-life: all the past, and pasts that fade. Fading goes by
timestamps, so that two states brought to the same instant can be added: workers learn apart and are merged. Features
are named, and two states are aligned by name. Minutes of zero have no logarithm and are counted apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine import calibration
from analytics.engine.features import INTERCEPT
from analytics.engine.solving import added
from analytics.engine.trade import Part, PartDefault, defaults_for

Floats = NDArray[np.float64]

DAY = 1440.0
HALF_LIVES: Floats = np.array([math.inf, 180.0, 40.0]) * DAY
"""Minutes after which a record weighs half in each copy. Chosen: about 150 and 30 records where a kind is done
nearly once a day."""

SCORE_HALF_LIFE = 60.0 * DAY
"""The same for the log scores by which the copies are mixed."""

COPIES = HALF_LIVES.size


@dataclass(frozen=True, eq=False)
class State:
    """Sufficient statistics of a log-linear regression, with the PITs of its own past forecasts.

    names: the p features seen so far. xtwx: shape (COPIES, p, p). xtwy: (COPIES, p). ytwy, mass: (COPIES,); mass is
    the sum of weights. scores: (COPIES,) log scores. seen: (COPIES,) how many finished stages took any time, whatever
    they weigh. at: the instant that these fade from, minutes. zeros: how many took no time. pits: counts of past PITs,
    shape (calibration.BINS,). troubled, amiss: how many records ran into trouble, and of how many the clock was wrong,
    both by their probabilities.
    """

    kind: str
    part: Part
    names: tuple[str, ...]
    xtwx: Floats
    xtwy: Floats
    ytwy: Floats
    mass: Floats
    scores: Floats
    seen: Floats
    at: float
    zeros: float
    troubled: float
    amiss: float
    pits: Floats

    @classmethod
    def empty(cls, kind: str, part: Part = "hands_on", copies: int = COPIES) -> State:
        """Nothing learned yet. copies: how many of the half-lives to keep."""
        none = np.zeros(copies)
        return cls(
            kind, part, (INTERCEPT,), np.zeros((copies, 1, 1)), np.zeros((copies, 1)), none, none, none, none,
            -math.inf, 0.0, 0.0, 0.0, calibration.empty(),
        )  # fmt: skip

    @property
    def default(self) -> PartDefault:
        """The trade default that the state's response is measured against."""
        return defaults_for(self.kind, self.part)

    @property
    def n(self) -> float:
        """How many finished stages took any time, in all the past."""
        return float(self.seen[0])

    @property
    def disrupted(self) -> tuple[float, float]:
        """How many records ran into trouble, by their probabilities, and of how many whose clock was right."""
        return self.troubled, self.n - self.amiss

    def count(self, name: str) -> float:
        """The weight of past stages that had an indicator feature (a person, a machine …)."""
        at = positions(self.names).get(name)
        return float(self.xtwx[0, at, at]) if at is not None else 0.0

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe; `from_dict` gives the same numbers back, bit for bit. The triangle of XᵀWX is kept once."""
        rows, columns = np.triu_indices(len(self.names))
        stored: dict[str, Any] = {
            one.name: value.tolist() if isinstance(value := getattr(self, one.name), np.ndarray) else value
            for one in fields(self)
        }
        return {
            **stored,
            "names": list(self.names),
            "xtwx": self.xtwx[:, rows, columns].tolist(),
            "at": self.at if math.isfinite(self.at) else None,
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> State:
        """The state that `to_dict` stored. Raises ValueError where it is of another make."""
        names = tuple(stored["names"])
        p, copies = len(names), len(stored.get("mass", ()))
        wanted = _shapes(copies, p)
        sums = {key: np.asarray(stored.get(key, ()), float) for key in wanted}
        if any(sums[key].shape != wanted[key] for key in wanted):
            raise ValueError(
                f"The stored model of '{stored['kind']}' names {p} features, but its sums have other sizes. "
                "Rebuild it from the clock."
            )
        xtwx = np.zeros((copies, p, p))
        rows, columns = np.triu_indices(p)
        xtwx[:, rows, columns] = sums["xtwx"]
        xtwx[:, columns, rows] = sums["xtwx"]
        plain = {key: stored[key] for key in ("kind", "part", "zeros", "troubled", "amiss")}
        at = -math.inf if stored["at"] is None else stored["at"]
        return cls(**{**plain, **sums, "names": names, "xtwx": xtwx, "at": at})


def _shapes(copies: int, p: int) -> dict[str, tuple[int, ...]]:
    """The shapes of the stored sums."""
    return {
        "xtwx": (copies, p * (p + 1) // 2),
        "xtwy": (copies, p),
        "ytwy": (copies,),
        "mass": (copies,),
        "scores": (copies,),
        "seen": (copies,),
        "pits": (calibration.BINS,),
    }


@lru_cache(maxsize=4096)
def positions(names: tuple[str, ...]) -> Mapping[str, int]:
    """Where each feature stands."""
    return {name: i for i, name in enumerate(names)}


@lru_cache(maxsize=4096)
def fading(minutes: float, copies: int = COPIES) -> tuple[Floats, float]:
    """What is left of the sums, shape (copies,), and of the scores after so many minutes."""
    return 0.5 ** (minutes / HALF_LIVES[:copies]), 0.5 ** (minutes / SCORE_HALF_LIFE)


def faded(state: State, at: float) -> State:
    """The state as of a later instant."""
    if at <= state.at or not math.isfinite(state.at):
        return replace(state, at=max(at, state.at))
    left, scores = fading(at - state.at, state.mass.size)
    return replace(
        state,
        xtwx=state.xtwx * left[:, None, None],
        xtwy=state.xtwy * left[:, None],
        ytwy=state.ytwy * left,
        mass=state.mass * left,
        scores=state.scores * scores,
        seen=state.seen * left,
        at=at,
    )


def widened(names: tuple[str, ...], wanted: Iterable[str]) -> tuple[str, ...]:
    """The names with the wanted ones added at the end."""
    index = positions(names)
    return names + tuple(name for name in wanted if name not in index)


def padded(state: State, names: tuple[str, ...]) -> State:
    """The state with its sums padded with zeros to more names."""
    old, p = len(state.names), len(names)
    if old == p:
        return state
    xtwx, xtwy = np.zeros((state.mass.size, p, p)), np.zeros((state.mass.size, p))
    xtwx[:, :old, :old], xtwy[:, :old] = state.xtwx, state.xtwy
    return replace(state, names=names, xtwx=xtwx, xtwy=xtwy)


def merge(a: State, b: State) -> State:
    """The state that has seen what both have seen. Raises ValueError if they are of different stage parts."""
    if (a.kind, a.part) != (b.kind, b.part):
        raise ValueError(f"A model of {a.kind}/{a.part} cannot be merged with one of {b.kind}/{b.part}.")
    at = max(a.at, b.at)
    a, b = padded(faded(a, at), widened(a.names, b.names)), faded(b, at)
    index = positions(a.names)
    place = np.array([index[name] for name in b.names])
    xtwx, xtwy = a.xtwx.copy(), a.xtwy.copy()
    xtwx[:, place[:, None], place] += b.xtwx
    xtwy[:, place] += b.xtwy
    return replace(
        a,
        xtwx=xtwx,
        xtwy=xtwy,
        **{name: getattr(a, name) + getattr(b, name) for name in _ADDED},
    )


_ADDED = ("ytwy", "mass", "scores", "seen", "zeros", "troubled", "amiss", "pits")


@dataclass(frozen=True, eq=False)
class Entry:
    """One finished stage as it enters the sums; entries can be added in any grouping.

    features, y: its row and its response; none of them for a stage that took no time. at: when it finished, minutes.
    weight: in the sums. count: as a record. sound, troubled: its chance of having been clocked rightly, and of having
    run into trouble, times the count. scores: its log scores, shape (copies,). pit: where it fell in its forecast.
    """

    at: float
    count: float
    features: Mapping[str, float] = field(default_factory=dict)
    y: float = 0.0
    weight: float = 0.0
    sound: float = 0.0
    troubled: float = 0.0
    scores: Floats | float = 0.0
    pit: float = math.nan


def with_entry(state: State, entry: Entry) -> State:
    """The state after one more stage."""
    if not entry.features:
        return replace(state, zeros=state.zeros + entry.count)
    names = widened(state.names, entry.features)
    x = vector(names, entry.features)
    at = max(state.at, entry.at)
    left, scores_left = fading(at - state.at if math.isfinite(state.at) else 0.0, state.mass.size)
    late, scores_late = fading(at - entry.at, state.mass.size)
    weight = entry.weight * late
    xtwx, xtwy = added(state.xtwx, state.xtwy, left, weight, x, entry.y)
    return State(
        state.kind,
        state.part,
        names,
        xtwx,
        xtwy,
        state.ytwy * left + weight * (entry.y * entry.y),
        state.mass * left + weight,
        state.scores * scores_left + entry.scores * scores_late,
        state.seen * left + entry.count * late,
        at,
        state.zeros,
        state.troubled + entry.troubled,
        state.amiss + entry.count - entry.sound,
        calibration.counted(state.pits, entry.pit, entry.sound),
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
