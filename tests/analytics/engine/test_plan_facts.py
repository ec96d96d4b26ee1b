"""What a plan makes of the shop's facts: film, heat, the customer's times, pins, and jobs that may come in."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import numpy as np
import pytest

from analytics.engine.forecast import PROBS
from analytics.engine.later import MOST_SAMPLES, lay_out
from analytics.engine.network import EdgeKind, build_network
from analytics.engine.plan import MachineSpec, MinutesSpec, PersonSpec, ShopSpec, StageSpec, plan
from analytics.engine.simulate import CAUSES, simulate
from analytics.engine.work import Later, LaterJob, OpenWork

ORIGIN = datetime(2026, 3, 2, 8, tzinfo=UTC)
TEN = MinutesSpec(np.full(PROBS.size, 10.0))
COMBINED = MachineSpec(
    4, "combined", frozenset({"printer", "cutter"}), capacity=2, loaded=9, cool_min=15.0, hot_until=5.0
)
SHOP = ShopSpec(
    ORIGIN,
    "UTC",
    {day: [(time(9), time(17))] for day in range(5)},
    frozenset(),
    (PersonSpec(2, "Ada", frozenset({1})), PersonSpec(3, "Ben")),
    (COMBINED, MachineSpec(5, "bench", frozenset({"bench"}))),
    roll_change_min=7.0,
)
PRINT = StageSpec(1, 0, 0, "print", "printer", media=8, hands_on=TEN, pinned=300.0, ready_at=100.0)
CUT = StageSpec(2, 0, 1, "cut", "cutter", hands_on=TEN)
FIT = StageSpec(3, 0, 2, "fit", hands_on=TEN, windows=((60.0, 200.0),))
LIE = StageSpec(4, 0, 3, "lie", people=0, unattended=TEN, windows=((60.0, 200.0),))


def test_facts_of_the_shop_and_its_stages_reach_the_simulation():
    made = plan(SHOP, [PRINT, CUT, FIT, LIE], 10)
    assert (made.machines, made.people) == ({4: [0, 1], 5: [2]}, {3: 3, 2: 4})
    assert made.shop.roll_change_minutes == 7.0
    unit = made.shop.units[1]
    assert (unit.name, unit.loaded_roll, unit.cool, unit.hot_until) == ("combined", 9, 15.0, 5.0)
    assert made.shop.units[2].loaded_roll == -1
    first, cut, fit, lie = made.operations
    assert (first.roll, first.heats, first.cold, first.pinned, first.release) == (8, True, False, 300, 300)
    assert (cut.roll, cut.heats, cut.cold, cut.pinned, cut.release) == (-1, False, True, None, 0)
    assert (fit.windows, lie.windows) == (((60.0, 200.0),), ())  # what lies waits for nobody


def two_printers():
    """At nine: one that somebody stays with, listed first, and one that runs by itself."""
    watched = MachineSpec(6, "watched", frozenset({"printer"}))
    by_itself = MachineSpec(7, "by itself", frozenset({"printer"}), alone="always")
    return replace(SHOP, origin=ORIGIN + timedelta(hours=1), machines=(watched, by_itself))


def test_who_is_at_a_machine_that_is_watched_stays_though_another_of_its_kind_runs_by_itself():
    spec = replace(two_printers(), people=(PersonSpec(3, "Ben"),))
    run = replace(
        PRINT, media=None, pinned=None, ready_at=0.0, unattended=MinutesSpec(np.full(PROBS.size, 60.0))
    )
    stages = [
        run,
        replace(run, key=5, job=1),
        replace(run, key=6, job=2, machine=6),
        replace(FIT, key=7, job=3, windows=()),
    ]
    made = plan(spec, stages, 10)
    network = build_network(made.shop, made.needs, made.operations)
    minutes = draw_fixed(made)
    result = simulate(made.shop, network, minutes, trace=True, target=2)
    # Ben starts the first, which runs by itself; stays with the second, on the watched one, from 10 to 80 minutes, and
    # with the third, which is set down for that one, till 150; then he fits.
    assert result.trace[0, :, 0].tolist() == [0, 10, 80, 150]
    assert result.trace[0, :, 1].tolist() == [10, 80, 150, 160]
    assert result.finish[0].tolist() == [70, 80, 150, 160]
    causes = dict(zip(CAUSES, result.chain.sum(axis=0), strict=True))
    assert (causes["attended"], causes["unattended"], result.chain.sum()) == (70, 0, 150)


def draw_fixed(made):
    return np.array([[column.quantiles[0] for column in made.columns]])


def job(*stages, lead=1000.0):
    arrows = [(a.key, b.key, EdgeKind.FINISH_TO_START, 5.0) for a, b in itertools.pairwise(stages)]
    return LaterJob(stages, tuple(arrows), lead)


def test_jobs_that_may_come_in_begin_afresh_and_those_the_shop_cannot_do_are_passed_over():
    laminated = job(replace(CUT, machine_kind="laminator"))
    later = Later((job(PRINT, FIT), laminated, job(FIT, lead=50.0)), 60.0, 5000.0)
    made = lay_out(later, SHOP, plan(SHOP, [PRINT], 10), 10)
    assert [(o.job, o.name, o.pinned, o.release, o.windows) for o in made.plan.operations] == [
        (0, "print", None, 0.0, ()),
        (0, "fit", None, 0.0, ()),
        (1, "fit", None, 0.0, ()),
    ]
    assert [(e.before, e.after, e.lag) for e in made.edges] == [(0, 1, 5.0)]
    assert (made.leads, made.gap, made.until) == ((1000.0, 50.0), 60.0, 5000.0)
    assert lay_out(Later((laminated,), 60.0, 5000.0), SHOP, plan(SHOP, [PRINT], 10), 10) is None


def test_of_many_jobs_some_are_taken_evenly_and_a_gap_must_be_positive():
    many = Later(tuple(job(FIT, lead=float(k)) for k in range(480)), 60.0, 5000.0)
    made = lay_out(many, SHOP, plan(SHOP, [], 10), 10)
    assert len(made.leads) == MOST_SAMPLES
    assert np.all(np.diff(made.leads) == 10)
    work = OpenWork(ORIGIN, SHOP, (), (), (), later=replace(many, gap=0.0))
    with pytest.raises(ValueError, match="0 working minutes apart"):
        work.book()
