"""The days ahead: lanes, chances, the folded rule, and moves that are shown before they are made."""

import csv
from datetime import UTC, datetime, time, timedelta
from io import StringIO
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from floor import QuayFloor, at
from quay import enquiry, make_quay

from analytics.engine.book import finishes
from analytics.engine.hours import Calendar, to_minutes, weekly
from analytics.engine.lanes import Stay, first_on, gaps, stays_on
from analytics.engine.latest_start import Course
from analytics.pictures.ahead import JOINT, Piece, ahead_picture, folded_axis
from analytics.selectors.ahead import RUNS, SEED, ahead, codes_of
from analytics.selectors.moves import move_of, tried
from analytics.services.turns import moves_do
from jobs.models import Job, JobStatus, Stage, StageEdge
from shop.errors import BadInput
from shop.models import Machine, MachineKind, Membership, Person, Role, Shop, Skill, User

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
HOURS = {day: [(time(9), time(17))] for day in range(5)}
ALL = np.uint64(0b11)


def promised(shop, due_at, **more):
    job = enquiry(shop, **more)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=due_at)
    return Job.objects.get(pk=job.pk)


# Lanes


def course():
    """Two stages in four futures: unit 0 takes one and then the other; in the last future the other way about."""
    trace = np.array([[[0, 10, 10], [10, 30, 30]]] * 3 + [[[20, 30, 30], [0, 20, 20]]], float)
    units = np.array([[1, 1]] * 3 + [[1, 2]], np.uint64)
    return Course(trace, units)


def test_a_stage_is_on_a_unit_as_often_as_the_futures_say():
    first, second = stays_on(course(), 0b1, attended=True)
    assert (first.share, second.share) == (1.0, 0.75)
    assert second.chance_at(np.array([5.0, 10.0, 29.0, 30.0])).tolist() == [0.0, 0.75, 0.75, 0.0]
    assert first.chance_at(np.array([0.0, 9.0, 15.0, 25.0])).tolist() == [0.75, 0.75, 0.0, 0.25]


def test_what_is_begun_first_is_counted_over_the_futures_without_what_runs_already():
    likely = first_on(course(), 0b1, np.array([False, False]))
    assert [(one.operation, one.share, one.at) for one in likely] == [(0, 1.0, 0.0)]
    rest = first_on(course(), 0b1, np.array([True, False]))
    assert [(one.operation, one.share, one.at) for one in rest] == [(1, 0.75, 10.0)]


def test_closed_stretches_between_two_instants():
    hours = Calendar.of([0.0, 100.0], [50.0, 150.0])
    assert gaps(hours, 20.0, 130.0) == [(50.0, 100.0)]
    assert gaps(hours, 60.0, 200.0) == [(60.0, 100.0), (150.0, 200.0)]


def test_signs_tell_kinds_apart():
    assert codes_of(["Print", "Pack", "Cut", "Print"]) == {"Cut": "C", "Pack": "P", "Print": "Pr"}


# The folded rule


def test_the_rule_keeps_open_hours_in_scale_and_folds_nights_away():
    hours = weekly(MONDAY, "UTC", HOURS, 30)
    axis = folded_axis(MONDAY, hours, ZoneInfo("UTC"), 3)
    assert [leaf.name for leaf in axis.leaves] == ["Mon 30 Nov", "Tue 1 Dec", "Wed 2 Dec"]
    hour = axis.leaves[0].width / 8
    assert axis.x(60.0) == pytest.approx(hour)
    assert axis.x(24 * 60.0) - axis.x(8 * 60.0) == pytest.approx(JOINT)  # from 17:00 to 09:00
    assert axis.width == pytest.approx(24 * hour + 2 * JOINT)


def test_the_first_day_is_the_next_that_opens():
    saturday = MONDAY + timedelta(days=5)
    axis = folded_axis(saturday, weekly(saturday, "UTC", HOURS, 30), ZoneInfo("UTC"), 1)
    assert [leaf.name for leaf in axis.leaves] == ["Mon 7 Dec"]
    assert axis.x(0.0) == 0.0
    assert axis.x(2 * 1440.0) == pytest.approx(JOINT)


def test_an_open_night_in_which_the_clock_goes_back_is_an_hour_longer():
    before = datetime(2026, 10, 24, 20, 0, tzinfo=UTC)  # Britain's clocks go back on 25 October 2026
    hours = weekly(before, "Europe/London", {5: [(time(21), time(5))]}, 10)
    axis = folded_axis(before, hours, ZoneInfo("Europe/London"), 3)
    assert axis.leaves[0].high - axis.leaves[0].low == 9 * 60


