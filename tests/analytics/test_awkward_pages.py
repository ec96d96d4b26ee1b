"""What the pages say of awkward shops: an answer, or a sentence that says why there is none and what to do."""

import uuid
from datetime import datetime, time, timedelta
from html import unescape

import pytest
from awkward import MONDAY, booked, client_of, finish, job_of, minutes_of, opens
from django.urls import reverse
from django.utils import timezone
from quay import enquiry, make_quay

from analytics.models import JobOutlook, OrderSearch
from analytics.selectors.ahead import ahead
from analytics.selectors.backlog import open_work
from analytics.selectors.calendars import shop_events
from analytics.services.orders import SEARCHES, search_want
from analytics.services.watching import watch_shop
from jobs.models import ClockEvent, Job, Stage, StageEdge, StageKind, StageState
from jobs.services.clock import fold_shop
from jobs.services.times import Times
from shop.models import Machine, MachineKind, OpeningHours, Person, Skill

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
OF_A_JOB = ("promise", "ways", "sooner", "rush")


@pytest.fixture
def shop(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: MONDAY)
    return make_quay()


def text_of(answer):
    return unescape(answer.content.decode())


def page_of(client, name, *args):
    return client.get(reverse(f"analytics:{name}", args=args), {"whole": "1"})


def pressed(stage, at, machine=None, kind="start"):
    """A press at the stage, as if it had come at once."""
    person = Person.objects.get(name="Ines")
    ClockEvent.objects.create(
        id=uuid.uuid4(),
        shop=stage.shop,
        stage=stage,
        kind=kind,
        person=person,
        machine=machine,
        at=at,
        device_at=at,
        received_at=at,
    )
    fold_shop(stage.shop, announce=False)


# No date at all


def test_without_hours_every_page_asks_for_them(shop):
    job = booked(enquiry(shop), MONDAY + 24 * HOUR)
    OpeningHours.objects.all().delete()
    client = client_of(shop)
    for name, *args in (*((name, job.number) for name in OF_A_JOB), ("ahead",)):
        answer = page_of(client, name, *args)
        assert answer.status_code == 422
        assert "Give the shop opening hours under Shop, Opening hours." in text_of(answer)
    watch_shop(shop, MONDAY)
    watch = page_of(client, "watch")
    assert (watch.status_code, "Job 1: No opening hours are left" in " ".join(words(watch))) == (200, True)
    assert [event.summary for event in shop_events(shop, MONDAY)] == [f"Promised: job 1, {job.title}"]


def words(answer):
    """The text of a page without its tags."""
    text, inside = "", False
    for letter in text_of(answer):
        inside = letter == "<" or (inside and letter != ">")
        text += "" if inside or letter == ">" else letter
    return text.split()


def test_a_job_that_cannot_be_asked_about_is_told_why_on_each_of_its_pages(shop):
    past = job_of(shop, "print", "install", times=Times(None, [(MONDAY - 48 * HOUR, MONDAY - 47 * HOUR)]))
    empty = job_of(shop)
    client = client_of(shop)
    for job, said in ((past, "Ask for others and set them down"), (empty, "The job has no stages.")):
        for name in OF_A_JOB:
            answer = page_of(client, name, job.number)
            assert (answer.status_code, said in text_of(answer)) == (422, True), name


def test_a_shop_with_nothing_in_it_says_on_each_page_what_to_do(shop):
    client = client_of(shop)
    for name, said in (
        ("ahead", "Date an enquiry"),
        ("watch", "A job is watched from the moment its date is promised."),
        ("order", "No job is open, so there is nothing to put in order."),
        ("replay", "No job came in during the last 90 days"),
    ):
        answer = page_of(client, name)
        assert (answer.status_code, said in text_of(answer)) == (200, True), name
    assert "Rests on trade defaults for artwork" in text_of(page_of(client, "promise", enquiry(shop).number))


# One job that cannot be done


def no_cutter(job):
    Machine.objects.filter(kind=MachineKind.CUTTER).delete()


def five_to_cut(job):
    StageKind.objects.of(job.shop).filter(key="cut").update(people=5)


def in_a_circle(job):
    cut = job.stages.get(kind__key="cut")
    more = Stage.objects.create(shop=job.shop, job=job, kind=cut.kind, name="Again", position=2)
    for before, after in ((cut, more), (more, cut)):
        StageEdge.objects.create(shop=job.shop, before=before, after=after)


