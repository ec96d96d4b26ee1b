"""Why a forecast is not the usual one: the difference of the middles, shared out among drivers and categories.

The shares are Shapley values (Shapley, A value for n-person games, Contributions to the Theory of Games II, 1953):
what a driver changes, averaged over all orders in which the drivers could be taken in. They add up to the difference,
whatever the model. All subsets are asked, so the values are exact.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import comb

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST = 8
"""Players at most, 256 subsets; of more, the least important are taken together as one."""


@dataclass(frozen=True)
class Situation:
    """What is known of a stage: drivers and categories by name. What is not there is not known."""

    drivers: Mapping[str, float] = field(default_factory=dict)
    categories: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Move:
    """Minutes by which these drivers or categories move the middle; several where they were taken together."""

    names: tuple[str, ...]
    minutes: float


@dataclass(frozen=True)
class Explanation:
    """The middle of the usual stage and of this one, minutes, and the moves from the one to the other.

    moves: the largest first, several taken together last; they add up to here − usual.
    """

    usual: float
    here: float
    moves: tuple[Move, ...]


Middle = Callable[[Mapping[str, float], Mapping[str, str]], float]
"""The middle of the forecast, minutes, for drivers and categories."""


def explain(
    middle: Middle, usual: Situation, here: Situation, *, most: int = MOST, least: float = 0.0
) -> Explanation:
    """Share out middle(here) − middle(usual) among the drivers and categories in which the two differ.

    most: players at most. least: moves of fewer minutes than this are shown together. Raises ValueError for a
    `most` below 1.
    """
    if most < 1:
        raise ValueError(f"The difference cannot be shared out among {most} players.")

    def value(changed: Sequence[str]) -> float:
        drivers, categories = _mixed(usual, here, frozenset(changed))
        return float(middle(drivers, categories))

    names = differing(usual, here)
    base, end = value(()), value(names)
    players = _players(names, value, base, end, most)
    worth = np.array([base, *(value(_members(players, mask)) for mask in range(1, 2 ** len(players)))])
    moves = [Move(*pair) for pair in zip(players, shapley(worth).tolist(), strict=True)]
    return Explanation(base, end, _in_order(moves, least))


def shapley(worth: Floats) -> Floats:
    """Each player's Shapley value, shape (n,).

    worth: of each coalition, shape (2**n,); bit i of a coalition's place says whether player i is in it. Raises
    ValueError for another shape.
    """
    n = int(worth.size).bit_length() - 1
    if worth.shape != (2**n,):
        raise ValueError(f"{worth.size} coalitions are not all those of any number of players.")
    coalitions = np.arange(worth.size)
    sizes = np.array([mask.bit_count() for mask in range(worth.size)])
    weights = np.array([1.0 / (n * comb(n - 1, size)) for size in range(n)])
    values = np.empty(n)
    for player in range(n):
        without = coalitions[coalitions >> player & 1 == 0]
        values[player] = weights[sizes[without]] @ (worth[without | 1 << player] - worth[without])
    return values


def differing(usual: Situation, here: Situation) -> list[str]:
    """The drivers and categories whose values differ, by name."""
    pairs = ((usual.drivers, here.drivers), (usual.categories, here.categories))
    return sorted({key for a, b in pairs for key in {*a, *b} if a.get(key) != b.get(key)})


def _mixed(
    usual: Situation, here: Situation, changed: frozenset[str]
) -> tuple[dict[str, float], dict[str, str]]:
    """The usual situation with the changed names as they are here."""
    drivers = {key: value for key, value in usual.drivers.items() if key not in changed}
    drivers.update({key: value for key, value in here.drivers.items() if key in changed})
    categories = {key: value for key, value in usual.categories.items() if key not in changed}
    categories.update({key: value for key, value in here.categories.items() if key in changed})
    return drivers, categories


def _players(
    names: list[str], value: Callable[[Sequence[str]], float], base: float, end: float, most: int
) -> list[tuple[str, ...]]:
    """Each name alone; of more than `most` the least important together. Importance: how far a name moves the middle
    as the first and as the last to change."""
    if len(names) <= most:
        return [(name,) for name in names]
    weight = {
        name: abs(value([name]) - base) + abs(end - value([other for other in names if other != name]))
        for name in names
    }
    ranked = sorted(names, key=lambda name: (-weight[name], name))
    return [*((name,) for name in ranked[: most - 1]), tuple(sorted(ranked[most - 1 :]))]


def _members(players: Sequence[tuple[str, ...]], mask: int) -> list[str]:
    return [name for i, names in enumerate(players) if mask >> i & 1 for name in names]


def _in_order(moves: Sequence[Move], least: float) -> tuple[Move, ...]:
    """The single moves of at least so many minutes, the largest first; then the others as one."""
    shown = [move for move in moves if len(move.names) == 1 and abs(move.minutes) >= least]
    rest = [move for move in moves if move not in shown]
    shown.sort(key=lambda move: (-abs(move.minutes), move.names))
    if len(rest) == 1:
        return (*shown, rest[0])
    if rest:
        names = tuple(sorted(name for move in rest for name in move.names))
        shown.append(Move(names, sum(move.minutes for move in rest)))
    return tuple(shown)
