"""The board on the wall: what it says, how it is kept, and what asking for it costs."""

import re
from datetime import timedelta

import pytest
from django.contrib.auth.base_user import AbstractBaseUser
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from time_machine import TimeMachineFixture

from analytics import board
from analytics.engine.ending import end_of, left_of
from analytics.engine.forecast import PROBS, Forecast
from analytics.engine.hours import ALWAYS, Calendar
from analytics.selectors.wall import due_odds, wall
from jobs.models import Job
from shop.models import Machine, Membership, Person, Role, Shop, User
from tests.analytics.derived import a_job
from tests.analytics.floor import QuayFloor, at
from tests.analytics.quay import enquiry, make_quay

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def its_now(time_machine: TimeMachineFixture) -> None:
    """A minute begins in open hours: the board is made anew each minute, and says when the shop opens and closes."""
    time_machine.move_to(at(10))


@pytest.fixture
def floor() -> QuayFloor:
    return QuayFloor()


def client_of(shop: Shop, role: Role = Role.VIEWER) -> Client:
    user: AbstractBaseUser = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


# Expected ends.


def a_law(low: float, high: float) -> Forecast:
    """Minutes spread evenly from low to high."""
    return Forecast(low + (high - low) * PROBS, 10.0, is_default=False, kind_share=0.0)


def test_what_is_left_is_the_law_given_what_has_passed():
    """Of a law that is even from 0 to 100 minutes, after 60 an even law from 60 to 100 is left: 20 and 32 minutes."""
    law = a_law(0, 100)
    assert (left_of(law, 0).p50, left_of(law, 0).p80) == (pytest.approx(50), pytest.approx(80))
    assert (left_of(law, 60).p50, left_of(law, 60).p80) == (pytest.approx(20), pytest.approx(32))
    assert not left_of(law, 60).is_long
    assert left_of(law, 97).is_long
    assert left_of(law, 500).p80 == 0.0


def test_hands_stop_when_the_shop_closes_and_a_machine_need_not():
    until_five = Calendar.of([0, 960], [60, 1440])  # open for an hour, and again the next morning
    assert end_of(until_five, 90, always=False) == 990
    assert end_of(until_five, 90, always=True) == 90
    assert end_of(Calendar.of([100], [200]), 30, always=False) == 30  # somebody works in closed hours
    assert end_of(ALWAYS, 30, always=False) == 30


# What it shows.


def test_it_says_what_runs_for_whom_since_when_and_until_when(floor):
    floor.practised()
    stage = floor.stage("weed")
    floor.press("start", stage, at(9))
    (run,) = wall(floor.shop, at(9.1)).running
    assert (run.watch.stage, run.watch.people, run.watch.since) == (stage, [floor.ann], at(9))
    assert run.ends is not None
    assert at(9.1) < run.ends[0] <= run.ends[1]
    assert not run.is_long
    (run,) = wall(floor.shop, at(16)).running
    assert run.is_long


def test_a_machine_that_runs_alone_is_on_what_it_runs_and_the_others_are_idle(floor):
    stage = floor.stage("print")
    floor.press("start", stage, at(9), machine=floor.cutter)
    floor.press("leave", stage, at(9.5))
    seen = wall(floor.shop, at(10))
    assert [[watch.stage for watch in one.watches] for one in seen.machines] == [[stage]]
    assert seen.running[0].watch.alone
    assert seen.idle == 0


def test_all_that_runs_is_counted_in_a_shop_of_thirty_machines(floor):
    for n in range(30):
        machine = Machine.objects.create(
            shop=floor.shop, name=f"Press {n:02}", kind="printer", unattended="always"
        )
        stage = floor.stage("print", a_job(floor.shop))
        floor.press("start", stage, at(9), machine=machine)
        floor.press("leave", stage, at(9.1))
    seen = wall(floor.shop, at(10))
    assert (len(seen.running), len(seen.machines), seen.idle) == (30, 31, 1)
    assert [one.machine.name for one in seen.machines if not one.watches] == ["Cutter"]