def in_thirty_years(job):
    job.stages.filter(kind__key="cut").update(pinned_at=MONDAY + timedelta(days=30 * 365))


def after_the_calendars_but_for_a_day(job):
    job.stages.filter(kind__key="cut").update(pinned_at=MONDAY + timedelta(days=798))


def behind_three_years_of_hold(job):
    lies = StageKind.objects.of(job.shop).get(key="approval")
    job.stages.filter(kind__key="cut").update(kind=lies, hold_min=3 * 365 * 1440)


def behind_a_long_lag(job):
    StageEdge.objects.filter(before__job=job).update(lag_min=3 * 365 * 1440)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (no_cutter, "No machine in the shop can do 'Cut of job 1': it needs a cutter"),
        (five_to_cut, "'Cut of job 1' needs 5 and only 1 can do "),
        (in_a_circle, "These wait for each other in a circle: "),
        (in_thirty_years, "'Cut of job 1' is not to begin for 30.0 years."),
        (after_the_calendars_but_for_a_day, "'Cut of job 1' is not to begin for 2.2 years."),
        (behind_three_years_of_hold, "'Cut of job 1' is not over for 3.0 years."),
        (behind_a_long_lag, "'Cut of job 1' is not to begin for 3.0 years."),
    ],
)
def test_it_is_named_with_a_link_and_the_others_keep_their_dates(shop, wrong, said):
    stuck = booked(job_of(shop, "weed", "cut"), MONDAY + HOUR)
    other = booked(job_of(shop, "weed"), MONDAY + 2 * HOUR)
    asked = job_of(shop, "weed")
    wrong(stuck)
    client = client_of(shop)
    with minutes_of(weed=60):
        # Its own hour of weeding is still done first, from 09:00 to 10:00; then the other's, then this one's.
        assert finish(shop, asked) == MONDAY + 3 * HOUR
        watch_shop(shop, MONDAY)
        pages = [page_of(client, "promise", asked.number), page_of(client, "ahead"), page_of(client, "watch")]
        own = page_of(client, "promise", stuck.number)
    assert JobOutlook.objects.get(job=other).quantiles["0.5"] == (MONDAY + 2 * HOUR).isoformat()
    for answer in pages:
        assert answer.status_code == 200
        assert said in text_of(answer)
        assert f'href="/jobs/{stuck.number}/"' in text_of(answer)
        assert "1 open job cannot be done as it stands." in text_of(answer)
    assert [one.state for one in pages[1].context["ahead"].jobs] == ["stuck", "safe"]
    assert "Not all of the open jobs are worked out yet" not in text_of(pages[2])
    assert (own.status_code, said in text_of(own)) == (422, True)


def test_an_order_is_searched_for_beside_it(shop):
    booked(job_of(shop, "cut"), MONDAY + HOUR)
    booked(job_of(shop, "weed"), MONDAY + HOUR)
    booked(job_of(shop, "weed"), MONDAY + 3 * HOUR)
    no_cutter(None)
    search = search_want(shop, 1000, None, MONDAY)
    with minutes_of(weed=60):
        while SEARCHES.carry_on(search.pk):
            pass
    search = OrderSearch.objects.get()
    assert (search.state, search.error) == ("done", "")
    # All in time as they are: the one that cannot be done counts for nothing.
    assert (search.result["dated"], search.result["better"]) == (2, False)


def test_if_all_the_open_work_is_so_the_days_ahead_say_why(shop):
    booked(job_of(shop, "cut", "weed"), MONDAY + HOUR)
    no_cutter(None)
    answer = page_of(client_of(shop), "ahead")
    assert (answer.status_code, "it needs a cutter" in text_of(answer)) == (422, True)


def test_a_shop_that_never_closes_and_a_visit_while_it_is_closed_have_all_their_pages(shop):
    client = client_of(shop)
    visit = Times(None, [(MONDAY - HOUR, MONDAY + HOUR / 60)])
    job = booked(
        enquiry(shop, job_type="Window graphics", requested=["travel"], times=visit), MONDAY + 24 * HOUR
    )
    assert page_of(client, "ahead").status_code == 200
    job.visits.all().delete()
    opens(shop, *((day, time(0), time(0)) for day in range(7)))
    for name in OF_A_JOB:
        assert page_of(client, name, job.number).status_code == 200


# Late, running, done


