"""What a shop has learned, for forecasts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from django.db.models import Count, Max, Min, Sum
from numpy.typing import NDArray

from analytics.engine.across import prior_from_dict
from analytics.engine.backtest import column
from analytics.engine.durations import Forecast, State, pooled_state, predict, shop_pits
from analytics.engine.posterior import Prior
from analytics.engine.totals import Correlations, total, with_job
from analytics.engine.trade import PARTS, Part
from analytics.models import AdoptedPrior, ModelState, PooledState, Sample
from jobs.models import Category, JobStatus
from shop.models import Shop

CLIP = 0.001
"""How near to 0 and 1 a PIT may come before it makes a normal score."""

TOGETHER = np.array([[1.0, 0.2], [0.2, 1.0]])
"""How the hands-on minutes of a stage and its machine's go together."""

MOST_LAWS = 10_000
"""Laws kept beside what was learned, 2 KB each; beyond that all are worked out anew."""

MOST_SHOPS = 8
"""Shops whose learning a process keeps."""

_kept: dict[int, tuple[object, Learned]] = {}


@dataclass(frozen=True, eq=False)
class Learned:
    """The states of a shop's stage kinds by (key, part), and what they share.

    pits: PIT counts of all kinds, shape (100,). priors: what other shops' posteriors say, where this shop takes that.
    laws: those worked out already, by state and inputs, and by the two laws that were added; shared by copies.
    """

    states: Mapping[tuple[str, Part], State]
    pooled: Mapping[Part, State]
    pits: NDArray[np.float64]
    correlations: Correlations = field(default_factory=Correlations)
    priors: Mapping[tuple[str, Part], Prior] = field(default_factory=dict)
    laws: dict[Any, Forecast] = field(default_factory=dict)

    def state(self, kind_key: str, part: Part) -> State:
        """What is known of one part of a stage kind."""
        return self.states.get((kind_key, part)) or State.empty(kind_key, part)

    def forecast(
        self, kind_key: str, part: Part, drivers: Mapping[str, float], categories: Mapping[str, str]
    ) -> Forecast:
        """The law of one part's minutes at a stage with these drivers and categories."""
        state = self.states.get((kind_key, part))
        name = (state or (kind_key, part), *sorted(drivers.items()), *sorted(categories.items()))
        law = self.laws.get(name)
        if law is None:
            law = predict(
                state or State.empty(kind_key, part),
                drivers,
                categories,
                calibration=self.pits,
                pooled=self.pooled[part],
                prior=self.priors.get((kind_key, part)),
            )
            self._keep(name, law)
        return law

    def together(self, hands_on: Forecast, unattended: Forecast) -> Forecast:
        """The law of a stage's minutes where somebody stays with the machine all the while."""
        name = (hands_on, unattended)
        law = self.laws.get(name)
        if law is None:
            law = total(list(name), TOGETHER, np.random.default_rng(0))
            self._keep(name, law)
        return law

    def _keep(self, name: Any, law: Forecast) -> None:
        if len(self.laws) >= MOST_LAWS:
            self.laws.clear()
        self.laws[name] = law


def learned(shop: Shop) -> Learned:
    """What the shop's clock has taught until now."""
    return replace(learned_stages(shop), correlations=correlations_of(shop))


def learned_stages(shop: Shop) -> Learned:
    """The same without how the stages of a job run long together: enough for single stages, and quick.

    A process keeps it, with the laws worked out from it, until the shop learns again.
    """
    version = _version(shop)
    kept = _kept.get(shop.pk)
    if kept is None or kept[0] != version:
        while len(_kept) >= MOST_SHOPS:
            _kept.pop(next(iter(_kept)), None)
        kept = _kept[shop.pk] = (version, _read(shop))
    return kept[1]


def _version(shop: Shop) -> object:
    """Another one whenever the shop has learned, or taken over what others know."""
    rows = (
        PooledState.objects.of(shop).order_by("pk").values_list("pk", "version", "n", "last_at", "last_stage")
    )
    states = ModelState.objects.of(shop).aggregate(
        first=Min("pk"), count=Count("pk"), n=Sum("n"), at=Max("last_at")
    )
    taken = AdoptedPrior.objects.of(shop).aggregate(Max("taken_at")) if shop.shares_learning else None
    return shop.created_at, shop.shares_learning, list(rows), states, taken


def _read(shop: Shop) -> Learned:
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
        # Only a shop that shares takes from others, so that the rest are spared the query.
        priors=adopted_priors(shop) if shop.shares_learning else {},
    )


def adopted_priors(shop: Shop) -> dict[tuple[str, Part], Prior]:
    """The starting points that the shop took from others, by (kind key, part)."""
    stored = {(row.kind_key, row.part): row.prior for row in AdoptedPrior.objects.of(shop)}
    return {
        (kind, part): prior_from_dict(stored[kind, part])
        for kind in sorted({kind for kind, _ in stored})
        for part in PARTS
        if (kind, part) in stored
    }


def correlations_of(shop: Shop) -> Correlations:
    """How the stages of one job have run long or short together, from the finished jobs' forecasts."""
    jobs: dict[int, dict[str, float]] = defaultdict(dict)
    samples = Sample.objects.of(shop).filter(used=True, stage__job__status=JobStatus.FINISHED)
    samples = samples.exclude(kind__category=Category.HOLD)  # nobody's being quick or slow bears on a wait
    for job, kind, pits in samples.order_by("finished_at", "stage_id").values_list(
        "stage__job", "kind__key", "pit"
    ):
        for part, pit in pits.items():
            jobs[job][column(kind, part)] = min(max(pit, CLIP), 1.0 - CLIP)
    known = Correlations()
    for pits in jobs.values():
        known = with_job(known, pits)
    return known
