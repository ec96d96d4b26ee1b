"""What is learned together, in one order.

A track is one part of one stage kind that the trade has a formula for; or one part of all the other kinds, which
share a prior (the pooled state), so that each of their forecasts hangs on the order among them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from analytics.engine.durations import (
    Observation,
    State,
    entry_of,
    pooled_state,
    predict,
    update_pooled,
    with_entry,
)
from analytics.engine.hours import to_minutes
from analytics.engine.posterior import Prior
from analytics.engine.trade import PARTS, Part, defaults_for
from analytics.models import ModelState, PooledState, Sample
from analytics.selectors.models import adopted_priors
from analytics.selectors.samples import EPOCH
from jobs.models import StageKind
from shop.models import Shop

Place = tuple[float, int]
"""Where a sample stands in the order: the minutes of its finish, and its stage."""


@dataclass(frozen=True)
class TrackKey:
    """A part, and the kind with a formula for it; None: all kinds without one."""

    part: Part
    kind_id: int | None


@dataclass
class Track:
    """The states of one track while samples are learned. keys: kind to the key of its trade default. waits: kinds
    that nobody works at. priors: what the shop took from others, by such a key."""

    key: TrackKey
    keys: dict[int, str]
    pooled: State
    waits: frozenset[int] = frozenset()
    priors: Mapping[str, Prior] = field(default_factory=dict)
    states: dict[int, State] = field(default_factory=dict)
    last: dict[int, Sample] = field(default_factory=dict)

    def learn(self, sample: Sample) -> None:
        """Take in one sample, and note on it where it fell in the forecast before it."""
        part, kind = self.key.part, self.keys[sample.kind_id]
        minutes = sample.hands_on_min if part == "hands_on" else sample.unattended_min
        state = self.states.get(sample.kind_id) or State.empty(kind, part)
        pooled = self.pooled if self.key.kind_id is None else None
        prior = self.priors.get(kind)
        # Sorted, because a database may give the keys back in an order of its own, and features stand in it.
        drivers, categories = dict(sorted(sample.drivers.items())), dict(sorted(sample.categories.items()))
        wait = sample.kind_id in self.waits
        seen = Observation(
            minutes, drivers, categories, place_of(sample)[0], is_wait=wait, alone=sample.unattended_min
        )
        entry = entry_of(state, seen, pooled=pooled, prior=prior)
        sample.pit = _with(sample.pit, part, _pit(state, seen, pooled, prior))
        sample.weight = _with(sample.weight, part, entry.weight if entry.features else None)
        self.states[sample.kind_id] = with_entry(state, entry)
        self.last[sample.kind_id] = sample
        if pooled is not None:
            self.pooled = update_pooled(pooled, kind, seen, entry.weight)


def _with(values: Mapping[str, float], part: Part, value: float | None) -> dict[str, float]:
    """The values with another for this part; None takes it out."""
    return {key: one for key, one in {**values, part: value}.items() if one is not None}


def place_of(sample: Sample) -> Place:
    """Where the sample stands in the order of learning."""
    return to_minutes(EPOCH, sample.finished_at), sample.stage_id


def track_keys(kind: StageKind) -> list[TrackKey]:
    """The tracks that a stage kind's samples are learned in: one per part."""
    return [TrackKey(part, kind.pk if defaults_for(kind.key, part).components else None) for part in PARTS]


def track_empty(shop: Shop, key: TrackKey, kinds: Iterable[StageKind]) -> Track:
    """A track that has learned nothing. kinds: all of the shop's."""
    kinds = list(kinds)
    keys = {kind.pk: kind.key for kind in kinds if key in track_keys(kind)}
    waits = frozenset(kind.pk for kind in kinds if kind.pk in keys and kind.is_hold)
    priors = {} if key.kind_id is None else adopted_priors(shop)
    mine = {kind: prior for (kind, part), prior in priors.items() if part == key.part}
    return Track(key, keys, pooled_state(key.part), waits, mine)


def track_load(shop: Shop, key: TrackKey, kinds: Iterable[StageKind], wanted: Iterable[int]) -> Track:
    """A track as it was stored, with the states of the wanted kinds."""
    track = track_empty(shop, key, kinds)
    stored = ModelState.objects.of(shop).filter(part=key.part, kind__in=set(wanted) & track.keys.keys())
    track.states = {row.kind_id: State.from_dict(row.state) for row in stored}
    if key.kind_id is None:
        row = PooledState.objects.of(shop).filter(part=key.part).first()
        track.pooled = State.from_dict(row.state) if row and row.state else track.pooled
    return track


def track_last(shop: Shop, key: TrackKey) -> Place | None:
    """The place of the last sample that a track has learned; None where it has learned none."""
    if key.kind_id is None:
        rows: Sequence[PooledState | ModelState] = list(PooledState.objects.of(shop).filter(part=key.part))
    else:
        rows = list(ModelState.objects.of(shop).filter(part=key.part, kind=key.kind_id))
    return next(
        (to_minutes(EPOCH, r.last_at), r.last_stage) if r.last_at else None for r in [*rows, PooledState()]
    )


def track_save(shop: Shop, track: Track, *, whole: bool) -> None:
    """Store what a track has learned. whole: it was learned from the beginning, so what it lacks is removed."""
    part = track.key.part
    if whole:
        stored = ModelState.objects.of(shop).filter(part=part, kind__in=track.keys)
        stored.exclude(kind__in=track.last).delete()
    rows = [
        ModelState(
            shop=shop,
            kind_id=kind_id,
            part=part,
            state=(state := track.states[kind_id]).to_dict(),
            n=round(state.n + state.zeros),
            **_last(sample),
        )
        for kind_id, sample in track.last.items()
    ]
    ModelState.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["kind", "part"],
        update_fields=["state", "n", "last_at", "last_stage"],
    )
    if track.key.kind_id is None and (whole or track.last):
        last = max(track.last.values(), key=place_of, default=None)
        facts = {"state": track.pooled.to_dict() if last else {}, "n": round(track.pooled.n)}
        PooledState.objects.of(shop).filter(part=part).update(**facts, **_last(last))


def _last(sample: Sample | None) -> dict[str, object]:
    if sample is None:
        return {"last_at": None, "last_stage": 0}
    return {"last_at": sample.finished_at, "last_stage": sample.stage_id}


def _pit(state: State, seen: Observation, pooled: State | None, prior: Prior | None) -> float | None:
    """Where the minutes fell in the forecast, 0..1; None for a part that was not expected to take time at all."""
    if seen.minutes == 0.0 and state.n == 0.0 and not state.default.usual:
        return None
    forecast = predict(state, seen.drivers, seen.categories, pooled=pooled, prior=prior)
    return forecast.pit(seen.minutes) if forecast.minutes[-1] > 0.0 else None