def test_a_certain_stage_has_a_blunt_shape_and_an_unsure_one_a_thin_long_one():
    axis = folded_axis(MONDAY, weekly(MONDAY, "UTC", HOURS, 30), ZoneInfo("UTC"), 1)
    sure = Stay(0, 1.0, np.zeros(50), np.full(50, 60.0))
    unsure = Stay(1, 1.0, np.linspace(60, 300, 50), np.linspace(70, 310, 50))
    picture = ahead_picture(axis, [("p1", "Ines", [Piece(1, "P 1", sure), Piece(2, "P 2", unsure)], [])])
    tall, thin = (height(spindle) for spindle in picture.lanes[0].spindles)
    assert tall == pytest.approx(19.0)
    assert thin < 6.0


def height(spindle):
    ys = [float(point.split(",")[1]) for point in spindle.points.split()]
    return max(ys) - min(ys)


# The shop's days ahead


@pytest.fixture
def shop(db):
    return make_quay()


def test_chances_are_those_of_the_simulation_and_jobs_stand_in_their_order(shop):
    late, soon = promised(shop, MONDAY + timedelta(days=9)), promised(shop, MONDAY + timedelta(hours=4))
    found = ahead(shop, MONDAY)
    assert [one.job.pk for one in found.jobs] == [soon.pk, late.pk]
    book = found.work.book()
    done = finishes(book, runs=RUNS, seed=SEED)
    want = {job.number: float(np.mean(done[:, i] <= job.due)) for i, job in enumerate(book.jobs)}
    assert {one.job.number: one.chance for one in found.jobs} == want


def test_each_stage_is_with_the_person_and_the_machine_that_do_it(shop):
    promised(shop, MONDAY + timedelta(days=9))
    lanes = {lane.name: lane for lane in ahead(shop, MONDAY).lanes}
    assert "Print" in [one.stage.stage.kind.name for one in lanes["printer"].stages]
    assert "Weed" in [one.stage.stage.kind.name for one in lanes["Ines"].stages]
    first = lanes["Ines"].next[0]
    assert (first.stage.waits_for, first.share) == ((), 1.0)
    assert not lanes["Ines"].away


def test_a_stage_begun_at_its_latest_safe_start_is_later_than_one_of_a_sooner_date(shop):
    near, far = promised(shop, MONDAY + timedelta(days=2)), promised(shop, MONDAY + timedelta(days=8))
    stages = ahead(shop, MONDAY).stages.values()
    safe = {one.job.job.pk: one.safe for one in stages if one.stage.kind.key == "weed"}
    assert MONDAY < safe[near.pk] < safe[far.pk] < far.due_at


def test_a_date_that_is_past_is_too_late_and_said_to_be_overdue(shop):
    promised(shop, MONDAY - timedelta(days=1))
    found = ahead(shop, MONDAY)
    assert found.jobs[0].state == "over"
    assert all(one.too_late for one in found.stages.values() if not one.begun)


def test_nothing_open_is_nothing_ahead(shop):
    assert ahead(shop, MONDAY) is None


@pytest.mark.parametrize("move", ["first", "pin"])
def test_what_was_shown_of_a_move_is_what_comes_of_it(shop, move):
    """The same draws before and after: the chances of the preview are those of the plan once it is made."""
    for days in (1, 1, 2):
        last = promised(shop, MONDAY + timedelta(days=days))
    shop.refresh_from_db()
    found = ahead(shop, MONDAY)
    data = {"job": str(last.number), "place": "first"}
    if move == "pin":
        weed = last.stages.get(kind__key="weed")
        data = {"stage": str(weed.pk), "at": (MONDAY + timedelta(days=1, hours=2)).isoformat()}
    shown = tried(found, move_of(shop, found, data, MONDAY))
    assert shown.effects
    moves_do(shop, shown.move.turns, shown.move.pins, revision=shop.revision, now=MONDAY)
    shop.refresh_from_db()
    then = {one.job.pk: (one.chance, one.finish.middle) for one in ahead(shop, MONDAY).jobs}
    for effect in shown.effects:
        chance, finish = then[effect.job.job.pk]
        assert effect.after == chance
        assert abs(finish - effect.finish_after) < timedelta(seconds=1)
    assert len(shown.effects) + shown.others == 3