def test_a_job_that_is_late_has_no_chance_left_and_a_new_date_counts_from_now(shop):
    late = booked(job_of(shop, "weed"), MONDAY - 72 * HOUR)
    with minutes_of(weed=60):
        watch_shop(shop, MONDAY)
        assert JobOutlook.objects.get(job=late).chance == 0.0
        (row,) = ahead(shop, MONDAY).jobs
        assert (row.state, row.chance) == ("over", 0.0)
        assert "Overdue" in text_of(page_of(client_of(shop), "ahead"))
        assert finish(shop, late) == MONDAY + HOUR
        assert finish(shop, job_of(shop, "weed")) == MONDAY + 2 * HOUR


def test_a_stage_that_runs_since_last_night_goes_on_and_is_not_done_yet(shop):
    opens(shop, *((day, time(0), time(0)) for day in range(7)))
    job = booked(job_of(shop, "weed", "cut"), MONDAY + 24 * HOUR)
    pressed(job.stages.get(kind__key="weed"), MONDAY - 11 * HOUR)
    with minutes_of(weed=12 * 60, cut=30):
        # Eleven of twelve hours have passed; an hour more, and then half an hour of cutting.
        assert finish(shop, job) == MONDAY + 1.5 * HOUR
    # It takes longer than anything that is known of it: there is some time left all the same.
    begun = next(s for s in open_work(shop, None, MONDAY).stages if s.running)
    assert begun.hands_on.elapsed == 11 * 60
    assert finish_of_all(shop, job) > MONDAY


def finish_of_all(shop, job) -> datetime:
    """The earliest finish of the job in the days ahead."""
    return next(one for one in ahead(shop, MONDAY).jobs if one.job.pk == job.pk).finish.low


def test_a_machine_taken_out_under_a_running_stage_leaves_it_to_another(shop):
    printer = Machine.objects.get(kind=MachineKind.PRINTER)
    job = booked(job_of(shop, "print"), MONDAY + 24 * HOUR)
    pressed(job.stages.get(), MONDAY - HOUR, printer)
    assert Stage.objects.get().state == StageState.RUNNING
    Machine.objects.filter(pk=printer.pk).update(active=False)
    (left_out,) = open_work(shop, None, MONDAY).left_out
    assert left_out.why.startswith("No machine in the shop can do 'Print of job 1': it needs a printer")
    Machine.objects.create(shop=shop, name="New", kind=MachineKind.PRINTER)
    with minutes_of(print=90):
        # An hour has passed: half an hour is left, on the new one.
        assert finish(shop, job) == MONDAY + HOUR / 2


def test_two_running_stages_of_one_person_are_no_clash(shop):
    first, second = (booked(job_of(shop, "weed"), MONDAY + 24 * HOUR) for _ in range(2))
    for job in (first, second):
        pressed(job.stages.get(), MONDAY - HOUR)
    with minutes_of(weed=120):
        finishes = sorted(one.finish.middle for one in ahead(shop, MONDAY).jobs)
    # However the hour that has passed is shared between them: one after the other, and within the day.
    assert MONDAY < finishes[0] < finishes[1] <= MONDAY + 4 * HOUR


def test_a_job_whose_stages_are_all_done_is_finished_now(shop):
    job = booked(job_of(shop, "weed"), MONDAY + HOUR)
    pressed(job.stages.get(), MONDAY - 2 * HOUR)
    pressed(job.stages.get(), MONDAY - HOUR, kind="finish")
    Job.objects.filter(pk=job.pk).update(status="in_hand", finished_at=None)
    assert finish(shop, Job.objects.get(pk=job.pk)) == MONDAY
    watch_shop(shop, MONDAY)
    assert JobOutlook.objects.get(job=job).chance == 1.0
    assert page_of(client_of(shop), "ahead").status_code == 200


def test_two_people_for_one_install_where_one_is_away(shop):
    StageKind.objects.of(shop).filter(key="install").update(people=2)
    jo = Person.objects.create(shop=shop, name="Jo")
    jo.skills.set(Skill.objects.of(shop))
    jo.absences.create(shop=shop, starts_on=MONDAY.date(), ends_on=MONDAY.date() + timedelta(days=1))
    with minutes_of(install=90):
        assert finish(shop, job_of(shop, "install")) == MONDAY + 48 * HOUR + 1.5 * HOUR  # both on Wednesday
