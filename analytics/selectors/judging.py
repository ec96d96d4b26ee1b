"""Which samples are not learned from until somebody has answered, judged by the clock alone.

A record is held against the earlier finished ones of its kind, whatever was thought of those: so the same events
give the same judgements in whatever order they were learned.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from analytics.engine.doubt import RECENT, Signs, is_doubted, law_of
from analytics.engine.features import row
from analytics.engine.forecast import LogLaw
from analytics.engine.trade import PartDefault, defaults_for
from analytics.models import Sample
from analytics.selectors.signs import Stretch
from jobs.models import StageKind
from shop.models import Shop

NOTHING = "no minutes were clocked"
FORGOTTEN = "ran through a closed night: was a stop forgotten?"
LEFT = "ran far longer than usual, until something else was begun: was a stop forgotten?"
BREAK = "ran far longer than usual, through a break: was a stop forgotten?"
CLASH = "was clocked at the same time as another stage on the same machine or by the same person"

Place = tuple[datetime, int]
"""When a stage finished, and its key: the order of learning."""


@dataclass(frozen=True)
class KindPast:
    """A kind's records in order: their places, and log(hands-on minutes) − log(trade formula)."""

    default: PartDefault
    places: Sequence[Place]
    residuals: Sequence[float]

    def law_before(self, place: Place, drivers: Mapping[str, float]) -> LogLaw:
        """The law of log hands-on minutes from what stands before this place."""
        end = bisect_left(self.places, place)
        past = self.residuals[max(0, end - RECENT) : end]
        return law_of(past, offset_of(self.default, drivers), self.default.sigma)


def judge(
    shop: Shop,
    samples: Sequence[Sample],
    signs: Mapping[Stretch, Signs],
    clashing: Collection[int],
    *,
    whole: bool,
) -> None:
    """Set `used` and `why` of samples that are not stored yet. whole: they are all that the shop has."""
    by_stage: dict[int, list[Signs]] = defaultdict(list)
    for stretch, one in signs.items():
        by_stage[stretch.stage].append(one)
    unsure = {s.kind_id for s in samples if any(shown.any_overlap for shown in by_stage.get(s.stage_id, ()))}
    pasts = kind_pasts(shop, unsure, samples, whole=whole)
    for sample in samples:
        if sample.why:
            continue
        if sample.stage_id in clashing:
            sample.why = CLASH
        elif mine := by_stage.get(sample.stage_id):
            sample.why = _why(sample, mine, pasts)
        sample.used = not sample.why


def _why(sample: Sample, shown: Sequence[Signs], pasts: Mapping[int, KindPast]) -> str:
    """Why a sample that shows these signs is not learned from; empty if it is."""
    if any(one.night for one in shown):
        return FORGOTTEN
    law = pasts[sample.kind_id].law_before((sample.finished_at, sample.stage_id), sample.drivers)
    doubted = [one for one in shown if is_doubted(sample.hands_on_min, law, one)]
    if not doubted:
        return ""
    return LEFT if any(one.left for one in doubted) else BREAK


def kind_pasts(
    shop: Shop, kinds: Collection[int], samples: Sequence[Sample] = (), *, whole: bool = False
) -> dict[int, KindPast]:
    """The records of these kinds as stored, with `samples` in place of theirs. whole: nothing stored counts."""
    found: dict[int, KindPast] = {}
    keys = dict(StageKind.objects.of(shop).filter(pk__in=kinds).values_list("pk", "key"))
    names = ("finished_at", "stage_id", "hands_on_min", "drivers")
    ours = {sample.stage_id for sample in samples}
    for kind, key in keys.items():
        default = defaults_for(key, "hands_on")
        rows = [tuple(getattr(s, name) for name in names) for s in samples if s.kind_id == kind]
        if not whole:
            stored = Sample.objects.of(shop).filter(kind=kind).order_by().values_list(*names)
            rows += [row for row in stored if row[1] not in ours]
        found[kind] = _past(default, rows)
    return found


def _past(default: PartDefault, rows: Iterable[tuple[datetime, int, float, Mapping[str, float]]]) -> KindPast:
    some = sorted((row for row in rows if row[2] > 0.0), key=lambda row: row[:2])
    residuals = [math.log(minutes) - offset_of(default, drivers) for _, _, minutes, drivers in some]
    return KindPast(default, [(at, stage) for at, stage, _, _ in some], residuals)


def offset_of(default: PartDefault, drivers: Mapping[str, float]) -> float:
    """The log of what the trade formula says of a stage, in minutes."""
    return row(default, drivers, {}, lambda _: math.inf)[1]