# Pages


def client_of(shop, role):
    user = User.objects.create_user(f"{role}-{shop.slug}", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def two(shop):
    now = timezone.now()
    return promised(shop, now + timedelta(days=9)), promised(shop, now + timedelta(days=12))


def revision(shop):
    shop.refresh_from_db()
    return str(shop.revision)


def test_a_viewer_looks_and_cannot_move(shop, two):
    client = client_of(shop, Role.VIEWER)
    answer = client.get("/ahead/?days=14")
    assert b"What to begin next" in answer.content
    assert b"ahead-moves" not in answer.content
    assert client.post("/ahead/try/", {"job": two[1].number, "place": "first"}).status_code == 403


def test_without_open_work_the_page_says_what_to_do(shop):
    assert b"Date an enquiry" in client_of(shop, Role.PLANNER).get("/ahead/").content


def test_work_that_cannot_be_done_is_named_with_the_remedy(shop, two):
    Machine.objects.filter(kind=MachineKind.CUTTER).delete()
    answer = client_of(shop, Role.VIEWER).get("/ahead/")
    assert [one.state for one in answer.context["ahead"].jobs] == ["stuck", "stuck"]
    assert b"Add one under Shop, Machines" in answer.content
    Person.objects.all().update(active=False)  # nor is there anybody for what comes before
    with pytest.raises(BadInput, match="Add people or their skills under Shop, People"):
        ahead(shop, MONDAY)


def test_a_move_is_shown_done_and_taken_back_without_a_script(shop, two):
    client = client_of(shop, Role.PLANNER)
    asked = {"job": two[1].number, "place": f"before:{two[0].number}"}
    shown = client.post("/ahead/try/", asked)
    assert f"Job {two[1].number} before job {two[0].number}".encode() in shown.content
    assert not Job.objects.filter(turn_at__isnull=False).exists()
    client.post("/ahead/do/", {**asked, "revision": revision(shop)})
    assert Job.objects.get(pk=two[1].pk).turn_at < two[0].due_at
    page = client.get("/ahead/")
    undo = page.context["undo"]
    assert b"placed by hand" in page.content
    client.post(undo["url"], dict(undo["fields"]))
    assert not Job.objects.filter(turn_at__isnull=False).exists()


def test_a_move_shown_on_work_that_moved_meanwhile_is_not_made_but_shown_anew(shop, two):
    client = client_of(shop, Role.PLANNER)
    asked = {"job": two[1].number, "place": "first", "revision": int(revision(shop)) - 1}
    answer = client.post("/ahead/do/", asked)
    assert answer.status_code == 409
    assert b"The work has moved on" in answer.content
    assert b"Do it" in answer.content
    assert not Job.objects.filter(turn_at__isnull=False).exists()


def test_what_somebody_else_moved_since_is_not_taken_back(shop, two):
    """Ann puts a job first, Ben puts it last: Ann's undo would undo Ben's move, of which she knows nothing."""
    ann, ben = client_of(shop, Role.PLANNER), client_of(shop, Role.OWNER)
    ann.post("/ahead/do/", {"job": two[1].number, "place": "first", "revision": revision(shop)})
    undo = ann.get("/ahead/").context["undo"]
    ben.post("/ahead/do/", {"job": two[1].number, "place": "last", "revision": revision(shop)})
    by_ben = Job.objects.get(pk=two[1].pk).turn_at
    answer = ann.post(undo["url"], dict(undo["fields"]), follow=True)
    assert f"Job {two[1].number} was given another place since".encode() in answer.content
    assert Job.objects.get(pk=two[1].pk).turn_at == by_ben


def test_what_somebody_else_pinned_since_is_not_taken_back(shop, two):
    client, stage = client_of(shop, Role.PLANNER), two[0].stages.get(kind__key="weed")
    day = (timezone.now() + timedelta(days=3)).replace(hour=10, minute=0, second=0, microsecond=0)
    client.post("/ahead/do/", {"stage": stage.pk, "at": day.isoformat(), "revision": revision(shop)})
    undo = client.get("/ahead/").context["undo"]
    Stage.objects.filter(pk=stage.pk).update(pinned_at=day + timedelta(hours=1))
    assert (
        b"was pinned otherwise since" in client.post(undo["url"], dict(undo["fields"]), follow=True).content
    )
    assert Stage.objects.get(pk=stage.pk).pinned_at == day + timedelta(hours=1)
    Stage.objects.filter(pk=stage.pk).update(pinned_at=day)
    client.post(undo["url"], dict(undo["fields"]))
    assert Stage.objects.get(pk=stage.pk).pinned_at is None


def test_a_pin_is_shown_made_and_taken_off(shop, two):
    client = client_of(shop, Role.PLANNER)
    stage = two[0].stages.get(kind__key="weed")
    at = (timezone.now() + timedelta(days=3)).replace(hour=10, minute=7, second=0, microsecond=0)
    asked = {"stage": stage.pk, "at": f"{at:%Y-%m-%dT%H:%M}"}
    assert client.post("/ahead/try/", asked, headers={"X-Part": "1"}).status_code == 200
    client.post("/ahead/do/", {**asked, "revision": revision(shop)})
    assert Stage.objects.get(pk=stage.pk).pinned_at == at.replace(minute=0)
    assert b"take the pin off" in client.get(f"/ahead/?stage={stage.pk}").content
    client.post("/ahead/do/", {"stage": stage.pk, "at": "", "revision": revision(shop)})
    assert Stage.objects.get(pk=stage.pk).pinned_at is None


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"job": "999", "place": "first"}, b"not among the open ones"),
        ({"job": "1", "place": "sideways"}, b"first, last, or before or after"),
        ({"stage": "0", "at": ""}, b"not among what is still to be done"),
        ({}, b"not among the open ones"),
    ],
)
def test_a_move_that_makes_no_sense_says_why(shop, two, asked, why):
    answer = client_of(shop, Role.PLANNER).post("/ahead/try/", asked, headers={"X-Part": "1"})
    assert answer.status_code == 422
    assert why in answer.content


