"""Learn from finished stages: the sample, the states of its tracks, the counts of its day; each exactly once.

Samples are learned in the order of (finished_at, stage). One that comes in that order updates the states; one that
comes late, changes or goes means learning its tracks again in order, so that the same events always give the same
rows.

What is to be written is worked out first, outside a transaction, so that no tap waits for it. Then it is written if
nobody else has learned in this shop meanwhile; if somebody has, it is worked out again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from functools import partial

from django.db import transaction
from django.db.models import F

from analytics.engine.trade import PARTS
from analytics.models import ModelState, PooledState, Sample, StageDay
from analytics.selectors.samples import samples_of, stages_to_judge, stages_to_learn
from analytics.services.cells import cell_of, cells_remake
from analytics.services.tracks import (
    Track,
    TrackKey,
    place_of,
    track_empty,
    track_keys,
    track_last,
    track_load,
    track_save,
)
from jobs.models import Stage, StageKind
from shop.models import Shop

AT_ONCE = 500
"""Stages that a sweep learns at a time."""

TRIES = 3
"""How often it is worked out without holding the others up; then they wait."""

FACTS = (
    "kind_id", "job_type_id", "person_id", "machine_id", "hands_on_min", "unattended_min", "drivers", "categories",
    "finished_at", "used", "why",
)  # fmt: skip
STORED = ("kind", "job_type", "person", "machine", *FACTS[4:], "fold_digest", "pit", "weight")

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Change:
    """A sample before and after; None where there is none."""

    old: Sample | None
    new: Sample | None

    @property
    def samples(self) -> list[Sample]:
        """The sample before, and the one after."""
        return [sample for sample in (self.old, self.new) if sample is not None]

    @property
    def is_news(self) -> bool:
        """Whether the sample says something else than before."""
        if self.old is None or self.new is None:
            return True
        return any(getattr(self.old, name) != getattr(self.new, name) for name in FACTS)


@dataclass
class Plan:
    """What is to be written.

    afresh: everything that was learned is removed before. tracks: with whether each was learned from the
    beginning. judged: samples, else unchanged, that lie elsewhere in their forecast now, or weigh something else.
    """

    changes: Sequence[Change]
    afresh: bool = False
    tracks: list[tuple[Track, bool]] = field(default_factory=list)
    judged: dict[int, Sample] = field(default_factory=dict)

    @property
    def news(self) -> list[Change]:
        """The changes that bear on what was learned."""
        return [change for change in self.changes if change.is_news]


def learn_stage(stage_id: int) -> bool:
    """Learn one stage as it stands now, or forget it if it is finished no more; whether anything was written."""
    shop = Shop.objects.filter(pk__in=Stage.objects.filter(pk=stage_id).values("shop")).first()
    return shop is not None and _carry_out(shop, partial(_plan_stages, shop, [stage_id])) > 0


def sweep_shop(shop: Shop) -> int:
    """Learn every stage of a shop that no message told us of; how many."""
    found = stages_to_learn(shop)
    parts = (found[i : i + AT_ONCE] for i in range(0, len(found), AT_ONCE))
    return sum(_carry_out(shop, partial(_plan_stages, shop, part)) for part in parts)


def sweep_all() -> int:
    """`sweep_shop` for each shop."""
    return sum(sweep_shop(shop) for shop in Shop.objects.order_by("pk"))


def relearn_kind(kind: StageKind) -> None:
    """Learn the tracks of a stage kind again from their samples."""
    _carry_out(kind.shop, partial(_plan_kind, kind))


def learn_shop(shop: Shop, progress: Progress = lambda text: None) -> int:
    """Learn a shop's finished stages from the beginning; how many samples there are."""
    return _carry_out(shop, partial(_plan_shop, shop, progress))


def _carry_out(shop: Shop, make: Callable[[], Plan]) -> int:
    """Make the plan and write it, if what it rests on still holds; how many samples it changes."""
    for _ in range(TRIES):
        before = _version(shop)
        plan = make()
        if not (plan.changes or plan.tracks):
            return 0
        with transaction.atomic():
            if _lock(shop) == before:
                return _write(shop, plan)
    with transaction.atomic():
        _lock(shop)
        return _write(shop, make())


def _version(shop: Shop) -> int:
    """How often something was learned in this shop."""
    rows = PooledState.objects.of(shop).filter(part=PARTS[0])
    return rows.values_list("version", flat=True).first() or 0


def _lock(shop: Shop) -> int:
    """Let no one else write what they learned in this shop until the transaction ends; the version."""
    for part in PARTS:
        PooledState.objects.get_or_create(shop=shop, part=part)
    rows = PooledState.objects.of(shop).select_for_update().order_by("part")
    return {row.part: row.version for row in rows}[PARTS[0]]


def _plan_stages(shop: Shop, stage_ids: Collection[int]) -> Plan:
    """Bring the samples of these stages, and all that hangs on them, up to date."""
    plan = Plan(_changes(shop, stages_to_judge(shop, stage_ids)))
    kinds = list(StageKind.objects.of(shop)) if plan.news else []
    for key in _tracks(kinds):
        mine = {kind.pk for kind in kinds if key in track_keys(kind)}
        here = [c for c in plan.news if any(sample.used and sample.kind_id in mine for sample in c.samples)]
        if here:
            _plan_track(shop, plan, key, kinds, here)
    return plan


