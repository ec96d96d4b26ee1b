"""Shops with awkward hours, people and loads: each date is added up by hand, or a sentence says why there is none."""

import uuid
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import pytest
from awkward import MONDAY, booked, finish, job_of, minutes_of, opens
from quay import enquiry, make_quay

from analytics.engine.forecast import PROBS
from analytics.services.promises import promise_accept, promise_again
from analytics.services.promising import promise_compute
from jobs.models import Item, Job, JobStatus, Stage, StageEdge, StageKind
from jobs.services.taps import Tap, record_taps
from jobs.services.times import Times
from shop.errors import BadInput
from shop.models import Closure, Machine, MachineKind, Media, OpeningHours, Person, Process, Skill

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
NIGHT = time(22), time(6)


@pytest.fixture
def shop():
    return make_quay()


def utc(month, day, hour, minute=0, year=2026):
    return datetime(year, month, day, hour, minute, tzinfo=UTC)


def closed(shop, first, last, person=None):
    Closure.objects.create(shop=shop, starts_on=first, ends_on=last, person=person)


def press(stage, kind, when, person, machine=None):
    facts = {"stage": stage.pk, "person": person.pk, "machine": machine and machine.pk}
    tap = Tap(id=uuid.uuid4(), kind=kind, at=when, **facts)
    record_taps(shop=stage.shop, user=None, taps=[tap], sent_at=when, received_at=when)


def sentence(shop, job, now=MONDAY):
    with pytest.raises(BadInput) as refused:
        promise_compute(shop, job, now=now, runs=8)
    return refused.value.message


# Who and what is missing


def test_one_person_cannot_do_what_takes_two(shop):
    StageKind.objects.of(shop).filter(key="install").update(people=2)
    said = sentence(shop, job_of(shop, "install"))
    assert said.startswith("'Install of job 1' needs 2 and only 1 can do ")
    assert "Add people or their skills under Shop, People" in said


def test_without_a_cutter_the_stage_and_the_remedy_are_named(shop):
    Machine.objects.filter(kind=MachineKind.CUTTER).update(active=False)
    said = sentence(shop, enquiry(shop))
    assert said.startswith("No machine in the shop can do 'Cut of job 1': it needs a cutter")


def test_a_printer_for_another_process_does_not_print_this_one(shop):
    Machine.objects.get(kind=MachineKind.PRINTER).processes.set(Process.objects.of(shop).filter(name="UV"))
    said = sentence(shop, job_of(shop, "print", process="Solvent"))
    assert "'Print of job 1': it needs a printer for this process" in said
    assert promise_compute(shop, enquiry(shop, "UV"), now=MONDAY, runs=8).promised_at > MONDAY


def test_with_nobody_who_can_weed_the_skill_is_named(shop):
    weeding = StageKind.objects.of(shop).get(key="weed").skill
    Person.objects.get().skills.set(Skill.objects.of(shop).exclude(pk=weeding.pk))
    assert f"nobody can do {weeding.name.lower()}" in sentence(shop, job_of(shop, "weed"))


def test_who_is_at_a_stage_without_the_skill_for_it_goes_on_and_is_not_free_meanwhile(shop):
    weeding = StageKind.objects.of(shop).get(key="weed").skill
    ines = Person.objects.get()
    ines.skills.set(Skill.objects.of(shop).exclude(pk=weeding.pk))
    begun, other = booked(job_of(shop, "weed"), MONDAY + 8 * HOUR), job_of(shop, "artwork")
    press(begun.stages.get(), "start", MONDAY, ines)
    with minutes_of():
        assert finish(shop, begun, MONDAY + HOUR / 2) == MONDAY + HOUR
        assert finish(shop, other, MONDAY + HOUR / 2) == MONDAY + 2 * HOUR


