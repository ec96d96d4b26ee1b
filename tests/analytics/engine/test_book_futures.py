"""The futures of a book: the same again, as many as it takes, with work that may come in, and after storage."""

from dataclasses import replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from analytics.engine.book import (
    BookedJob,
    draws,
    finishes,
    from_bytes,
    look,
    run,
    run_until,
    to_bytes,
)
from analytics.engine.forecast import PROBS
from analytics.engine.hours import to_minutes
from analytics.engine.later import slotting
from analytics.engine.network import EdgeKind, NoWindowLeft
from analytics.engine.placing import placed
from analytics.engine.plan import MachineSpec, MinutesSpec, PersonSpec, ShopSpec, StageSpec
from analytics.engine.sampling import BLOCK
from analytics.engine.work import Later, LaterJob, OpenWork

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
Z = np.array([NormalDist().inv_cdf(p) for p in PROBS])
PRINT, CUT, FIT = range(3)


def law(minutes, spread=0.4):
    return MinutesSpec(minutes * np.exp(spread * Z), shared=0.05)


def stages(job, key=0, **facts):
    """Print, with the machine alone after the start; cut on the same machine; fit."""
    made = (
        StageSpec(key, job, PRINT, "print", "printer", media=key % 2, hands_on=law(10), unattended=law(60)),
        StageSpec(key + 1, job, CUT, "cut", "cutter", hands_on=law(5), unattended=law(20)),
        replace(StageSpec(key + 2, job, FIT, "fit", hands_on=law(60)), **facts),
    )
    return made, tuple((key + k, key + k + 1, EdgeKind.FINISH_TO_START, 0.0) for k in range(2))


def shop():
    machine = MachineSpec(
        1, "combined", frozenset({"printer", "cutter"}), alone="always", loaded=0, cool_min=20.0
    )
    people = (PersonSpec(5, "Ada"), PersonSpec(6, "Ben"))
    hours = {day: [(time(9), time(17))] for day in range(5)}
    return ShopSpec(MONDAY, "UTC", hours, frozenset(), people, (machine,), roll_change_min=6.0)


def open_work(jobs=6, later=None, **facts):
    made, arrows = [], []
    for j in range(jobs):
        mine, ways = stages(j, 10 * j, **(facts if j == jobs - 1 else {}))
        made += mine
        arrows += ways
    booked = [BookedJob(j + 1, f"job {j + 1}", due=1440.0 * (1 + j)) for j in range(jobs)]
    booked[-1] = BookedJob(jobs, "asked")
    return OpenWork(MONDAY, shop(), tuple(booked), tuple(made), tuple(arrows), jobs - 1, 200, later)


def likely(gap=200.0, lead=300.0, spread=0.3):
    templates = tuple(LaterJob(*stages(0, key), lead) for key in range(3))
    return Later(templates, gap, until=30 * 1440.0, spread=spread)


def test_it_stops_once_the_date_is_as_exact_as_asked_and_the_same_runs_give_it_again():
    book = open_work().book()
    rough, fine = (run_until(book, seed=1, within=w, most=8000) for w in (30.0, 6.0))
    assert rough.error <= 30.0
    assert fine.error <= 6.0 < rough.error
    assert rough.runs < fine.runs < 8000
    for futures in (rough, fine):
        again = run(book, runs=futures.runs, seed=1, threads=2)
        assert np.array_equal(again.finish, futures.finish)
        assert (again.harm, again.error, again.missed) == (futures.harm, futures.error, futures.missed)
        assert again.drives == futures.drives


def test_it_stops_at_the_most_and_when_told_to():
    book = open_work().book()
    assert run_until(book, seed=1, within=0.0, most=1100).runs == 1100
    assert run_until(book, seed=1, within=0.0, most=9000, go_on=lambda: False).runs == 4 * BLOCK
    few = run_until(book, seed=1, most=100)
    assert (few.runs, np.isfinite(few.error)) == (100, True)


def test_the_error_is_what_other_seeds_show():
    book = open_work().book()
    many = [run(book, runs=1000, seed=seed) for seed in range(40)]
    work = book.plan.shop.calendars[0].work([futures.quantile(0.8) for futures in many])
    stated = np.mean([futures.error for futures in many])
    assert 1.96 * np.std(work, ddof=1) == pytest.approx(stated, rel=0.45)


def test_work_that_may_come_in_makes_dates_later_and_leaves_all_other_draws_as_they_were():
    with_it, without = open_work(later=likely()).book(), open_work().book()
    own = draws(without, runs=300, seed=1)
    both = draws(with_it, runs=300, seed=1)
    assert np.array_equal(both[:, : own.shape[1]], own)
    assert run(with_it, runs=1000, seed=1).quantile(0.8) > run(without, runs=1000, seed=1).quantile(0.8) + 60
    assert look(with_it, both, trace=True).trace.shape == (300, 18, 3)
    assert finishes(with_it, runs=300, seed=1).shape == (300, 6)


def test_rarer_work_delays_less_and_work_with_late_dates_not_at_all():
    def date(later):
        return run(open_work(later=later).book(), runs=1000, seed=1).quantile(0.8)

    rare, often = date(likely(gap=600.0)), date(likely())
    assert date(None) < rare < often
    # Dates beyond all that is promised: it fills gaps, and delays only where it has begun already.
    assert date(likely(lead=500_000.0)) < often


