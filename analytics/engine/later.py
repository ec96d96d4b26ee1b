"""Work that may come in: jobs that nobody has asked for yet, drawn anew in every future.

A promise that assumes none is optimistic, for what comes in competes for the same people and machines.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.engine.hours import Calendar
from analytics.engine.network import ABSENT, Edge, EdgeKind
from analytics.engine.plan import (
    CannotPlan,
    Plan,
    ShopSpec,
    StageSpec,
    edges_between,
    plan_beside,
    usual_hours,
)
from analytics.engine.sampling import uniforms

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PER_GAP = 8
"""Slots of time for each job that is likely to come in. At most one comes in each, so that how many do varies an
eighth less than with Poisson's law, and which sample may come in which slot is fixed; but so the slots' order, and
each one's place in the queue, is the same in all futures. Dates with 8 are those with 24, with 4 not always."""

MOST_SAMPLES = 48
"""So many of the jobs given are taken as samples, evenly."""
COPIES = 64
"""Samples with copies of them whose minutes are drawn, at the most: the slots share them."""

MOST_SLOTS = 4000

KEY = 1 << 62
"""The samples' draws are named by numbers from here on, beyond those of a shop's jobs."""
_ARRIVAL, _RATE, _ORDER = 0, 1 << 32, 5  # names of streams; the first slot's is the first

Arrow = tuple[int, int, EdgeKind, float]
"""Stage keys before and after, from which moment, and the lag in minutes."""


@dataclass(frozen=True, eq=False)
class LaterJob:
    """A job as it may come in, taken from the past. stages: their `job` and `ready_at` count for nothing.

    lead: minutes from its coming in to the date that it takes its turn by.
    """

    stages: tuple[StageSpec, ...]
    arrows: tuple[Arrow, ...]
    lead: float


@dataclass(frozen=True, eq=False)
class Later:
    """How work comes in. templates: what may come, each as likely as the next.

    gap: mean working minutes of the shop between two jobs that come in. until: minutes since the origin after which
    none does. spread: relative standard deviation of the rate, which differs from future to future, beyond chance.
    """

    templates: tuple[LaterJob, ...]
    gap: float
    until: float
    spread: float = 0.0


@dataclass(frozen=True, eq=False)
class Coming:
    """Work that may come in, laid out beside a plan: `Later` as the simulation reads it.

    plan: the samples' operations in the same shop, their jobs numbered from 0. edges: among those operations.
    leads: of each sample. gap, until, spread: as of `Later`. hours: in which work comes in; None: the plan's own. A
    shop that opens longer for once gets no more work for it.
    """

    plan: Plan
    edges: tuple[Edge, ...]
    leads: tuple[float, ...]
    gap: float
    until: float
    spread: float = 0.0
    hours: Calendar | None = None


def lay_out(later: Later, spec: ShopSpec, beside: Plan, days: int) -> Coming | None:
    """The samples that the shop could do, in the shop of a plan; None if nothing comes in.

    days: how far the shop's calendars reach. Raises ValueError for a gap that is not positive.
    """
    if not later.gap > 0:
        raise ValueError(f"Jobs come in {later.gap:g} working minutes apart: give a positive gap.")
    count = len(later.templates)
    taken = sorted({i * count // MOST_SAMPLES for i in range(MOST_SAMPLES)}) if count > MOST_SAMPLES else None
    stages: list[StageSpec] = []
    edges: list[Edge] = []
    leads: list[float] = []
    for template in later.templates if taken is None else [later.templates[i] for i in taken]:
        mine = [
            replace(stage, job=len(leads), ready_at=0.0, running=None, windows=(), pinned=None)
            for stage in template.stages
        ]
        try:
            plan_beside(spec, beside, mine)
        except CannotPlan:  # a machine or a skill is no longer there
            continue
        if mine:
            edges += [
                replace(edge, before=edge.before + len(stages), after=edge.after + len(stages))
                for edge in edges_between([stage.key for stage in mine], template.arrows)
            ]
            stages += mine
            leads.append(template.lead)
    if not leads:
        return None
    plan = plan_beside(spec, beside, stages)
    hours = usual_hours(spec, days) if spec.extra else None
    return Coming(plan, tuple(edges), tuple(leads), later.gap, later.until, later.spread, hours)


@dataclass(frozen=True, eq=False)
class Slotting:
    """The slots of time in which a job may come in. sample, copy, turn, opens: shape (slots,).

    opens: working minutes of the shop at which each begins; width: how many it lasts. turn: what its job is ranked
    by, minutes since the origin. copies: how many copies of the samples' columns are drawn.
    """

    sample: Ints
    copy: Ints
    turn: Floats
    opens: Floats
    width: float
    copies: int


def slotting(coming: Coming, hours: Calendar) -> Slotting:
    """Cut the shop's working time from the origin on into slots, and say which sample may come in each."""
    width = coming.gap / PER_GAP
    begin, end = (float(hours.work(t)) for t in (0.0, max(coming.until, 0.0)))
    slots = min(int(np.ceil((end - begin) / width)), MOST_SLOTS)
    samples = len(coming.leads)
    copies = max(1, min(COPIES // samples, -(-slots // samples)))
    pairs = np.arange(samples * copies)
    rng = np.random.Generator(np.random.Philox(key=_ORDER))
    turns = -(-slots // pairs.size)
    pair = np.concatenate([np.empty(0, np.int64), *(rng.permutation(pairs) for _ in range(turns))])[:slots]
    opens: Floats = np.asarray(begin + width * np.arange(slots), float)
    sample = pair % samples
    turn = _instants(hours, opens) + np.array(coming.leads)[sample]
    return Slotting(sample, pair // samples, turn, opens, width, copies)


def arrivals(coming: Coming, slots: Slotting, hours: Calendar, seed: int, block: int, out: Floats) -> None:
    """Draw when each slot's job comes in, minutes since the origin, ABSENT if never; into out, shape (runs, slots)."""
    runs, count = out.shape
    u = uniforms(seed, block, _ARRIVAL + np.arange(count), runs).T
    chance = np.full((runs, 1), slots.width / coming.gap)
    if coming.spread > 0:
        from scipy.special import gammaincinv  # here, for scipy is slow to load

        shape = coming.spread**-2
        chance *= gammaincinv(shape, uniforms(seed, block, np.array([_RATE]), runs).T) / shape
    come = u < chance
    run, slot = np.nonzero(come)
    into = np.minimum(u[run, slot] / chance[run, 0], 1.0) * slots.width
    out[:] = ABSENT
    out[run, slot] = _instants(hours, slots.opens[slot] + into)


def _instants(hours: Calendar, work: Floats) -> Floats:
    """The instants at which the shop has worked so many minutes."""
    bounds = np.column_stack([hours.cum, hours.cum + (hours.close - hours.open)]).ravel()
    return np.interp(work, bounds, np.column_stack([hours.open, hours.close]).ravel())