def test_more_people_and_machines_than_can_be_simulated_are_counted(shop):
    Person.objects.bulk_create(Person(shop=shop, name=f"Person {n}") for n in range(60))
    said = sentence(shop, job_of(shop, "weed"))
    assert said.startswith("64 machines, benches and people: at most 63 can work together.")
    assert "under Shop" in said
    Person.objects.filter(name="Person 0").update(active=False)
    with minutes_of():
        assert finish(shop, job_of(shop, "weed")) == MONDAY + HOUR


def test_two_machines_do_not_help_one_person(shop):
    Machine.objects.create(shop=shop, name="Second", kind=MachineKind.PRINTER)
    with minutes_of(print=120):
        booked(job_of(shop, "print"), MONDAY + 2 * HOUR)
        # 09:00 to 11:00, and only then 11:00 to 13:00.
        assert finish(shop, job_of(shop, "print")) == MONDAY + 4 * HOUR


def test_two_people_at_two_machines_print_side_by_side(shop):
    Machine.objects.create(shop=shop, name="Second", kind=MachineKind.PRINTER)
    Person.objects.create(shop=shop, name="Jo").skills.set(Skill.objects.of(shop))
    with minutes_of(print=120):
        booked(job_of(shop, "print"), MONDAY + 2 * HOUR)
        assert finish(shop, job_of(shop, "print")) == MONDAY + 2 * HOUR


def test_the_film_of_a_print_that_runs_is_on_the_machine_and_not_that_of_the_one_before(shop):
    shop.roll_change_min = 20
    shop.save()
    gloss, matt = (Media.objects.create(shop=shop, name=name, width_mm=1370) for name in ("Gloss", "Matt"))
    ines, printer = Person.objects.get(), Machine.objects.get(kind=MachineKind.PRINTER)
    first, runs = (booked(job_of(shop, "print", media=film), MONDAY + HOUR) for film in (gloss, matt))
    press(first.stages.get(), "start", MONDAY - 2 * HOUR, ines, printer)
    press(first.stages.get(), "finish", MONDAY - HOUR, ines)
    press(runs.stages.get(), "start", MONDAY, ines, printer)
    with minutes_of(print=60):
        # The print ends at 10:00, and the next takes an hour; on gloss film twenty minutes more.
        assert finish(shop, job_of(shop, "print", media=matt), MONDAY + HOUR / 2) == MONDAY + 2 * HOUR
        late = finish(shop, job_of(shop, "print", media=gloss), MONDAY + HOUR / 2)
    assert late == MONDAY + 2 * HOUR + timedelta(minutes=20)


# Closed


def test_closed_this_week_and_next(shop):
    closed(shop, date(2026, 11, 30), date(2026, 12, 11))
    with minutes_of(weed=120):
        assert finish(shop, job_of(shop, "weed")) == utc(12, 14, 11)  # Monday 09:00 and two hours


def test_a_fortnight_of_single_holidays(shop):
    for n in range(14):
        closed(shop, MONDAY.date() + timedelta(days=n), MONDAY.date() + timedelta(days=n))
    with minutes_of(weed=480):
        assert finish(shop, job_of(shop, "weed")) == utc(12, 14, 17)


def test_public_holidays_beside_a_weekend(shop):
    shop.holiday_country = "GB"
    shop.holiday_region = "ENG"
    shop.save()
    with minutes_of(weed=60):
        # Thursday 24 December 16:30 to 17:00; Friday 25th and Monday 28th are holidays; Tuesday 09:00 to 09:30.
        assert finish(shop, job_of(shop, "weed"), utc(12, 24, 16, 30)) == utc(12, 29, 9, 30)


def test_a_shop_that_never_opens_is_asked_for_its_hours(shop):
    OpeningHours.objects.all().delete()
    assert "Give the shop opening hours under Shop, Opening hours." in sentence(shop, job_of(shop, "weed"))


def test_everybody_away_for_two_weeks(shop):
    for person in (Person.objects.get(), Person.objects.create(shop=shop, name="Jo")):
        person.skills.set(Skill.objects.of(shop))
        closed(shop, date(2026, 11, 30), date(2026, 12, 13), person)
    with minutes_of(weed=120):
        assert finish(shop, job_of(shop, "weed")) == utc(12, 14, 11)


