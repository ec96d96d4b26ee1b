"""Timed sheets typed up: readings of a watch that ran on, of one set back, and of the clock on the wall."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.sheets import Sheet, minutes_words, read_sheet

PARIS = ZoneInfo("Europe/Paris")
DAY = date(2026, 3, 2)
NINE = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)  # 09:00 in Paris


def sheet(text: str, kind: str = "continuous", day: date = DAY, begins: datetime | None = NINE) -> Sheet:
    return read_sheet(text, kind, day, begins, PARIS)


def seconds(found: Sheet) -> list[float]:
    assert found.errors == ()
    return [each.length.total_seconds() for each in found.elements]


def said(text: str, kind: str = "continuous", **more: object) -> list[str]:
    found = sheet(text, kind, **more)  # type: ignore[arg-type]
    assert found.elements == ()
    return [str(error) for error in found.errors]


# Henry Atkinson, A Rational Wages System (1917), the time study of one operation taken three times: for each element
# the reading of a watch that was not stopped, in minutes, and the time worked out from it.
ATKINSON = ("Set up", "Turn face", "Turn radius", "Turn periphery", "Bore", "Tap", "Take down")
READINGS = (
    ("3.40", "6.10", "7.20", "8.20", "10.50", "12.30", "12.70"),
    ("3.20", "6.20", "7.10", "8.30", "11.10", "13.20", "13.55"),
    ("3.36", "6.24", "7.30", "8.42", "11.03", "12.96", "13.30"),
)
TIMES = (
    ("3.40", "2.70", "1.10", "1.00", "2.30", "1.80", "0.40"),
    ("3.20", "3.00", "0.90", "1.20", "2.80", "2.10", "0.35"),
    ("3.36", "2.88", "1.06", "1.12", "2.61", "1.93", "0.34"),
)


@pytest.mark.parametrize(("readings", "times"), list(zip(READINGS, TIMES, strict=True)))
def test_the_published_study_gives_its_own_times_from_its_readings(readings, times):
    lines = "\n".join(f"{name}\t{reading}" for name, reading in zip(ATKINSON, readings, strict=True))
    found = sheet("start 	0.00\n" + lines)
    assert seconds(found) == pytest.approx([float(minutes) * 60 for minutes in times])
    assert [each.name for each in found.elements] == list(ATKINSON)
    assert found.elements[-1].ends - found.elements[0].starts == timedelta(minutes=float(readings[-1]))


@pytest.mark.parametrize(("readings", "times"), list(zip(READINGS, TIMES, strict=True)))
def test_the_published_times_as_flyback_readings_give_the_same_elements(readings, times):
    ran_on = sheet("\n".join(f"{name}  {one}" for name, one in zip(ATKINSON, readings, strict=True)))
    set_back = sheet(
        "\n".join(f"{name}  {one}" for name, one in zip(ATKINSON, times, strict=True)), "flyback"
    )
    assert seconds(set_back) == seconds(ran_on)
    assert set_back.elements == ran_on.elements


@pytest.mark.parametrize(
    ("line", "name", "length"),
    [
        ("load roll\t1:20", "load roll", 80),
        ("load roll  1:20", "load roll", 80),
        ("load roll, 1:20", "load roll", 80),
        ("load roll;1:20", "load roll", 80),
        ("load roll,1:20", "load roll", 80),
        ("load roll, 1,35", "load roll", 81),
        ("load roll; 1.35", "load roll", 81),
        ("load roll,1,35", "load roll", 81),
        ("tape, edge, 0:45", "tape, edge", 45),
        ("panel 2  2", "panel 2", 120),
        ("load  the roll  1:02:05", "load the roll", 3725),
        ("load roll  75:20", "load roll", 4520),
        ("load roll  0:04.5", "load roll", 4.5),
        ("  load roll  1:20   # the roll was new", "load roll", 80),
    ],
)
def test_one_line(line, name, length):
    found = sheet(line, "flyback")
    assert seconds(found) == [length]
    assert found.elements[0].name == name
    assert found.elements[0].starts == NINE


def test_a_watch_that_was_not_at_nought_is_read_from_where_it_stood():
    found = sheet("2:00\nload roll  3:30\ncut test  4:00\n")
    assert seconds(found) == [90, 30]
    assert found.elements[0].starts == NINE


def test_clock_times_begin_with_the_first_reading():
    found = sheet(
        "start  09:14\nload roll  09:16:30\n\n# a break in the list\ncut test  09:20", "clock", begins=None
    )
    assert seconds(found) == [150, 210]
    assert found.elements[0].starts == datetime(2026, 3, 2, 8, 14, tzinfo=UTC)
    assert [each.line for each in found.elements] == [2, 5]


def test_clock_times_go_on_from_a_beginning_given_elsewhere():
    assert seconds(sheet("load roll  09:16:30\ncut test  09:20", "clock")) == [990, 210]


def test_clock_times_cross_midnight():
    found = sheet("23:50\nweed  23:58\nmask  00:05", "clock", begins=None)
    assert seconds(found) == [480, 420]
    assert found.elements[-1].ends == datetime(2026, 3, 2, 23, 5, tzinfo=UTC)


def test_clock_times_through_the_night_that_is_an_hour_longer():
    # In Paris on 25 October 2026 the hour from two to three comes twice.
    found = sheet("01:50\nweed  02:10\nmask  02:05\ntrim  03:10", "clock", date(2026, 10, 25), None)
    assert seconds(found) == [20 * 60, 55 * 60, 65 * 60]


def test_clock_times_through_the_night_that_is_an_hour_shorter():
    # In Paris on 29 March 2026 the clock goes from two to three.
    found = sheet("01:50\nweed  03:10", "clock", date(2026, 3, 29), None)
    assert seconds(found) == [20 * 60]
    assert said("01:50\nweed  02:30", "clock", day=date(2026, 3, 29), begins=None) == [
        "Line 2, column 7: 02:30 was not on the clock that day: it was put forward over it. "
        "Write the time it showed."
    ]


def test_a_watch_is_not_put_forward_with_the_clocks():
    begins = datetime(2026, 3, 29, 1, 50, tzinfo=PARIS)
    found = sheet("weed  20:00\nmask  90:00", day=date(2026, 3, 29), begins=begins)
    assert seconds(found) == [20 * 60, 70 * 60]
    assert found.elements[-1].ends == datetime(2026, 3, 29, 2, 20, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "kind", "problem"),
    [
        ("", "flyback", "Line 1, column 1: the sheet is empty"),
        ("# nothing\n", "flyback", "Line 1, column 1: the sheet is empty"),
        ("load roll", "flyback", "Line 1, column 1: no reading stands at the end"),
        ("load roll 1:20", "flyback", "Line 1, column 1: one space stands before the reading"),
        ("1:20", "flyback", "Line 1, column 1: there is a reading but no element"),
        ("load  1:20\n1:40", "continuous", "Line 2, column 1: there is a reading but no element"),
        ("load roll 2,35", "flyback", "Line 1, column 13: is '2,35' one reading or two"),
        ("load roll  1:75", "flyback", "Line 1, column 12: 1:75 has more than 59"),
        ("load roll  1:2", "flyback", "Line 1, column 12: '1:2' is no reading"),
        ("load roll  0", "flyback", "Line 1, column 12: 0 is no time at all"),
        ("load roll  900", "flyback", "Line 1, column 12: 900 would be more than 12 hours"),
        ("load roll  9" + "9" * 400, "flyback", "would be more than 12 hours"),
        ("load roll  " + "9" * 5000 + ":00", "flyback", "is no reading"),
        ("09:14\nload  " + "9" * 5000 + ":00", "clock", "is no clock time"),
        (
            "load  1:20\ncut  1:10",
            "continuous",
            "Line 2, column 6: the watch goes back: 1:10 is not after 1:20",
        ),
        ("load  1:20\ncut  1:20", "continuous", "Line 2, column 6: the watch goes back"),
        ("start  1:20", "continuous", "Line 1, column 1: there is only the beginning"),
        ("09:14\nload  09:75", "clock", "Line 2, column 7: 09:75 is on no clock"),
        ("09:14\nload  1.35", "clock", "Line 2, column 7: '1.35' is no clock time"),
        ("09:14\nload  09:10", "clock", "Line 2, column 7: the clock goes back: 09:10 is not after 09:14"),
        ("x" * 61 + "  1:20", "flyback", "Line 1, column 1: the name has 61 characters"),
        ("a  1\n" * 201, "flyback", "Line 201, column 1: a sheet has at most 200 lines"),
    ],
)
def test_what_will_not_do_is_said_with_its_line(text, kind, problem):
    found = said(text, kind)
    assert any(problem in one for one in found), found


def test_every_wrong_line_is_named():
    assert len(said("load roll\ncut test  1:99\nweed  2:00\nmask", "flyback")) == 3


def test_a_watch_needs_to_be_told_when_it_was_started():
    assert said("load  1:20", begins=None) == [
        "Line 1, column 1: a watch does not say when it was started. Give the time it began."
    ]
    assert said("load  09:14", "clock", begins=None) == [
        "Line 1, column 7: when did the first element begin? Write 'start' and the time above it."
    ]


@pytest.mark.parametrize(
    ("length", "words"), [(81, "1:21"), (3725, "1:02:05"), (4.5, "0:04.5"), (59.9996, "1:00"), (0, "0:00")]
)
def test_lengths_read_as_a_watch_shows_them(length, words):
    assert minutes_words(timedelta(seconds=length)) == words


@given(st.lists(st.integers(1, 40_000), min_size=1, max_size=12))
def test_what_is_written_from_lengths_is_read_as_those_lengths(lengths):
    flyback = [f"part {i}\t{minutes_words(timedelta(seconds=one))}" for i, one in enumerate(lengths)]
    sums = [sum(lengths[: i + 1]) for i in range(len(lengths))]
    ran_on = [f"part {i}\t{minutes_words(timedelta(seconds=one))}" for i, one in enumerate(sums)]
    both = [
        read_sheet("\n".join(lines), kind, DAY, NINE, PARIS)
        for lines, kind in ((flyback, "flyback"), (ran_on, "continuous"))
    ]
    assert seconds(both[0]) == lengths
    # A watch shows no more than 100 hours: longer sums are said to be wrong.
    if sums[-1] <= 100 * 3600:
        assert both[1] == both[0]


@given(st.text(alphabet="ab 12:.,;\t#\n", max_size=60), st.sampled_from(("continuous", "flyback", "clock")))
def test_any_text_gives_either_elements_in_order_or_errors(text, kind):
    found = read_sheet(text, kind, DAY, NINE, PARIS)
    assert bool(found.elements) != bool(found.errors)
    for one, other in zip(found.elements, found.elements[1:], strict=False):
        assert one.ends == other.starts
    assert all(each.ends > each.starts for each in found.elements)