def test_jobs_come_in_as_often_as_said_in_opening_hours_and_in_the_slots_order():
    book = open_work(later=likely(gap=100.0, spread=0.3)).book()
    hours = book.plan.shop.calendars[0]
    slots = slotting(book.coming, hours)
    comes = draws(book, runs=2000, seed=3)[:, -slots.opens.size :]
    there = comes < 1e12
    expected = float(hours.work(30 * 1440.0) - hours.work(0.0)) / 100.0
    count = there.sum(axis=1)
    assert count.mean() == pytest.approx(expected, rel=0.02)
    assert count.var() == pytest.approx(0.875 * expected + (0.3 * expected) ** 2, rel=0.15)
    assert hours.is_open(comes[there]).all()
    assert all((np.diff(row[row < 1e12]) > 0).all() for row in comes[:50])
    assert set(slots.sample) == {0, 1, 2}


def test_a_day_more_brings_no_more_work_and_leaves_the_draws_as_they_were():
    work = open_work(later=likely())
    sunday = (date(2026, 3, 8), time(9), time(17))
    longer = replace(work, spec=replace(work.spec, extra=(sunday,)))
    book, other = work.book(), longer.book()
    assert other.plan.shop.calendars[0].work(30 * 1440.0) > book.plan.shop.calendars[0].work(30 * 1440.0)
    assert np.array_equal(draws(book, runs=250, seed=3), draws(other, runs=250, seed=3))
    again = from_bytes(to_bytes(other))
    assert again.digest == other.digest != book.digest
    assert np.array_equal(draws(again, runs=250, seed=3), draws(other, runs=250, seed=3))


def test_the_asked_job_takes_its_place_among_coming_work_by_the_date_it_would_be_given():
    book = open_work(later=likely()).book()
    place = placed(book, 0.8, seed=1, passes=4)
    turn = place.jobs[place.target].turn
    assert turn == pytest.approx(run(place, runs=1000, seed=1).quantile(0.8), rel=0.1)
    assert turn < run(book, runs=1000, seed=1).quantile(0.8)
    first = open_work(later=likely()).with_turn(5, -1.0).book()
    assert placed(first, 0.8, seed=1).jobs[5].turn == -1.0


def test_a_book_with_everything_survives_storage_and_gives_the_same_again():
    work = open_work(
        later=likely(), windows=((3000.0, 3200.0), (4500.0, 4600.0), (5800.0, 90_000.0)), pinned=90.0
    )
    book = work.book()
    again = from_bytes(to_bytes(book))
    assert again.digest == book.digest
    assert (dict(again.plan.people), dict(again.plan.machines)) == (
        {5: 1, 6: 2},
        {1: [0]},
    )
    one, two = (run(b, runs=400, seed=9) for b in (book, again))
    assert np.array_equal(one.finish, two.finish)
    assert (one.drives, one.harm, one.missed) == (two.drives, two.harm, two.missed)
    other = open_work(later=likely(gap=201.0)).book()
    assert len({book.digest, other.digest, open_work().book().digest, placed(other, 0.8, seed=1).digest}) == 4


def test_a_book_stored_in_its_first_form_is_read_with_its_digest():
    stored = (Path(__file__).parent / "book_of_first_form.npz").read_bytes()
    book = from_bytes(stored)
    assert book.digest == "e5a53d4f558c49e799eedd80aa1a17ee4580b210e333a6375574c501eba60e24"
    assert (book.coming, book.plan.operations[0].windows, book.plan.shop.units[0].cool) == (None, (), 0.0)
    # The print of job 1 runs, two hours by median; Ada then prints job 2 from its start, an hour.
    assert run(book, runs=500, seed=1).quantile(0.5) == pytest.approx(60 + 60 + 60 + 60, rel=0.1)


def test_a_wait_that_lasts_long_makes_no_work_of_its_job_longer():
    """However long the customer takes, fitting takes as long; a stage of work that lasts makes it longer."""

    def fitting(elapsed, apart):
        first = replace(law(1440, 1.0), elapsed=elapsed, apart=apart)
        made = (
            StageSpec(0, 0, PRINT, "first", unattended=first),
            StageSpec(1, 0, FIT, "fit", hands_on=law(60)),
        )
        made = (replace(made[0], people=0), made[1])
        arrows = ((0, 1, EdgeKind.FINISH_TO_START, 0.0),)
        book = OpenWork(MONDAY, shop(), (BookedJob(1, "waits"),), made, arrows, 0, 200).book()
        book = from_bytes(to_bytes(book))
        (fit,) = [one.attended for one in book.plan.operations if one.attended >= 0]
        return draws(book, runs=BLOCK, seed=2)[:, fit]

    np.testing.assert_array_equal(fitting(9000.0, apart=True), fitting(0.0, apart=True))
    assert np.median(fitting(9000.0, apart=False)) > 1.2 * np.median(fitting(0.0, apart=False))


def test_a_customer_s_times_that_are_over_too_soon_are_named():
    early = ((to_minutes(MONDAY, datetime(2026, 3, 2, 9, tzinfo=UTC)), 120.0),)
    with pytest.raises(NoWindowLeft, match=r"'fit' is not ready before the last .* 100% .* another time"):
        run(open_work(windows=early).book(), runs=100, seed=1)
    other = open_work()
    late = replace(
        other, stages=(*other.stages[:2], replace(other.stages[2], windows=early), *other.stages[3:])
    )
    futures = run(late.book(), runs=100, seed=1)  # of another job: said, but no reason not to give a date
    assert futures.missed.keys() == {2}
    assert futures.missed[2] > 0.5


def test_the_causes_of_a_date_with_heat_and_visits_add_up():
    book = open_work(windows=tuple((d * 1440.0 + 240, d * 1440.0 + 400) for d in range(60))).book()
    futures = run(book, runs=500, seed=1)
    assert sum(minutes for _, _, minutes in futures.drives) == pytest.approx(futures.finish.mean())
    assert {"cooling", "visit"} <= {cause for _, cause, _ in futures.drives}
