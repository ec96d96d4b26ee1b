"""What a stage takes before the shop has clocked one: the trade defaults, in one table.

minutes = sum over components of (fixed_min + rate × driver). These are starting points that the shop's own
clock soon outweighs, and a page that shows one says that it is a default. The orders of magnitude of cutting,
weeding, masking and applying were held against two itemised vehicle jobs in SignCraft, "What's it cost…"
(2019-06, 2018-08): cut + weed + mask 28–54 min/m², apply 32–54 min/m². Two jobs are no average.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

Part = Literal["hands_on", "unattended"]
PARTS: tuple[Part, ...] = ("hands_on", "unattended")

DRIVERS = ("area_m2", "cut_m", "pieces", "panels", "layers", "passes", "height_m")

TYPICAL: Mapping[str, float] = {
    "area_m2": 2.0,
    "cut_m": 10.0,
    "pieces": 4.0,
    "panels": 2.0,
    "layers": 1.0,
    "passes": 1.0,
    "height_m": 1.0,
}
"""What a formula takes for a driver that was not given. Common practice, no source."""

PRACTICE = "common practice, no source"
JOB_LOGS = "common practice, no source; order of magnitude held against SignCraft job logs 2018-08, 2019-06"

SHORTEST_MIN = 0.1
"""A formula never says less than six seconds, so that its logarithm stays finite with zero drivers."""

LONGEST_MIN = 5_000_000.0
"""Nor more than nearly ten years, whatever the drivers."""


@dataclass(frozen=True)
class Component:
    """One addend of a stage's minutes: fixed_min + rate × driver (× times, where a second driver multiplies)."""

    name: str
    fixed_min: float = 0.0
    rate: float = 0.0
    driver: str | None = None
    part: Part = "hands_on"
    times: str | None = None

    def minutes(self, drivers: Mapping[str, float]) -> float:
        """Minutes of this component; a driver that is missing counts as its typical value."""
        if self.driver is None:
            return self.fixed_min
        amount = known(drivers, self.driver, TYPICAL.get(self.driver, 1.0))
        if self.times is not None:
            amount *= known(drivers, self.times, TYPICAL.get(self.times, 1.0))
        return self.fixed_min + self.rate * max(amount, 0.0)


@dataclass(frozen=True)
class StageDefault:
    """A stock stage kind: its components, the spread of log minutes, and where the numbers come from."""

    components: tuple[Component, ...]
    sigma: float
    source: str = PRACTICE


@dataclass(frozen=True)
class PartDefault:
    """The default of one part of one stage kind.

    components: empty where the trade has no formula for it. sigma: spread of log minutes.
    usual: whether this part takes any time unless the clock has shown that it does.
    """

    kind_key: str
    part: Part
    components: tuple[Component, ...]
    sigma: float
    source: str
    usual: bool

    def minutes(self, drivers: Mapping[str, float]) -> float:
        """The formula's minutes; `SHORTEST_MIN` at least. Raises ValueError where there is no formula."""
        if not self.components:
            raise ValueError(f"There is no trade formula for {self.part} minutes of '{self.kind_key}'.")
        return within_reason(sum(c.minutes(drivers) for c in self.components))

    @cached_property
    def typical_minutes(self) -> float:
        """The formula's minutes where no driver is given."""
        return self.minutes({})

    @cached_property
    def drivers(self) -> tuple[str, ...]:
        """The drivers that the formula uses, in its order, each once."""
        used = [d for c in self.components for d in (c.driver, c.times) if d is not None]
        return tuple(dict.fromkeys(used))


def known(drivers: Mapping[str, float], name: str, otherwise: float) -> float:
    """The driver's value, or `otherwise` where it is absent or not a finite number."""
    value = drivers.get(name)
    return float(value) if value is not None and math.isfinite(value) else otherwise


def within_reason(minutes: float) -> float:
    """Minutes that a formula may say."""
    return min(max(minutes, SHORTEST_MIN), LONGEST_MIN)


C = Component

