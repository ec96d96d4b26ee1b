"""Replays against queueing theory, against recursions that follow every job, and a case that is added up by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import pytest

from analytics.engine.book import BookedJob
from analytics.engine.forecast import PROBS
from analytics.engine.network import EdgeKind
from analytics.engine.plan import MachineSpec, MinutesSpec, PersonSpec, ShopSpec, StageSpec
from analytics.engine.replay import Past, check, compare, play
from analytics.engine.work import OpenWork

ORIGIN = datetime(2026, 1, 5, tzinfo=UTC)  # a Monday
ALWAYS_OPEN = {day: [(time(0), time(0))] for day in range(7)}
CUTTER = MachineSpec(1, "Cutter", frozenset({"cutter"}), alone="always")


def fixed(minutes: float) -> MinutesSpec:
    return MinutesSpec(np.full(PROBS.size, minutes))


def queue(arrivals: np.ndarray, services: np.ndarray) -> OpenWork:
    """Jobs of one cut each, on one cutter that needs nobody."""
    spec = ShopSpec(ORIGIN, "UTC", ALWAYS_OPEN, frozenset(), (), (CUTTER,))
    stages = tuple(
        StageSpec(k, k, 0, f"Cut {k}", "cutter", people=0, unattended=fixed(s), ready_at=float(a))
        for k, (a, s) in enumerate(zip(arrivals, services, strict=True))
    )
    jobs = tuple(BookedJob(k + 1, f"Job {k + 1}") for k in range(arrivals.size))
    return OpenWork(ORIGIN, spec, jobs, stages, (), -1, int(arrivals[-1] / 1440) + 30)


def with_another(work: OpenWork) -> OpenWork:
    other = replace(CUTTER, key=2, name="Another cutter")
    return replace(work, spec=replace(work.spec, machines=(CUTTER, other)))


def past_of(arrivals: np.ndarray, finished: np.ndarray | None = None, due: np.ndarray | None = None) -> Past:
    none = np.full(arrivals.size, np.nan)
    return Past(
        arrivals,
        none if due is None else due,
        none if finished is None else finished,
        np.ones(arrivals.size, bool),
        (arrivals // (7 * 1440)).astype(np.int64),
    )


def waits_of(arrivals: np.ndarray, services: np.ndarray, servers: int) -> np.ndarray:
    """First come first served, job by job: Lindley 1952 for one server, Kiefer & Wolfowitz 1955 for several."""
    free, waits = np.zeros(servers), np.empty(arrivals.size)
    for k, (arrival, service) in enumerate(zip(arrivals, services, strict=True)):
        server = int(np.argmin(free))
        begins = max(arrival, free[server])
        waits[k], free[server] = begins - arrival, begins + service
    return waits


def played(work: OpenWork, runs: int = 1) -> np.ndarray:
    return play(work, runs=runs, seed=1, span=(0.0, 1e9), pools={}).finish


def test_a_second_machine_turns_a_recorded_m_m_1_into_an_m_m_2():
    """λ 20, μ 30: M/M/1 has W 1/(μ − λ) = 0.1; two machines L ¾, so W = L/λ = 0.0375 (Render).

    Barry Render, Quantitative Analysis for Management.
    """
    rng = np.random.default_rng(5)
    scale, count = 1000.0, 20_000
    arrivals = np.cumsum(rng.exponential(scale / 20, count))
    services = rng.exponential(scale / 30, count)
    work = queue(arrivals, services)
    for servers, shop, expected in ((1, work, 0.1), (2, with_another(work), 0.0375)):
        took = played(shop)[0] - arrivals
        np.testing.assert_allclose(took - services, waits_of(arrivals, services, servers), atol=1e-6)
        batches = took[: count - count % 20].reshape(20, -1).mean(axis=1) / scale
        error = batches.std(ddof=1) / np.sqrt(20)
        assert error < 0.05 * expected
        assert abs(batches.mean() - expected) < 4 * error
    found = compare(past_of(arrivals), played(work), played(with_another(work)), seed=1)
    assert found.mean.low < (0.0375 - 0.1) * scale < found.mean.high
    assert found.mean.certain
    assert found.later == 0.0  # one queue of like machines in order: nobody is later


def test_two_jobs_and_a_saturday_added_up_by_hand():
    """Two jobs come on Friday at 15:00, three hours each, one cutter and one person, open 9 to 17 on weekdays.

    As it was: the first begins at 15:00, is done on Monday at 10:00; the second on Monday at 13:00. Open on Saturday
    from 9: they are done on Saturday at 10:00 and at 13:00. The first was due on Monday at 9, the second at noon.
    """
    hours = {day: [(time(9), time(17))] for day in range(5)}
    cutter = MachineSpec(1, "Cutter", frozenset({"cutter"}))
    spec = ShopSpec(ORIGIN, "UTC", hours, frozenset(), (PersonSpec(1, "Ines"),), (cutter,))
    friday, monday = 4 * 1440.0, 7 * 1440.0
    came = friday + 15 * 60
    due = np.array([monday + 9 * 60, monday + 12 * 60])
    stages = tuple(StageSpec(k, k, 0, "Cut", "cutter", hands_on=fixed(180), ready_at=came) for k in range(2))
    jobs = tuple(BookedJob(k + 1, "", float(due[k])) for k in range(2))
    work = OpenWork(ORIGIN, spec, jobs, stages, (), -1, 30)
    longer = replace(work, spec=replace(spec, hours={**hours, 5: [(time(9), time(17))]}))
    before, after = played(work), played(longer)
    saturday = friday + 1440
    assert before.tolist() == [[monday + 600, monday + 780]]
    assert after.tolist() == [[saturday + 600, saturday + 780]]
    past = past_of(np.array([came, came]), before[0] + 60, due)
    found = compare(past, before, after, seed=1)
    assert found.kept is not None
    assert (found.kept.before, found.kept.after) == (0.0, 1.0)
    assert (found.sooner, found.later, found.dated) == (1.0, 0.0, 2)
    assert found.mean.after - found.mean.before == -2 * 1440
    said = check(past, before)
    assert (said.jobs, said.kept_real, said.kept_played) == (2, 0.0, 0.0)
    assert said.median_real - said.median_played == 60
    seen = play(work, runs=1, seed=1, span=(0.0, 1e9), pools={0: "Cutter", 1: "Cutter"})
    assert seen.waited == {"Cutter": 180.0}  # the second, while the first was cut
    assert seen.busy == {"Cutter": 360.0, "Ines": 360.0}


def test_another_machine_can_delay_a_job_and_that_is_said():
    """Graham's anomaly (1966) of list scheduling: with more machines, work that comes early holds up work that is due.

    One job needs the person at minute 10 for an hour. With two cutters, a second cut that takes the person begins at
    once and holds them; with one it waits behind the first cut, which runs alone, and the due job goes first.
    """
    spec = ShopSpec(ORIGIN, "UTC", ALWAYS_OPEN, frozenset(), (PersonSpec(1, "Ines"),), (CUTTER,))
    stages = (
        StageSpec(0, 0, 0, "Long cut", "cutter", people=0, unattended=fixed(100)),
        StageSpec(1, 1, 0, "Tended cut", "cutter", hands_on=fixed(100)),
        StageSpec(2, 2, 1, "Weed", hands_on=fixed(60), ready_at=10.0),
    )
    jobs = (BookedJob(1, "", 1e4), BookedJob(2, "", 2e4), BookedJob(3, "", 5e3))
    work = OpenWork(ORIGIN, spec, jobs, stages, (), -1, 30)
    before, after = played(work), played(with_another(work))
    assert before.tolist() == [[100.0, 200.0, 70.0]]
    assert after.tolist() == [[100.0, 100.0, 160.0]]
    found = compare(past_of(np.array([0.0, 0.0, 10.0])), before, after, seed=1)
    assert (found.sooner, found.later) == (pytest.approx(1 / 3), pytest.approx(1 / 3))


def test_what_waits_for_an_earlier_stage_does_not_count_as_waiting():
    spec = ShopSpec(ORIGIN, "UTC", ALWAYS_OPEN, frozenset(), (PersonSpec(1, "Ines"),), (CUTTER,))
    stages = (
        StageSpec(0, 0, 0, "Cut", "cutter", people=0, unattended=fixed(30)),
        StageSpec(1, 0, 1, "Weed", hands_on=fixed(20)),
        StageSpec(2, 1, 1, "Weed", hands_on=fixed(50), ready_at=20.0),
    )
    arrows = ((0, 1, EdgeKind.FINISH_TO_START, 5.0),)
    jobs = (BookedJob(1, "", 1.0), BookedJob(2, "", 2.0))
    work = OpenWork(ORIGIN, spec, jobs, stages, arrows, -1, 30)
    seen = play(work, runs=1, seed=1, span=(0.0, 1e9), pools={0: "Cutter", 1: "Hands", 2: "Hands"})
    assert seen.waited == {"Cutter": 0.0, "Hands": 35.0}  # ready at 35, begun when the other was done at 70


def test_the_same_seed_gives_the_same_replay_and_unclocked_minutes_are_shared_by_both():
    law = MinutesSpec(np.exp(np.linspace(2.0, 4.0, PROBS.size)))
    arrivals = np.arange(30) * 40.0
    work = queue(arrivals, np.ones(30))
    work = replace(work, stages=tuple(replace(stage, unattended=law) for stage in work.stages))
    one, other = played(work, 50), played(with_another(work), 50)
    assert np.array_equal(one, played(work, 50))
    assert np.all(other <= one + 1e-6)  # in every single future
    assert np.any(other < one - 1)
    found = compare(past_of(arrivals), one, other, seed=2)
    assert found == compare(past_of(arrivals), one, other, seed=2)
    assert all(c.low <= c.after - c.before <= c.high for c in found.turnaround)


def test_weeks_are_drawn_whole_and_single_jobs_where_there_are_few_weeks():
    """A change that helps in one week of twenty alone is not certain; the same gain in every week is."""
    arrivals = np.repeat(np.arange(20) * 7 * 1440.0, 5)
    before = np.tile(arrivals + 1000.0, (3, 1))
    once, always = before.copy(), before - 100.0
    once[:, :5] -= 2000.0
    rare, steady = (compare(past_of(arrivals), before, after, seed=3).mean for after in (once, always))
    assert rare.before - rare.after == steady.before - steady.after == 100
    assert not rare.certain
    assert (steady.low, steady.high) == (-100, -100)
    few = compare(past_of(arrivals[:10]), before[:, :10], always[:, :10], seed=3)
    assert few.mean.high == -100


def test_closed_days_are_those_of_the_past():
    spec = ShopSpec(
        ORIGIN, "UTC", {0: [(time(9), time(17))]}, frozenset({date(2026, 1, 5)}), (PersonSpec(1, "Ines"),), ()
    )
    stage = StageSpec(0, 0, 0, "Weed", hands_on=fixed(60))
    work = OpenWork(ORIGIN, spec, (BookedJob(1, ""),), (stage,), (), -1, 30)
    assert played(work)[0, 0] == timedelta(days=7, hours=10) / timedelta(minutes=1)
