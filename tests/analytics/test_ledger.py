"""What becomes of dates: each case can be read off its own story; the whole against a published interval."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.engine.ledger import CUSTOMER, SHOP, Given, Outcome, Work, between, coverage, judge, parts

NOW = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)
UNTOUCHED = Work(None, None)


def at(days: float) -> datetime:
    """So many days from now; below 0 before it."""
    return NOW + days * DAY


def told(given: list[Given], work: Work = UNTOUCHED) -> list[tuple[str, bool | None, bool | None]]:
    """Outcome, kept as first given, kept as agreed, of each date."""
    return [(one.outcome.value, one.first, one.agreed) for one in judge(given, work, NOW)]


@pytest.mark.parametrize(
    ("due", "finished", "expected"),
    [
        (-2, -3, ("kept", True, True)),
        (-2, -2, ("kept", True, True)),  # on the minute
        (-2, -1, ("broken", False, False)),
        (-2, None, ("overdue", False, False)),
        (2, None, ("open", None, None)),
        # Finished before its date has come: it is kept, but does not count yet.
        (2, -1, ("kept", None, None)),
    ],
)
def test_a_date_that_was_never_moved(due, finished, expected):
    work = Work(at(-5), None if finished is None else at(finished))
    assert told([Given(1, at(-9), at(due))], work) == [expected]


def test_a_cancelled_job_is_not_judged():
    assert told([Given(1, at(-9), at(-2))], Work(at(-5), None, cancelled=True)) == [("cancelled", None, None)]


def test_a_date_that_the_customer_moved_is_judged_at_the_new_one():
    dates = [Given(1, at(-9), at(-4)), Given(2, at(-6), at(-1), CUSTOMER)]
    assert told(dates, Work(at(-5), at(-2))) == [("replaced", None, None), ("kept", True, True)]


@pytest.mark.parametrize("why", [SHOP, ""])
def test_a_date_that_we_moved_is_judged_at_both(why):
    dates = [Given(1, at(-9), at(-4)), Given(2, at(-6), at(-1), why)]
    assert told(dates, Work(at(-5), at(-2))) == [("replaced", False, None), ("kept", None, True)]
    assert told(dates, Work(at(-8), at(-5))) == [("replaced", True, None), ("kept", None, True)]


def test_a_date_made_sooner_is_kept_as_first_given_and_broken_as_agreed():
    dates = [Given(1, at(-9), at(-1)), Given(2, at(-6), at(-4), "sooner")]
    assert told(dates, Work(at(-8), at(-2))) == [("replaced", True, None), ("broken", None, False)]


def test_a_date_that_had_passed_before_the_customer_moved_it_is_broken():
    dates = [Given(1, at(-9), at(-5)), Given(2, at(-4), at(-1), CUSTOMER)]
    assert told(dates, Work(at(-8), at(-2))) == [("replaced", False, False), ("kept", True, True)]


def test_a_date_moved_by_us_and_then_by_the_customer_is_judged_only_at_the_last():
    dates = [Given(1, at(-9), at(-4)), Given(2, at(-8), at(-3), SHOP), Given(3, at(-6), at(-1), CUSTOMER)]
    expected = [("replaced", None, None), ("replaced", None, None), ("broken", False, False)]
    assert told(dates, Work(at(-8), at(-0.5))) == expected


def test_a_slip_of_the_pen_counts_for_nothing():
    dates = [Given(1, at(-9), at(-4), withdrawn=at(-8.5)), Given(2, at(-8), at(-1))]
    assert told(dates, Work(at(-7), at(-2))) == [("taken back", None, None), ("kept", True, True)]


@pytest.mark.parametrize(
    ("taken", "started"),
    [(-7.5, -3), (-8.5, -8.8)],  # after more than a day; within it, but work had begun
)
def test_a_date_taken_back_and_given_later_is_one_that_we_moved(taken, started):
    dates = [Given(1, at(-9), at(-4), withdrawn=at(taken)), Given(2, at(-6), at(-1))]
    assert told(dates, Work(at(started), at(-2))) == [("taken back", False, None), ("kept", None, True)]


def test_a_date_taken_back_for_good_is_judged_only_if_it_had_passed():
    assert told([Given(1, at(-9), at(-4), withdrawn=at(-6))]) == [("taken back", None, None)]
    assert told([Given(1, at(-9), at(-4), withdrawn=at(-2))]) == [("taken back", False, False)]


def test_a_change_that_is_taken_back_lets_the_date_before_it_stand():
    dates = [Given(1, at(-9), at(-4)), Given(2, at(-8), at(-2), CUSTOMER, withdrawn=at(-7.5))]
    assert told(dates, Work(at(-7), at(-3))) == [("broken", False, False), ("taken back", None, None)]


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.floats(-20, 0), st.floats(0.1, 10), st.sampled_from(["", CUSTOMER, SHOP, "sooner"])),
        min_size=1,
        max_size=5,
    ),
    finished=st.none() | st.floats(-20, 0),
)
def test_whatever_happened_at_least_one_date_stands_and_none_ahead_is_judged(steps, finished):
    dates = [Given(k, at(made), at(made + lead), why) for k, (made, lead, why) in enumerate(steps)]
    work = Work(None, None if finished is None else at(finished))
    found = {one.key: one for one in judge(dates, work, NOW)}
    assert len(found) == len(dates)
    assert sum(one.outcome != Outcome.REPLACED for one in found.values()) == 1
    for date in dates:
        if date.due > NOW:
            assert (found[date.key].first, found[date.key].agreed) == (None, None)
        elif found[date.key].agreed is not None:
            assert found[date.key].agreed == (work.finished is not None and work.finished <= date.due)


def test_counting_by_due_date_is_not_fooled_by_early_finishers():
    """Of jobs begun steadily with dates that hold six times in ten, what is known now must not look better.

    Finish ~ Exp(1) days after the giving, date at its 60 % point: -ln(0.4) days. Of the last day's jobs only those
    already finished are known, and nearly all of them are kept.
    """
    rng = np.random.default_rng(2)
    lead = -float(np.log(0.4))
    made = rng.uniform(-2, 0, 4000)
    took = rng.exponential(size=4000)
    judged, finished = [], []
    for k, (start, length) in enumerate(zip(made, took, strict=True)):
        done = at(start + length) if start + length <= 0 else None
        (one,) = judge([Given(k, at(start), at(start + lead))], Work(None, done), NOW)
        judged += [] if one.first is None else [one.first]
        finished += [] if done is None else [done <= at(start + lead)]
    assert np.mean(judged) == pytest.approx(0.6, abs=0.03)
    assert np.mean(finished) > 0.7  # what counting the finished ones would have said


def test_the_interval_of_twelve_in_a_hundred_and_fifty():
    # Wilson's interval of 12 in 150 is .046 to .135: statulator.com.
    found = coverage([True] * 12 + [False] * 138, [0.8] * 150, list(range(150)))
    assert (found.low, found.high) == pytest.approx((0.046, 0.135), abs=0.0005)
    assert (found.hits, found.n, found.verdict) == (12, 150, "below")


def test_dates_of_a_week_that_go_together_say_less():
    kept = ([True] * 5 + [False] * 5) * 10
    alone = coverage(kept, [0.5] * 100, list(range(100)))
    together = coverage(kept, [0.5] * 100, [k // 5 for k in range(100)])
    assert alone.worth == pytest.approx(100)
    assert together.worth == pytest.approx(20)  # twenty weeks, each all kept or all broken
    assert together.high - together.low > 1.8 * (alone.high - alone.low)


def test_parts_of_the_forecast_against_their_binomial_band():
    found = parts([0] * 50 + [1] * 30 + [2] * 15 + [3] * 5)
    assert [one.count for one in found] == [50, 30, 15, 5]
    assert [one.expected for one in found] == pytest.approx([50, 30, 15, 5])
    # The band of 50 in 100 at one half: 40 to 60, as in any table of the binomial law.
    assert (found[0].low, found[0].high) == (40, 60)
    assert not any(one.odd for one in found)
    assert parts([3] * 20)[3].odd


def test_between_which_levels_a_finish_fell():
    levels, instants = (0.5, 0.8, 0.95), (at(-6), at(-4), at(2))
    assert between(levels, instants, at(-7), NOW) == (0.0, 0.5)
    assert between(levels, instants, at(-6), NOW) == (0.0, 0.5)  # on it is by it
    assert between(levels, instants, at(-5), NOW) == (0.5, 0.8)
    assert between(levels, instants, at(3), NOW) == (0.95, 1.0)
    assert between(levels, instants, None, NOW) == (0.8, 1.0)  # not finished: after all that has passed