# fmt: off
TRADE: Mapping[str, StageDefault] = {
    "artwork": StageDefault((C("open and check the file", 10.0), C("each piece", rate=2.0, driver="pieces")), 0.6),
    "load": StageDefault((C("load the roll, set up the printer", 8.0),), 0.4),
    "template": StageDefault((C("measure", 8.0), C("each panel", rate=6.0, driver="panels")), 0.5),
    "print": StageDefault((
        C("start and watch the first print", 4.0),
        C("warm up", 3.0, part="unattended"),
        C("print", rate=5.0, driver="area_m2", times="layers", part="unattended"),
    ), 0.4, "common practice, no source; area over time, Fujifilm inkjet pages: 29.7 m²/h is a draft mode"),
    "outgas": StageDefault((
        C("solvent leaves the film", 1440.0, part="unattended"),
    ), 0.1, "film maker's tip 40, arlon.com: 24 h minimum before contour cut and laminate"),
    "laminate": StageDefault((C("web the laminator", 8.0), C("laminate", rate=2.5, driver="area_m2")), 0.4),
    "cut": StageDefault((
        C("load and cut test", 5.0),
        C("find the marks", 1.0, part="unattended"),
        C("cut", rate=0.25, driver="cut_m", part="unattended"),
    ), 0.4, JOB_LOGS),
    "weed": StageDefault((
        C("set out", 2.0),
        C("lift the waste", rate=6.0, driver="area_m2"),
        C("along the cut", rate=0.4, driver="cut_m"),
    ), 0.5, JOB_LOGS),
    "mask": StageDefault((C("set out", 2.0), C("lay the tape", rate=5.0, driver="area_m2")), 0.4, JOB_LOGS),
    "trim": StageDefault((C("set out", 2.0), C("each piece", rate=0.5, driver="pieces")), 0.4),
    "pack": StageDefault((C("label and note", 5.0), C("each piece", rate=0.5, driver="pieces")), 0.5),
    "travel": StageDefault((C("there and back", 40.0),), 0.6),
    "clean": StageDefault((C("get ready", 6.0), C("wash and wipe", rate=5.0, driver="area_m2")), 0.5),
    "install": StageDefault((
        C("set out", 10.0), C("apply", rate=30.0, driver="area_m2"), C("each panel", rate=3.0, driver="panels"),
    ), 0.6, JOB_LOGS + "; wide: Sign & Digital Graphics, 2016 Wraps, p. 60"),
    "approval": StageDefault((C("wait for the customer", 1440.0, part="unattended"),), 1.2),
    "media-delivery": StageDefault((C("wait for the carrier", 2880.0, part="unattended"),), 0.9),
}
# fmt: on

UNKNOWN = StageDefault((), 1.0, "no trade default for this stage; it starts wide and learns from the clock")

OWN_HOLD = "hold--"
"""How the keys of a shop's own holds begin."""

WAIT = StageDefault((C("wait", 1440.0, part="unattended"),), 1.2)
"""A shop's own hold of no set length: a day, within a few hours and a week. A hold always takes its time."""


@lru_cache(maxsize=1024)
def defaults_for(kind_key: str, part: Part) -> PartDefault:
    """The trade default of one part of a stage kind; a wide one, without a formula but for a hold, for a shop's own."""
    stage = TRADE.get(kind_key, WAIT if kind_key.startswith(OWN_HOLD) else UNKNOWN)
    components = tuple(c for c in stage.components if c.part == part)
    usual = bool(components) or (stage is UNKNOWN and part == "hands_on")
    sigma = stage.sigma if components else UNKNOWN.sigma
    return PartDefault(kind_key, part, components, sigma, stage.source, usual)


@lru_cache(maxsize=1024)
def as_one(kind_key: str) -> PartDefault | None:
    """The trade default of both parts together, as of a clock that does not tell them apart; None where there is a
    formula for one of them at most."""
    hands_on, alone = (defaults_for(kind_key, part) for part in PARTS)
    if not (hands_on.components and alone.components):
        return None
    return replace(hands_on, components=hands_on.components + alone.components)