def test_somebody_away_for_years_leaves_the_others_their_dates(shop):
    jo = Person.objects.create(shop=shop, name="Jo")
    closed(shop, date(2026, 1, 1), date(2036, 1, 1), jo)
    with minutes_of(weed=120):
        assert finish(shop, job_of(shop, "weed")) == MONDAY + 2 * HOUR
    closed(shop, date(2026, 1, 1), date(2036, 1, 1), Person.objects.exclude(pk=jo.pk).get())
    assert "nobody can do" in sentence(shop, job_of(shop, "weed"))


def test_what_somebody_began_before_a_fortnight_off_another_who_can_takes_over(shop):
    ines, jo = Person.objects.get(), Person.objects.create(shop=shop, name="Jo")
    jo.skills.set(Skill.objects.of(shop))
    closed(shop, date(2026, 12, 1), date(2026, 12, 11), ines)
    with minutes_of(print=180, weed=600):
        for _ in range(3):
            booked(job_of(shop, "print"), MONDAY + HOUR)
        # Monday 9 to 12, 12 to 15, and 15 to 17 with the rest on Tuesday 9 to 10; then 10 to 13.
        assert finish(shop, job_of(shop, "print")) == utc(12, 1, 13)
        Skill.objects.of(shop).get(name="Printing").people.remove(jo)
        # Only Ines prints: the third, begun on Monday at 15:00, waits for her with the printer until Monday fortnight.
        assert finish(shop, job_of(shop, "print")) == utc(12, 14, 13)


def test_what_two_began_waits_for_the_one_who_goes_away(shop):
    people = [Person.objects.get(), *(Person.objects.create(shop=shop, name=name) for name in ("Jo", "Kim"))]
    for person in people:
        person.skills.set(Skill.objects.of(shop))
    StageKind.objects.of(shop).filter(key="install").update(people=2)
    closed(shop, date(2026, 12, 1), date(2026, 12, 1), people[0])
    with minutes_of(install=540):
        assert finish(shop, job_of(shop, "install")) == utc(
            12, 2, 10
        )  # Monday eight hours, and one on Wednesday


def test_open_one_hour_a_week(shop):
    opens(shop, (0, time(9), time(10)))
    with minutes_of(weed=150):
        # Mondays 30 November and 7 December in full, and half of the hour of the 14th.
        assert finish(shop, job_of(shop, "weed")) == utc(12, 14, 9, 30)


def test_more_work_than_two_years_of_such_hours_hold_is_said(shop):
    opens(shop, (0, time(9), time(10)))
    with minutes_of(weed=120 * 60):
        assert "hold in two years: 'Weed of job 1' is not done by then" in sentence(
            shop, job_of(shop, "weed")
        )


def test_hours_over_midnight_asked_after_midnight(shop):
    opens(shop, (4, time(20), time(2)))
    with minutes_of(weed=120):
        # Saturday 01:00 to 02:00 is still Friday's evening; the rest is next Friday 20:00 to 21:00.
        assert finish(shop, job_of(shop, "weed"), utc(12, 5, 1)) == utc(12, 11, 21)


# Holds and clocks


def test_three_days_of_hold_over_a_weekend(shop):
    with minutes_of(weed=30):
        # Friday 16:00 to 16:30; 72 hours, to Monday 16:30; and half an hour more, to closing time.
        assert finish(shop, job_of(shop, "weed", 72 * 60, "weed"), utc(12, 4, 16)) == utc(12, 7, 17)


def test_a_day_of_hold_from_friday_afternoon_is_over_on_saturday_and_work_goes_on_on_monday(shop):
    with minutes_of(weed=60):
        assert finish(shop, job_of(shop, 24 * 60, "weed"), utc(12, 4, 16)) == utc(12, 7, 10)