def _plan_kind(kind: StageKind) -> Plan:
    plan, kinds = Plan([]), list(StageKind.objects.of(kind.shop))
    for key in track_keys(kind):
        _replay(kind.shop, plan, key, kinds, {})
    return plan


def _plan_shop(shop: Shop, progress: Progress) -> Plan:
    progress("Making samples")
    samples = samples_of(shop)
    progress(f"Learning from {len(samples):,} stages")
    kinds = list(StageKind.objects.of(shop))
    tracks = [(_learned(shop, key, kinds, samples), True) for key in _tracks(kinds)]
    return Plan([Change(None, sample) for sample in samples], True, tracks)


def _tracks(kinds: Sequence[StageKind]) -> list[TrackKey]:
    return list(dict.fromkeys(key for kind in kinds for key in track_keys(kind)))


def _changes(shop: Shop, stage_ids: Collection[int]) -> list[Change]:
    """What has to change of these stages' samples, in the order of learning."""
    old = {sample.stage_id: sample for sample in Sample.objects.of(shop).filter(stage__in=stage_ids)}
    new = {sample.stage_id: sample for sample in samples_of(shop, stage_ids)}
    both = [Change(old.get(stage), new.get(stage)) for stage in old.keys() | new.keys()]
    for change in both:
        if change.old and change.new:
            change.new.pk = change.old.pk
            if change.new.used:
                change.new.pit, change.new.weight = change.old.pit, change.old.weight
    wanted = [c for c in both if c.is_news or c.samples[0].fold_digest != c.samples[1].fold_digest]
    return sorted(wanted, key=lambda change: place_of(change.samples[-1]))


def _plan_track(
    shop: Shop, plan: Plan, key: TrackKey, kinds: Sequence[StageKind], changes: Sequence[Change]
) -> None:
    """Add the changed samples to a track if they all come behind what it knows; else learn it again in order."""
    fresh = [change.new for change in changes if change.new and change.new.used]
    last = track_last(shop, key)
    forgets = any(change.old and change.old.used for change in changes)
    if forgets or (last is not None and last >= place_of(fresh[0])):
        _replay(shop, plan, key, kinds, {c.samples[0].stage_id: c.new for c in changes})
        return
    track = track_load(shop, key, kinds, {sample.kind_id for sample in fresh})
    for sample in fresh:
        if sample.kind_id in track.keys:
            track.learn(sample)
    plan.tracks.append((track, False))


def _replay(
    shop: Shop, plan: Plan, key: TrackKey, kinds: Sequence[StageKind], changed: dict[int, Sample | None]
) -> None:
    """Learn a track from the beginning. changed: stages whose samples are not stored as they will be."""
    mine = [kind.pk for kind in kinds if key in track_keys(kind)]
    stored = [
        plan.judged.get(sample.stage_id, sample) for sample in Sample.objects.of(shop).filter(kind__in=mine)
    ]
    samples = [sample for sample in stored if sample.stage_id not in changed]
    before = [_judgement(sample, key) for sample in samples]
    order = sorted([*samples, *filter(None, changed.values())], key=place_of)
    plan.tracks.append((_learned(shop, key, kinds, order), True))
    plan.judged.update(
        (sample.stage_id, sample)
        for sample, was in zip(samples, before, strict=True)
        if _judgement(sample, key) != was
    )


def _judgement(sample: Sample, key: TrackKey) -> tuple[float | None, float | None]:
    """Where a sample's part lies in its forecast, and what it weighs."""
    return sample.pit.get(key.part), sample.weight.get(key.part)


def _learned(shop: Shop, key: TrackKey, kinds: Sequence[StageKind], samples: Sequence[Sample]) -> Track:
    """A track that has learned these samples, given in order; those of other kinds are passed over."""
    track = track_empty(shop, key, kinds)
    for sample in samples:
        if sample.used and sample.kind_id in track.keys:
            track.learn(sample)
    return track


def _write(shop: Shop, plan: Plan) -> int:
    """Write a plan; how many samples it changes."""
    if plan.afresh:
        for model in (Sample, ModelState, StageDay):
            model.objects.of(shop).delete()
    changes = plan.changes
    for track, whole in plan.tracks:
        track_save(shop, track, whole=whole)
    Sample.objects.filter(pk__in=[c.old.pk for c in changes if c.old and not c.new]).delete()
    Sample.objects.bulk_create([c.new for c in changes if c.new and not c.old], batch_size=1000)
    Sample.objects.bulk_update([c.new for c in changes if c.new and c.old], STORED, batch_size=200)
    Sample.objects.bulk_update(plan.judged.values(), ["pit", "weight"], batch_size=500)
    cells_remake(shop, {cell_of(shop, sample) for change in plan.news for sample in change.samples})
    PooledState.objects.of(shop).update(version=F("version") + 1)
    return len(changes)