@pytest.mark.parametrize(
    ("at", "why"), [("2020-01-01T09:00", b"is past"), ("soon", b"Give the day and the time")]
)
def test_an_instant_that_makes_no_sense_says_why(shop, two, at, why):
    stage = two[0].stages.get(kind__key="weed")
    asked = {"stage": stage.pk, "at": at}
    answer = client_of(shop, Role.PLANNER).post("/ahead/try/", asked, headers={"X-Part": "1"})
    assert (answer.status_code, why in answer.content) == (422, True)


def test_another_shops_job_cannot_be_put_back_into_a_place(shop, two):
    stranger = client_of(make_quay("hill"), Role.OWNER)
    given = {"job": two[0].pk, "job_given": "", "job_before": MONDAY.isoformat()}
    assert b"not in this shop" in stranger.post("/ahead/undo/", given, follow=True).content
    stage = two[0].stages.first()
    given = {"stage": stage.pk, "stage_given": "", "stage_before": MONDAY.isoformat()}
    assert b"not in this shop" in stranger.post("/ahead/undo/", given, follow=True).content
    assert not Job.objects.filter(turn_at__isnull=False).exists()
    assert not Stage.objects.filter(pinned_at__isnull=False).exists()


def test_the_plan_is_a_file_with_a_line_for_each_stage_on_each_lane(shop, two):
    answer = client_of(shop, Role.VIEWER).get(reverse("analytics:ahead-csv"))
    rows = list(csv.DictReader(StringIO(answer.content.decode())))
    assert {"printer", "Ines"} <= {row["lane"] for row in rows}
    assert all(row["starts_p10"] <= row["starts_p50"] <= row["starts_p90"] for row in rows)
    assert {row["job"] for row in rows} == {str(job.number) for job in two}


def test_minutes_from_now_and_instants_agree(shop, two):
    found = ahead(shop, MONDAY)
    assert to_minutes(found.at, found.instant(90.0)) == 90.0


@pytest.mark.django_db
def test_a_stage_that_may_begin_beside_a_machine_that_runs_alone_waits_for_nothing():
    floor = QuayFloor()
    floor.ann.skills.set(Skill.objects.of(floor.shop))
    cut = floor.stage("cut")
    mask = floor.stage("mask", cut.job)
    StageEdge.objects.create(shop=floor.shop, before=cut, after=mask, kind="attended")
    floor.press("start", cut, at(9), machine=floor.cutter)
    now = at(9.25)
    assert ahead(floor.shop, now).stages[mask.pk].waits_for == ("Cut",)
    floor.press("leave", cut, now)
    found = ahead(Shop.objects.get(), now).stages
    assert found[mask.pk].waits_for == ()
    assert found[mask.pk].start.low < found[cut.pk].end.low
