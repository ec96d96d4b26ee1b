"""What an invented shop is like: every feature of its truth, each of which can be switched off or made larger.

All numbers are invented. `Truth()` is a calm shop whose clock shows what happened; the presets add what clocks and
shops are really like. They are meant to differ from what any one model assumes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

Shape = Literal["log-normal", "gamma", "weibull", "mixed"]


@dataclass(frozen=True)
class Truth:
    """Spreads are standard deviations of log minutes; shares are probabilities.

    What the work is like:
    people: how few and how many. own_rates: of the shop's components around the trade's. types, persons: how far job
    types and people stand from each other. noise: the smallest and the largest of a stage kind. shape: of the noise;
    'mixed' draws one for each kind. machine_noise: of unattended minutes, times that of hands-on ones. difficulty:
    what a job's stages share. disrupted: share of stages that run into trouble, and then take
    disruption[0] to disruption[1] times as long. left_out: share of stage kinds that a job type does without.
    size_slope: how far minutes grow by another power than 1 of the formula. own_kinds: stage kinds without a trade
    formula. elasticity: of drivers outside every formula (0: there are none). together: correlation of a job's area
    and pieces, on the log scale. only_area_and_pieces: neither other drivers nor the person are known beforehand.

    What changes:
    learners: people who begin with the shop. learning: their minutes at twice the stages, until `learned` stages.
    change: between which finished jobs a machine changes unnoticed, and change_by: the smallest and largest log
    factor, up or down. jobs_a_week: the fewest and most.

    What the clock shows of it:
    forgotten: share of stages whose stop was forgotten; extra minutes have the median forgotten_min and the
    spread forgotten_spread; overnight: share of those that ran until the next morning. rounding: minutes, one of
    these by shop. split: share of stages clocked in two sittings, of which up to split_loss minutes are lost.
    late: share whose start was pressed late; between late_by[0] and late_by[1] of the minutes are lost.
    """

    people: tuple[int, int] = (1, 3)
    own_rates: float = 0.45
    types: float = 0.25
    persons: float = 0.15
    noise: tuple[float, float] = (0.2, 0.5)
    shape: Shape = "log-normal"
    machine_noise: float = 1.0
    difficulty: float = 0.15
    disrupted: float = 0.06
    disruption: tuple[float, float] = (1.5, 3.5)
    left_out: float = 0.0
    size_slope: float = 0.0
    own_kinds: int = 0
    elasticity: float = 0.0
    together: float = 0.0
    only_area_and_pieces: bool = False
    learners: int = 0
    learning: float = 0.9
    learned: int = 40
    change: tuple[int, int] | None = None
    change_by: tuple[float, float] = (0.25, 0.5)
    jobs_a_week: tuple[float, float] = (3.0, 25.0)
    forgotten: float = 0.0
    forgotten_min: float = 60.0
    forgotten_spread: float = 1.1
    overnight: float = 0.0
    rounding: tuple[float, ...] = ()
    split: float = 0.0
    split_loss: float = 0.0
    late: float = 0.0
    late_by: tuple[float, float] = (0.3, 0.8)


CALM = Truth()

PLAIN = replace(
    CALM,
    forgotten=0.05,
    rounding=(1.0, 5.0),
    split=0.15,
    split_loss=2.0,
    change=(40, 400),
)
"""Six job types, one to three people, log-normal noise, a shared difficulty, disruptions, forgotten stops at face
value, rounding, split sittings and a machine change. None was forgotten overnight: of those the clock asks."""

USUAL = replace(PLAIN, late=0.03, learners=1, left_out=0.1, together=0.4, machine_noise=0.6)
"""The same with late starts, somebody who learns, and routes that differ from job type to job type."""

HARD = replace(
    USUAL,
    shape="mixed",
    own_rates=0.5,
    noise=(0.15, 0.65),
    difficulty=0.25,
    size_slope=0.1,
    own_kinds=2,
    elasticity=0.25,
    forgotten_spread=1.4,
    overnight=0.1,
    left_out=0.25,
)
"""Noise of other shapes, kinds without a formula, drivers outside every formula, and more of everything."""

NARROW = replace(USUAL, only_area_and_pieces=True)
"""The realistic end: area, pieces and the job's type are all that is known."""

PRESETS: Mapping[str, Truth] = MappingProxyType(
    {"calm": CALM, "plain": PLAIN, "usual": USUAL, "hard": HARD, "narrow": NARROW}
)
