"""How people's own estimates of stages compared with what the clock then said."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

from analytics.models import Sample
from jobs.drivers import PLANNED
from jobs.models import StageKind
from shop.models import Shop

LATEST = 500
"""The latest samples with an estimate that are looked at."""

LEAST = 5
"""Of one kind of stage, to speak of that kind alone."""

EVEN = 0.02
"""How near to 1 a ratio is called right in the middle."""


@dataclass(frozen=True)
class EstimateRecord:
    """The median of minutes taken over minutes estimated, of n finished stages; of one kind alone, or of all."""

    n: int = 0
    ratio: float = math.nan
    of_kind: bool = False

    @property
    def words(self) -> str:
        """'stages took 25 % longer than estimated, in the middle of 41'; empty for none."""
        if not self.n:
            return ""
        end = f"in the middle of {self.n:,}{' of this kind' if self.of_kind else ''}"
        change = abs(self.ratio - 1.0)
        if change < EVEN:
            return f"stages took as long as estimated, {end}"
        more = f"{change * 100:.0f} % {'longer' if self.ratio > 1 else 'less'}"
        if self.ratio >= 2:
            more = f"{self.ratio:.1f} times as long"
            return f"stages took {more} as estimated, {end}"
        return f"stages took {more} than estimated, {end}"


def estimate_record(shop: Shop, kind: StageKind | None = None) -> EstimateRecord:
    """How own estimates compared in the past: of this kind where at least LEAST have one, else of all. One query."""
    rows = (
        Sample.objects.of(shop)
        .filter(used=True, drivers__has_key=PLANNED)
        .order_by("-finished_at", "-stage_id")
        .values_list("kind", "hands_on_min", "unattended_min", "drivers")[:LATEST]
    )
    ratios = [
        (pk, (by_hand + alone) / planned)
        for pk, by_hand, alone, drivers in rows
        if (planned := planned_of(drivers)) is not None
    ]
    mine = [ratio for pk, ratio in ratios if kind is not None and pk == kind.pk]
    if len(mine) >= LEAST:
        return EstimateRecord(len(mine), median(mine), of_kind=True)
    return EstimateRecord(len(ratios), median(ratio for _, ratio in ratios)) if ratios else EstimateRecord()


def planned_of(drivers: Mapping[str, object]) -> float | None:
    """Somebody's own estimate among these drivers, minutes; None where there is none."""
    value = drivers.get(PLANNED)
    if isinstance(value, bool) or not isinstance(value, int | float) or not value > 0:
        return None
    return float(value)
