"""The running total of a book's futures: more of them go on from those that are there, and the answer hangs on the
number alone."""

import numpy as np
import pytest
from test_book_futures import likely, open_work

from analytics.engine.book import run
from analytics.engine.futures import Layout
from analytics.engine.running_total import FEWEST, RunningTotal
from analytics.engine.sampling import BLOCK

VISITS = tuple((d * 1440.0 + 240, d * 1440.0 + 400) for d in range(60))


def same(one, other):
    assert np.array_equal(one.finish, other.finish)
    assert (one.drives, one.harm, one.missed, one.error) == (
        other.drives,
        other.harm,
        other.missed,
        other.error,
    )


def test_the_answer_hangs_on_the_number_alone_however_they_were_gathered():
    book = open_work(later=likely()).book()
    total = RunningTotal(book, seed=3, most=3000, threads=2)
    steps = []
    for blocks in (1, 1, 3, 4):
        total.add(blocks)
        steps.append((total.runs, total.futures()))
    for runs, futures in steps:
        same(futures, run(book, runs=runs, seed=3))
        same(futures, total.futures(runs))  # and it can be had again from a longer total
    assert [runs for runs, _ in steps] == [250, 500, 1250, 2250]


def test_it_goes_on_until_it_is_exact_enough_and_no_further():
    total = RunningTotal(open_work().book(), seed=1, most=8000)
    total.reach(40.0)
    rough = total.runs
    total.reach(40.0)
    assert total.runs == rough
    total.reach(8.0, lambda: total.runs < rough + 4 * BLOCK)
    assert rough < total.runs <= rough + 4 * BLOCK
    total.reach(0.0)
    assert (total.runs, total.is_full) == (8000, True)


def test_told_to_stop_at_once_it_has_as_many_as_its_error_needs():
    total = RunningTotal(open_work().book(), seed=1, most=8000)
    total.reach(0.0, lambda: False)
    assert total.runs == FEWEST * BLOCK


@pytest.mark.parametrize("facts", [{}, {"windows": VISITS}, {"later": likely()}])
def test_a_future_that_ends_with_the_asked_job_finishes_it_at_the_same_moment(facts):
    book = open_work(**facts).with_turn(5, 2000.0).book()
    layout = Layout(book, 5)
    minutes = layout.draw(0, 200)
    whole = layout.simulator().run(minutes, target=5)
    alone = layout.simulator().run(minutes, target=5, alone=True)
    assert np.array_equal(alone.finish[:, 5], whole.finish[:, 5])
    assert np.array_equal(alone.chain, whole.chain)
    assert np.array_equal(alone.waits, whole.waits)
    assert np.array_equal(alone.missed[-3:], whole.missed[-3:])
    assert np.isnan(alone.finish[:, :5]).all()
