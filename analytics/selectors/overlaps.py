"""Where the clock has more at once than can be: a machine on two stages, a person at two sittings.

Of a machine only runs that were clocked live are looked at, for a log that was imported says of its times what it
says. Of a person only sittings that somebody typed up or added, for live presses cannot overlap.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from django.db.models import Q

from analytics.selectors.signs import Row, Settled, rows_of, settled_at
from jobs.models import ClockEvent, Interval, IntervalKind, StageState, TapKind
from jobs.services.clock_reach import chunks
from shop.models import Machine, Shop

LEAST = timedelta(minutes=1)
"""A shorter overlap is two presses that met."""

What = Literal["machine", "person"]


@dataclass(frozen=True)
class Overlap:
    """More at once than can be. key: of the machine or the person; runs: whose intervals, the first begun first.

    doubted: the stages among them that nobody has answered for.
    """

    what: What
    key: int
    runs: tuple[Row, ...]
    starts: datetime
    ends: datetime
    doubted: tuple[int, ...]


def overlaps_among(what: What, rows: Iterable[Row], capacity: Mapping[int, int]) -> list[Overlap]:
    """The overlaps of these ended intervals, by machine or person; capacity: of those that take more than one."""
    by_key: dict[int, list[Row]] = defaultdict(list)
    for row in rows:
        key = row.machine if what == "machine" else row.person
        if key is not None and row.ends is not None:
            by_key[key].append(row)
    found = []
    for key, mine in sorted(by_key.items()):
        here: list[Row] = []
        for row in sorted(mine, key=lambda one: (one.starts, one.stage, one.ends or one.starts)):
            here = [one for one in here if one.ends is not None and one.ends > row.starts]
            here.append(row)
            together = [one for one in here if _meet(one, row)]
            if len({one.stage for one in together}) > capacity.get(key, 1):
                ends = min(one.ends for one in together if one.ends is not None)
                stages = tuple(dict.fromkeys(one.stage for one in together))
                found.append(Overlap(what, key, tuple(together), row.starts, ends, stages))
    return found


def _meet(one: Row, other: Row) -> bool:
    """Whether two intervals share more than a moment, or are the same."""
    if one is other:
        return True
    assert one.ends is not None  # noqa: S101 - the caller leaves out what still lasts
    assert other.ends is not None  # noqa: S101
    return min(one.ends, other.ends) - max(one.starts, other.starts) >= LEAST


def overlaps_of(shop: Shop, rows: Sequence[Row] | None = None) -> list[Overlap]:
    """The overlaps that touch these intervals (None: all) among finished stages and that nobody has answered for."""
    machines = _beside(shop, IntervalKind.MACHINE, rows)
    capacity = dict(Machine.objects.of(shop).values_list("pk", "capacity"))
    found = overlaps_among("machine", machines, capacity)
    typed = _typed(shop)
    if typed:
        found += [
            one
            for one in overlaps_among("person", _beside(shop, IntervalKind.HANDS_ON, rows), {})
            if any((run.stage, run.starts) in typed for run in one.runs)
        ]
    return _open_ones(shop, found)


def _open_ones(shop: Shop, overlaps: Sequence[Overlap]) -> list[Overlap]:
    """Those that are to be asked about: no machine's that was written down, and nothing that was vouched for."""
    settled = settled_at(shop, {stage for one in overlaps for stage in one.doubted})
    kept = []
    for one in overlaps:
        if one.what == "machine" and any((run.stage, run.starts) in settled.recorded for run in one.runs):
            continue
        right = {run.stage for run in one.runs if run.ends and _vouched(settled, run.stage, run.ends)}
        doubted = tuple(stage for stage in one.doubted if stage not in right)
        if doubted:
            kept.append(replace(one, doubted=doubted))
    return kept


def _vouched(settled: Settled, stage: int, until: datetime) -> bool:
    at = settled.vouched.get(stage)
    return at is not None and until <= at


def _beside(shop: Shop, kind: IntervalKind, rows: Sequence[Row] | None) -> list[Row]:
    """The ended intervals of a kind at finished stages that meet any of these on the same machine or person."""
    whole = Interval.objects.of(shop).filter(
        kind=kind, again=False, ends_at__isnull=False, stage__state=StageState.FINISHED
    )
    if rows is None:
        return rows_of(whole)
    who = "machine" if kind == IntervalKind.MACHINE else "person"
    spans: dict[int, tuple[datetime, datetime]] = {}
    for row in rows:
        key = getattr(row, who)
        if row.kind == kind and key is not None and row.ends is not None:
            first, last = spans.get(key, (row.starts, row.ends))
            spans[key] = (min(first, row.starts), max(last, row.ends))
    found: list[Row] = []
    for key, (first, last) in spans.items():
        found += rows_of(whole.filter(Q(**{who: key}), starts_at__lt=last, ends_at__gt=first))
    return found


def stages_beside(shop: Shop, stage_ids: Collection[int]) -> set[int]:
    """The finished stages that share a moment of a machine or person with these stages, and these."""
    found, ids = set(stage_ids), sorted(stage_ids)
    typed = bool(_typed(shop))
    for some in chunks(ids):
        rows = rows_of(Interval.objects.of(shop).filter(stage__in=some))
        meeting = overlaps_among("machine", _beside(shop, IntervalKind.MACHINE, rows), {})
        if typed:
            meeting += overlaps_among("person", _beside(shop, IntervalKind.HANDS_ON, rows), {})
        for one in meeting:
            if found.intersection(one.doubted):
                found.update(one.doubted)
    return found


def _typed(shop: Shop) -> set[tuple[int, datetime]]:
    """(stage, start) of the sittings that somebody typed up or added afterwards."""
    sittings = ClockEvent.objects.of(shop).filter(kind=TapKind.SITTING, correction__isnull=False)
    return set(sittings.values_list("stage_id", "at"))
