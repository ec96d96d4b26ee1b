"""What a shop has learned, for forecasts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.engine.backtest import column
from analytics.engine.durations import Forecast, State, pooled_state, predict, shop_pits
from analytics.engine.totals import Correlations, with_job
from analytics.engine.trade import PARTS, Part
from analytics.models import ModelState, PooledState, Sample
from jobs.models import JobStatus
from shop.models import Shop

CLIP = 0.001
"""How near to 0 and 1 a PIT may come before it makes a normal score."""


@dataclass(frozen=True, eq=False)
class Learned:
    """The states of a shop's stage kinds by (key, part), and what they share.

    pits: PIT counts of all kinds, shape (100,).
    """

    states: Mapping[tuple[str, Part], State]
    pooled: Mapping[Part, State]
    pits: NDArray[np.float64]
    correlations: Correlations = field(default_factory=Correlations)

    def state(self, kind_key: str, part: Part) -> State:
        """What is known of one part of a stage kind."""
        return self.states.get((kind_key, part)) or State.empty(kind_key, part)

    def forecast(
        self, kind_key: str, part: Part, drivers: Mapping[str, float], categories: Mapping[str, str]
    ) -> Forecast:
        """The law of one part's minutes at a stage with these drivers and categories."""
        return predict(
            self.state(kind_key, part), drivers, categories, calibration=self.pits, pooled=self.pooled[part]
        )


def learned(shop: Shop) -> Learned:
    """What the shop's clock has taught until now."""
    rows = ModelState.objects.of(shop).select_related("kind").order_by("kind__key", "part")
    states = [State.from_dict(row.state) for row in rows]
    pooled = {part: pooled_state(part) for part in PARTS}
    for row in PooledState.objects.of(shop):
        if row.state:
            state = State.from_dict(row.state)
            pooled[state.part] = state
    return Learned(
        {(state.kind, state.part): state for state in states},
        pooled,
        shop_pits(states),
        correlations_of(shop),
    )


def correlations_of(shop: Shop) -> Correlations:
    """How the stages of one job have run long or short together, from the finished jobs' forecasts."""
    jobs: dict[int, dict[str, float]] = defaultdict(dict)
    samples = Sample.objects.of(shop).filter(used=True, stage__job__status=JobStatus.FINISHED)
    for job, kind, pits in samples.order_by("finished_at", "stage_id").values_list(
        "stage__job", "kind__key", "pit"
    ):
        for part, pit in pits.items():
            jobs[job][column(kind, part)] = min(max(pit, CLIP), 1.0 - CLIP)
    known = Correlations()
    for pits in jobs.values():
        known = with_job(known, pits)
    return known