def test_a_hold_that_somebody_started_is_over_by_its_own_beginning_and_not_so_long_from_now(shop):
    job = booked(job_of(shop, 240, "weed"), MONDAY + 24 * HOUR)
    press(job.stages.get(hold_min=240), "start", MONDAY, Person.objects.get())
    with minutes_of(weed=60):
        for asked in (MONDAY + 2 * HOUR, MONDAY + 4 * HOUR):
            assert finish(shop, job, asked) == MONDAY + 5 * HOUR


@pytest.mark.parametrize(
    ("start", "long", "end"),
    [
        (utc(3, 27, 22, year=2027), 420, utc(3, 28, 5, year=2027)),  # spring: the night has seven hours
        (utc(10, 24, 21), 540, utc(10, 25, 6)),  # autumn: it has nine
    ],
)
def test_a_night_shift_over_a_change_of_the_clocks(shop, start, long, end):
    opens(shop, (5, *NIGHT), zone="Europe/London")  # Saturday 22:00 to 06:00 on the wall
    with minutes_of(weed=long):
        assert finish(shop, job_of(shop, "weed"), start) == end
    with minutes_of(weed=long + 1):
        late = finish(shop, job_of(shop, "weed"), start)
    assert shop.local(late).replace(tzinfo=None) == datetime.combine(
        start.date() + timedelta(days=7), time(22, 1)
    )


def test_a_day_of_hold_over_a_change_of_the_clocks_is_24_hours_and_not_the_same_hour(shop):
    shop.time_zone = "Europe/London"
    shop.save()
    noon = utc(3, 27, 12, year=2027)
    ends = finish(shop, job_of(shop, 24 * 60), noon)
    assert ends == noon + 24 * HOUR
    assert shop.local(ends).hour == 13


@pytest.mark.parametrize(
    ("zone", "nine"), [("Pacific/Apia", utc(11, 29, 20)), ("Pacific/Pago_Pago", utc(11, 30, 20))]
)
def test_on_both_sides_of_the_date_line_monday_is_a_day_apart(shop, zone, nine):
    opens(shop, (0, time(9), time(17)), zone=zone)
    with minutes_of(weed=60):
        # Asked on Sunday at noon there: Monday 09:00 to 10:00 at UTC+13 and at UTC-11.
        assert finish(shop, job_of(shop, "weed"), nine - 21 * HOUR) == nine + HOUR


# The work


def test_behind_four_hundred_jobs_it_is_the_four_hundred_and_first_hour(shop):
    asked = job_of(shop, "weed")
    kind = StageKind.objects.of(shop).get(key="weed")
    jobs = [
        Job(
            shop=shop,
            number=n,
            title="Many",
            job_type=asked.job_type,
            status=JobStatus.PROMISED,
            due_at=MONDAY + 24 * HOUR,
            created_at=MONDAY,  # so that nothing came in before, and nothing more is expected
        )
        for n in range(2, 402)
    ]
    Job.objects.bulk_create(jobs)
    Stage.objects.bulk_create(Stage(shop=shop, job=job, kind=kind, name=kind.name) for job in jobs)
    with minutes_of(weed=60):
        # 400 hours are fifty days of eight, ten weeks: Monday 8 February, 09:00 to 10:00.
        assert finish(shop, asked) == utc(2, 8, 10, year=2027)


def test_a_job_without_stages_is_told_what_to_do(shop):
    assert "no stages. Take one in on its page" in sentence(shop, job_of(shop))


def test_a_job_of_which_all_is_left_out_is_told_the_same(shop):
    job = enquiry(shop)
    job.stages.update(left_out=True)
    assert "no stages. Take one in on its page" in sentence(shop, Job.objects.get(pk=job.pk))


def test_stages_that_take_no_time_are_done_at_once(shop):
    with minutes_of(weed=0, cut=0):
        assert finish(shop, job_of(shop, "cut", 0, "weed")) == MONDAY


def test_a_pin_in_the_past_holds_nothing_up(shop):
    job = job_of(shop, "weed")
    job.stages.update(pinned_at=MONDAY - 72 * HOUR)
    with minutes_of(weed=60):
        assert finish(shop, job) == MONDAY + HOUR


