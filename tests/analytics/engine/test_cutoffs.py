"""Until when a stage may begin: one person, fixed minutes, 08:00 to 17:00, added up by hand."""

from __future__ import annotations

import pytest
from bench_shop import DAY, fixed, job, open_work

from analytics.engine.cutoffs import CutOff, cut_off
from analytics.engine.variants import Common

TUESDAY_CLOSES = DAY + 9 * 60


PRINT, CUT = 0, 1  # places of the operations; where the print lies, that comes between them


def found(work, operation=PRINT, by=TUESDAY_CLOSES, until=2 * DAY) -> CutOff | None:
    return cut_off(Common.of(work.book(), runs=3, seed=1), operation, level=0.8, by=by, until=until)


def test_a_print_that_lies_a_day_has_to_begin_two_hours_before_closing_to_be_cut_tomorrow():
    # Begun at 15:00 it is printed at 16:00, has lain by Tuesday 16:00 and is cut at 17:00, when the shop closes.
    # Begun at 15:30 it is cut for half an hour on Tuesday and for half an hour from Wednesday 08:00.
    cut = found(open_work(job(0, fixed(60), DAY, fixed(60))))
    assert cut == CutOff(PRINT, 7 * 60, 2 * DAY + 30)


def test_a_print_that_lies_ten_hours_has_to_be_done_before_closing():
    # Begun at 16:00 it is printed at closing, has lain by 03:00 and is cut on Tuesday from 08:00 to 09:00. Begun at
    # 16:30 its second half is printed on Tuesday, it has lain by 18:30, and is cut on Wednesday from 08:00 to 09:00.
    work = open_work(job(0, fixed(60), 600, fixed(60)))
    assert found(work, by=DAY + 60) == CutOff(PRINT, 8 * 60, 2 * DAY + 60)


def test_without_a_hold_the_work_of_today_has_to_begin_while_there_is_time_for_it():
    # Two hours of work begun at 15:00 are done at 17:00; half an hour later they end on Tuesday at 08:30.
    work = open_work(job(0, fixed(60), 0, fixed(60)))
    assert found(work, by=9 * 60) == CutOff(PRINT, 7 * 60, DAY + 30)


def test_the_cut_may_begin_an_hour_before_the_shop_closes():
    work = open_work(job(0, fixed(60), 0, fixed(60)))
    assert found(work, operation=CUT, by=9 * 60) == CutOff(CUT, 8 * 60, DAY + 30)


def test_another_job_that_goes_first_takes_its_minutes_off_the_cut_off():
    # The dated job prints and cuts from 08:00 to 10:00, so this one begins at 10:00 at the soonest, and at 15:00 at the
    # latest: the cut-off does not move, for by then nothing else waits.
    other = job(1, fixed(60), 0, fixed(60))
    work = open_work(job(0, fixed(60), 0, fixed(60)), other, dues=(None, 100.0))
    assert found(work, by=9 * 60) == CutOff(PRINT, 7 * 60, DAY + 30)


@pytest.mark.parametrize("by", [60.0, 20 * DAY])
def test_where_the_date_is_lost_already_or_never_lost_there_is_none(by):
    assert found(open_work(job(0, fixed(60), DAY, fixed(60))), by=by) is None


def test_a_cut_off_stands_on_five_minutes_of_the_clock():
    # 62 minutes before closing is 15:58; said is 15:55.
    work = open_work(job(0, fixed(31), 0, fixed(31)))
    cut = found(work, by=9 * 60)
    assert cut is not None
    assert cut.latest == 9 * 60 - 65
