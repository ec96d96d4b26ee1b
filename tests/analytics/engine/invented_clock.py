"""Invented shops with people who forget to stop: what the clock shows of their stages, and what was true.

Open 08:00 to 17:00 on weekdays. A stop is forgotten at 5 stages in a hundred: of half of them until the next
morning, of the others until the person presses something else that day, 20 minutes to 5 hours later. One in ten of
those comes back and presses Finish, so that nothing shows. Of the others 15 in a hundred are left for other work,
as it happens, at the moment that the clock says. All of this is invented: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

import numpy as np

from tests.analytics.engine.invented import InventedShop, TrueStage

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
HOURS = {day: [(time(8), time(17))] for day in range(5)}
OPENS, CLOSES = 8 * 60.0, 17 * 60.0


@dataclass(frozen=True)
class Clocked:
    """One stretch as clocked. forgot: '', 'night' or 'day'. left: it ended because its person began something else."""

    kind: str
    drivers: Mapping[str, float]
    starts: datetime
    minutes: float
    left: bool
    forgot: str

    @property
    def ends(self) -> datetime:
        """When the clock stopped."""
        return self.starts + timedelta(minutes=self.minutes)


def clocked(shop: InventedShop, jobs: int, rng: np.random.Generator) -> Iterator[Clocked]:
    """The hands-on stages of a shop's next jobs, in the order in which they were done."""
    for number in range(jobs):
        for stage in shop.job().stages:
            if stage.part == "hands_on":
                yield _clocked(stage, MONDAY + timedelta(days=number % 5 + 7 * (number // 5)), rng)


def _clocked(stage: TrueStage, day: datetime, rng: np.random.Generator) -> Clocked:
    start = float(rng.uniform(OPENS, CLOSES - 30))
    minutes, forgot, left = stage.minutes, "", bool(rng.random() < 0.15)
    if rng.random() < 0.05:
        worked_until = start + minutes
        if rng.random() < 0.5 and worked_until < CLOSES + 120:
            forgot, left = "night", bool(rng.random() < 0.5)
            days = 3 if day.weekday() == 4 else 1
            minutes = days * 1440.0 + OPENS + float(rng.uniform(0, 90)) - start
        else:
            forgot, left = "day", bool(rng.random() < 0.9)
            minutes += math.ceil(float(rng.uniform(20, 300)))
    return Clocked(stage.kind, stage.drivers, day + timedelta(minutes=start), minutes, left, forgot)