def test_a_pin_in_thirty_years_is_named_and_not_the_shops_hours(shop):
    job = job_of(shop, "weed")
    job.stages.update(pinned_at=MONDAY + timedelta(days=30 * 365))
    assert "'Weed of job 1' is not to begin for 30.0 years." in sentence(shop, job)


def test_a_circular_route_is_written_out(shop):
    job = job_of(shop, "cut", "weed")
    cut, weed = job.stages.order_by("position")
    StageEdge.objects.create(shop=shop, before=weed, after=cut)
    said = sentence(shop, job)
    assert "wait for each other in a circle: " in said
    assert "Cut of job 1 → Weed of job 1" in said or "Weed of job 1 → Cut of job 1" in said


def test_an_item_wider_than_every_film_is_still_dated(shop):
    job = enquiry(shop)
    Item.objects.filter(job=job).update(width_mm=9000, height_mm=9000, count=1)
    outlook = promise_compute(shop, Job.objects.get(pk=job.pk), now=MONDAY, runs=8)
    assert outlook.promised_at > MONDAY
    assert outlook.materials.film_m is None


# The customer's times


def visited(shop, *hours, film_from=None):
    """A job that is printed, and then put up at the customer's between these hours from Monday 09:00 on."""
    windows = [(MONDAY + first * HOUR, MONDAY + last * HOUR) for first, last in hours]
    return job_of(shop, "print", "install", times=Times(film_from, windows))


def test_a_visit_that_is_shorter_than_the_work_is_where_it_begins(shop):
    with minutes_of(install=180):
        # Printed on Monday; Wednesday 10:00 to 11:00 is an hour, and the work goes on until 13:00.
        assert finish(shop, visited(shop, (49, 50))) == utc(12, 2, 13)


def test_of_two_visits_the_one_that_the_work_fits_in(shop):
    with minutes_of(install=180):
        # Not on Wednesday from 10:00 to 11:00 but on Thursday from 10:00 to 14:00.
        assert finish(shop, visited(shop, (49, 50), (73, 77))) == utc(12, 3, 13)


def test_a_way_that_is_longer_than_the_visit_is_gone_for_it_all_the_same(shop):
    windows = [(MONDAY + first * HOUR, MONDAY + last * HOUR) for first, last in ((25, 25.5), (49, 53))]
    with minutes_of(travel=60, install=20):
        # Tuesday 09:00 there at 10:00, and put up by 10:20, ten minutes before the first visit ends.
        assert finish(shop, job_of(shop, "travel", "install", times=Times(None, windows))) == utc(
            12, 1, 10, 20
        )
    with minutes_of(travel=60, install=240):
        # Half an hour is too short for the work: on Wednesday 09:00 there, and 10:00 to 14:00.
        assert finish(shop, job_of(shop, "travel", "install", times=Times(None, windows))) == utc(12, 2, 14)


def test_visits_that_are_all_past_are_said(shop):
    assert "can be visited are over. Ask for others" in sentence(shop, visited(shop, (-48, -47)))


def test_film_that_comes_after_the_last_visit_is_said(shop):
    said = sentence(shop, visited(shop, (49, 50), film_from=MONDAY + 96 * HOUR))
    assert "'Install of job 1' is not ready before the last of the customer's times is over" in said


def test_a_date_at_low_odds_whose_visit_is_often_missed_is_had_again_from_its_record(shop):
    at_times = np.where(PROBS < 0.5, 60, 600)
    with minutes_of(print=at_times):
        # In half of the futures it is printed at 10:00 and put up by 11:00, in the others only after the visit.
        outlook = promise_compute(shop, visited(shop, (1, 4)), now=MONDAY, confidence=0.3, runs=500)
    assert outlook.dates[0.3] == MONDAY + 2 * HOUR
    given = promise_accept(outlook, user=None)
    assert promise_again(given) == given.quantiles
