"""Learn from finished stages: the sample, the states of its tracks, the counts of its day; each exactly once.

Samples are learned in the order of (finished_at, stage). One that comes in that order updates the states; one that
comes late, changes or goes means learning its tracks again in order, so that the same events always give the same
rows. Learning is serial within a shop: the shop's pooled rows are the lock.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from django.db import transaction

from analytics.engine.trade import PARTS
from analytics.models import ModelState, PooledState, Sample, StageDay
from analytics.selectors.samples import samples_of, stages_to_learn
from analytics.services.cells import cell_of, cells_remake
from analytics.services.tracks import (
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
"""Stages that a sweep learns in one transaction."""

FACTS = (
    "kind_id", "job_type_id", "person_id", "machine_id", "hands_on_min", "unattended_min", "drivers", "categories",
    "finished_at", "used", "why",
)  # fmt: skip
STORED = ("kind", "job_type", "person", "machine", *FACTS[4:], "fold_digest", "pit")

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


def learn_stage(stage_id: int) -> bool:
    """Learn one stage as it stands now, or forget it if it is finished no more; whether anything was written."""
    shop = Shop.objects.filter(pk__in=Stage.objects.filter(pk=stage_id).values("shop")).first()
    return shop is not None and _learn(shop, [stage_id]) > 0


def sweep_shop(shop: Shop) -> int:
    """Learn every stage of a shop that no message told us of; how many."""
    found = stages_to_learn(shop)
    return sum(_learn(shop, found[i : i + AT_ONCE]) for i in range(0, len(found), AT_ONCE))


def sweep_all() -> int:
    """`sweep_shop` for each shop."""
    return sum(sweep_shop(shop) for shop in Shop.objects.order_by("pk"))


def relearn_kind(kind: StageKind) -> None:
    """Learn the tracks of a stage kind again from their samples."""
    with transaction.atomic():
        _lock(kind.shop)
        kinds = list(StageKind.objects.of(kind.shop))
        for key in track_keys(kind):
            _pits_save(_replay(kind.shop, key, kinds, {}))


@transaction.atomic
def learn_shop(shop: Shop, progress: Progress = lambda text: None) -> int:
    """Learn a shop's finished stages from the beginning; how many samples there are."""
    _lock(shop)
    progress("Making samples")
    for model in (Sample, ModelState, StageDay):
        model.objects.of(shop).delete()
    PooledState.objects.of(shop).update(state={}, n=0, last_at=None, last_stage=0)
    samples = samples_of(shop)
    progress(f"Learning from {len(samples):,} stages")
    kinds = list(StageKind.objects.of(shop))
    keys = dict.fromkeys(key for kind in kinds for key in track_keys(kind))
    for key in keys:
        _run(shop, key, kinds, samples)
    Sample.objects.bulk_create(samples, batch_size=1000)
    cells_remake(shop, {cell_of(shop, sample) for sample in samples})
    return len(samples)


@transaction.atomic
def _learn(shop: Shop, stage_ids: Collection[int]) -> int:
    """Bring the samples of these stages, and all that hangs on them, up to date; how many were not."""
    _lock(shop)
    changes = _changes(shop, stage_ids)
    teaching = [change for change in changes if not _same(change)]
    Sample.objects.filter(pk__in=[c.old.pk for c in changes if c.old and not c.new]).delete()
    kinds = list(StageKind.objects.of(shop))
    for key in dict.fromkeys(key for kind in kinds for key in track_keys(kind)):
        mine = {kind.pk for kind in kinds if key in track_keys(kind)}
        here = [c for c in teaching if any(sample.used and sample.kind_id in mine for sample in c.samples)]
        if here:
            _learn_track(shop, key, kinds, here)
    _samples_save(changes)
    cells_remake(shop, {cell_of(shop, sample) for change in teaching for sample in change.samples})
    return len(changes)


def _lock(shop: Shop) -> None:
    """Let no one else learn in this shop until the transaction ends."""
    for part in PARTS:
        PooledState.objects.get_or_create(shop=shop, part=part)
    list(PooledState.objects.of(shop).select_for_update().order_by("part"))


def _changes(shop: Shop, stage_ids: Collection[int]) -> list[Change]:
    """What has to change of these stages' samples, in the order of learning."""
    old = {sample.stage_id: sample for sample in Sample.objects.of(shop).filter(stage__in=stage_ids)}
    new = {sample.stage_id: sample for sample in samples_of(shop, stage_ids)}
    both = [Change(old.get(stage), new.get(stage)) for stage in old.keys() | new.keys()]
    for change in both:
        if change.old and change.new:
            change.new.pk, change.new.pit = change.old.pk, change.old.pit if change.new.used else {}
    wanted = [c for c in both if not _same(c) or c.samples[0].fold_digest != c.samples[1].fold_digest]
    return sorted(wanted, key=lambda change: place_of(change.samples[-1]))


def _same(change: Change) -> bool:
    """Whether the sample says the same as before."""
    return (
        change.old is not None
        and change.new is not None
        and all(getattr(change.old, name) == getattr(change.new, name) for name in FACTS)
    )


def _learn_track(shop: Shop, key: TrackKey, kinds: Sequence[StageKind], changes: Sequence[Change]) -> None:
    """Add the changed samples to a track if they all come behind what it knows; else learn it again in order."""
    fresh = [change.new for change in changes if change.new and change.new.used]
    last = track_last(shop, key)
    forgets = any(change.old and change.old.used for change in changes)
    if forgets or (last is not None and last >= place_of(fresh[0])):
        _pits_save(_replay(shop, key, kinds, {c.samples[0].stage_id: c.new for c in changes}))
        return
    track = track_load(shop, key, kinds, {sample.kind_id for sample in fresh})
    for sample in fresh:
        if sample.kind_id in track.keys:
            track.learn(sample)
    track_save(shop, track, whole=False)


def _replay(
    shop: Shop, key: TrackKey, kinds: Sequence[StageKind], changed: dict[int, Sample | None]
) -> list[Sample]:
    """Learn a track from the beginning. changed: stages whose samples are not yet stored as they are now.

    Returns the stored samples whose place in their forecast is another one now.
    """
    wanted = [kind.pk for kind in kinds if key in track_keys(kind)]
    stored = list(Sample.objects.of(shop).filter(kind__in=wanted))
    before = {sample.stage_id: sample.pit.get(key.part) for sample in stored}
    samples = [sample for sample in stored if sample.stage_id not in changed]
    _run(shop, key, kinds, sorted([*samples, *filter(None, changed.values())], key=place_of))
    return [sample for sample in samples if sample.pit.get(key.part) != before[sample.stage_id]]


def _run(shop: Shop, key: TrackKey, kinds: Sequence[StageKind], samples: Sequence[Sample]) -> None:
    """Learn a track from the beginning. samples: in order; those of other kinds are passed over."""
    track = track_empty(key, kinds)
    for sample in samples:
        if sample.used and sample.kind_id in track.keys:
            track.learn(sample)
    track_save(shop, track, whole=True)


def _pits_save(samples: Sequence[Sample]) -> None:
    Sample.objects.bulk_update(samples, ["pit"], batch_size=500)


def _samples_save(changes: Sequence[Change]) -> None:
    Sample.objects.bulk_create([c.new for c in changes if c.new and not c.old], batch_size=500)
    Sample.objects.bulk_update([c.new for c in changes if c.new and c.old], STORED, batch_size=200)