def test_a_date_that_cannot_be_kept_is_at_risk_and_one_far_off_is_not():
    shop = make_quay()
    tight, easy = enquiry(shop), enquiry(shop)
    now = at(9, 7)
    for job, due in ((tight, now + timedelta(minutes=2)), (easy, now + timedelta(days=90))):
        Job.objects.filter(pk=job.pk).update(status="promised", due_at=due)
    odds, why_none = due_odds(shop, now)
    assert (odds[tight.pk], odds[easy.pk], why_none) == (0.0, 1.0, "")
    seen = wall(shop, now, odds)
    assert [one.row.job.pk for one in seen.at_risk] == [tight.pk]
    assert [one.row.job.pk for one in seen.due] == [easy.pk]
    assert (seen.at_risk[0].odds, seen.due[0].odds) == ("hardly ever in time", "nearly always in time")


def test_a_shop_that_cannot_do_its_work_is_told_why_there_are_no_odds():
    shop = make_quay()
    job = enquiry(shop)
    Job.objects.filter(pk=job.pk).update(status="promised", due_at=at(9, 30))
    Person.objects.of(shop).update(active=False)
    odds, why_none = due_odds(shop, at(9, 7))
    assert odds == {}
    assert why_none != ""
    (due,) = wall(shop, at(9, 7), odds, why_none).due
    assert due.odds == ""


# How it is asked for.


def test_an_empty_shop_has_a_board_that_says_so(floor):
    page = client_of(floor.shop).get(reverse("analytics:wall"))
    assert "Nothing runs" in page.content.decode()


def test_the_part_is_not_sent_again_while_nothing_is_new_and_is_after_a_press(floor):
    client, url = client_of(floor.shop), reverse("analytics:wall")
    first = client.get(url, headers={"X-Part": "1"})
    assert first.status_code == 200
    assert "<html" not in first.content.decode()
    again = client.get(url, headers={"X-Part": "1", "If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    now = timezone.now()
    floor.press("start", floor.stage("weed"), now)
    moved = client.get(url, headers={"X-Part": "1", "If-None-Match": first["ETag"]})
    assert moved.status_code == 200
    assert "Weed" in moved.content.decode()


def test_a_minute_in_which_nothing_changed_sends_nothing(floor, monkeypatch):
    """The tag names what the board says, not when it was made."""
    floor.shop.refresh_from_db()
    now = timezone.now()
    first = board.board_of(floor.shop, now)
    later = board.board_of(floor.shop, now + timedelta(minutes=1))
    assert later is not first
    assert later.tag == first.tag


def test_two_shops_have_two_boards(floor):
    hill = QuayFloor(slug="hill")
    a_stage = floor.stage("weed")
    floor.press("start", a_stage, timezone.now())
    url = reverse("analytics:wall")
    assert "Weed" in client_of(floor.shop).get(url).content.decode()
    assert "Weed" not in client_of(hill.shop).get(url).content.decode()


def test_an_idle_look_asks_three_questions(floor, django_assert_max_num_queries):
    """Session, log-in, and membership with the shop: three questions to the database, whatever is on the board."""
    floor.practised()
    for n in range(12):
        floor.press("start", floor.stage("weed", a_job(floor.shop)), timezone.now() - timedelta(minutes=n))
    client, url = client_of(floor.shop), reverse("analytics:wall")
    tag = client.get(url, headers={"X-Part": "1"})["ETag"]
    with django_assert_max_num_queries(3):
        assert client.get(url, headers={"X-Part": "1", "If-None-Match": tag}).status_code == 304


def test_the_board_holds_nothing_of_whoever_asked_first(floor):
    assert not re.search(r"csrf|nonce|logged in", board.board_of(floor.shop, timezone.now()).html)
