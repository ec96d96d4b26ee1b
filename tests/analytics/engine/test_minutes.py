"""Hands-on and unattended minutes of a stage: unions, never double; against counting minute by minute."""

from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.minutes import MICROSECONDS, Span, measure


def span(start: int, end: int, hands_on: bool = True, who: int | None = None) -> Span:
    """A span from one minute to another."""
    return Span(start * MICROSECONDS, end * MICROSECONDS, hands_on, who)


def test_two_people_at_once_are_one_stretch_of_hands_on() -> None:
    measured = measure([span(0, 30, who=1), span(10, 50, who=2)])
    assert (measured.hands_on, measured.unattended, measured.person) == (50.0, 0.0, 2)


def test_a_machine_is_unattended_where_nobody_is_there() -> None:
    measured = measure([span(0, 10, who=1), span(5, 60, False, 9), span(55, 70, who=1)])
    assert (measured.hands_on, measured.unattended, measured.machine) == (25.0, 45.0, 9)


def test_nothing_is_no_minutes_of_nobody() -> None:
    measured = measure([])
    assert (measured.hands_on, measured.unattended, measured.person, measured.machine) == (
        0.0,
        0.0,
        None,
        None,
    )


spans = st.tuples(st.integers(0, 60), st.integers(0, 30), st.booleans()).map(
    lambda drawn: span(drawn[0], drawn[0] + drawn[1], drawn[2])
)


@given(st.lists(spans, max_size=8))
def test_minutes_are_those_of_a_minute_by_minute_count(drawn: list[Span]) -> None:
    by_hand, by_machine = (
        {
            minute
            for s in drawn
            if s.hands_on is hands_on
            for minute in range(s.starts // MICROSECONDS, s.ends // MICROSECONDS)
        }
        for hands_on in (True, False)
    )
    measured = measure(drawn)
    assert (measured.hands_on, measured.unattended) == (len(by_hand), len(by_machine - by_hand))
