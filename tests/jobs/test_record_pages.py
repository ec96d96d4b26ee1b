"""The pages of a job's clock: what was pressed, how it came, and putting it right after looking at what changes."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from time_machine import TimeMachineFixture

from jobs.forms.corrections import LocalTime
from jobs.models import ClockEvent, Correction, Element, Interval, Job, JobType, Lap, Stage, StageState
from jobs.pictures.record import RecordSpan, Row, both_picture, day_picture, days_of
from jobs.services.changes import Move
from jobs.services.changes_stops import AddSitting
from jobs.services.corrections import correct, undo
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from jobs.words.record import span_words
from shop.models import Machine, MachineKind, Membership, Person, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 11, 24, 8, tzinfo=UTC)  # by the shop's clock
NOW = NINE + timedelta(days=1, hours=2)


@pytest.fixture(autouse=True)
def its_now(time_machine: TimeMachineFixture) -> None:
    """The present is the next morning, whenever the test runs."""
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Etc/GMT-1")  # an hour ahead, always
    for role in Role:
        Membership.objects.create(user=User.objects.create_user(role.value), shop=shop, role=role)
    Machine.objects.create(shop=shop, name="Knife", kind=MachineKind.CUTTER)
    for name in ("Ann", "Ben"):
        Person.objects.create(shop=shop, name=name)
    return shop


@pytest.fixture
def job(shop: Shop) -> Job:
    made = job_create(shop=shop, job_type=JobType.objects.of(shop).get(name="Vehicle graphics"), title="Van")
    ann = Person.objects.get(name="Ann").pk
    weed, mask = stage(made, "weed"), stage(made, "mask")
    send(
        shop,
        Tap(UUID(int=1), "start", weed.pk, at(0), person=ann),
        Tap(UUID(int=2), "next", weed.pk, at(30), person=ann, to_stage=mask.pk),
        Tap(UUID(int=3), "finish", mask.pk, at(50), person=ann),
    )
    return made


@pytest.fixture
def maker(shop: Shop) -> Client:
    return logged_in("maker")


@pytest.fixture
def owner(shop: Shop) -> Client:
    return logged_in("owner")


def logged_in(name: str) -> Client:
    client = Client()
    client.force_login(User.objects.get(username=name), "django.contrib.auth.backends.ModelBackend")
    return client


def stage(job: Job, key: str) -> Stage:
    return job.stages.select_related("job__shop", "kind").get(kind__key=key)


def at(minute: float) -> datetime:
    return NINE + timedelta(minutes=minute)


def send(shop: Shop, *taps: Tap, late: timedelta = timedelta(0)) -> None:
    moment = max(tap.at for tap in taps) + late
    outcome = record_taps(shop=shop, user=None, taps=taps, sent_at=moment, received_at=moment, device="phone")
    assert [one.problem for one in outcome.results if one.problem] == []


def wall(minute: float) -> str:
    """As the shop's clock shows it."""
    return f"{at(minute) + timedelta(hours=1):%Y-%m-%dT%H:%M:%S}"


def record(client: Client, job: Job, **query: object) -> str:
    return client.get(reverse("jobs:record", args=[job.number]), query).content.decode()


def address(job: Job, what: str, event: int | None = None) -> str:
    query = f"?event={UUID(int=event)}" if event else ""
    return reverse("jobs:correct", args=[job.number, what]) + query


def hidden(page: str, name: str) -> str:
    return page.split(f'name="{name}" value="', 1)[1].split('"', 1)[0]


def looked(client: Client, where: str, **typed: object) -> dict[str, object]:
    """What was typed, with what the page adds once it has shown what changes."""
    answer = client.post(where, {**typed, "step": "look", "key": str(uuid4())})
    page = answer.content.decode()
    assert answer.status_code == 200, page
    assert "What changes" in page
    found = {name: hidden(page, name) for name in ("key", "state", "seen")}
    return {**typed, **found, "step": "save"}


# What the record says


def test_every_press_is_listed_by_the_shops_clock(maker, job):
    page = record(maker, job)
    assert page.index("09:00:00") < page.index("09:30:00") < page.index("09:50:00")
    assert "Finished, Mask started" in " ".join(page.split())
    assert page.count('class="record-line"') == 3


def test_one_stage_can_be_shown_alone(maker, job):
    page = record(maker, job, stage=stage(job, "mask").pk)
    assert page.count('class="record-line"') == 2  # the turn to it, and its finish
    assert "09:00:00" not in page


def test_a_clock_that_was_put_right_is_said_with_the_device(maker, shop, job):
    off = timedelta(hours=2, minutes=3)
    tap = Tap(UUID(int=9), "start", stage(job, "cut").pk, at(60) - off, offset=off, name_unproven=True)
    moment = at(60)
    record_taps(
        shop=shop, user=None, taps=[tap], sent_at=moment - off, received_at=moment, device="0a1b2c3d4e5f"
    )
    page = record(maker, job)
    assert "clock of device 4e5f was 2 h 03 min slow, put right" in page
    assert "name taken without PIN" in page
    assert "10:00:00" in page


def test_a_press_that_came_late_says_so(maker, shop, job):
    send(shop, Tap(UUID(int=9), "start", stage(job, "cut").pk, at(60)), late=timedelta(hours=3))
    assert "arrived 3 h later" in record(maker, job)


def test_what_was_taken_back_is_struck_with_by_whom(maker, shop, job):
    ben = Person.objects.get(name="Ben").pk
    send(shop, Tap(UUID(int=9), "void", stage(job, "mask").pk, at(51), person=ben, corrects=UUID(int=3)))
    page = record(maker, job)
    assert "is-gone" in page
    assert "Taken back by Ben" in page


def test_what_was_moved_says_why_in_both_places(maker, job):
    user = User.objects.get(username="maker")
    correct(job, Move(UUID(int=3), at(45)), reason="Pressed late", user=user, now=NOW)
    page = record(maker, job)
    assert page.count("is-gone") == 1
    assert "Time moved by maker" in page
    assert "time moved by maker: Pressed late" in page
    assert "Hands-on, Ann" in page
    assert "09:30:00 to 09:45:00" in page
    assert "15 min" in page


def test_an_undone_correction_stays_in_the_list_of_corrections_only(maker, job):
    made = correct(job, Move(UUID(int=3), at(45)), reason="Pressed late", user=None, now=NOW)
    undo(made, user=None, now=NOW)
    page = record(maker, job)
    assert "is-gone" not in page
    assert "undone</span>" in page


def test_a_job_with_nothing_clocked_says_what_to_do(maker, shop):
    empty = job_create(shop=shop, job_type=JobType.objects.of(shop)[0], title="Sign")
    page = record(maker, empty)
    assert "Nothing was clocked on this job yet" in page
    assert reverse("jobs:correct", args=[empty.number, "add"]) in page


def test_a_viewer_does_not_see_the_record(shop, job):
    assert logged_in("viewer").get(reverse("jobs:record", args=[job.number])).status_code == 403


def test_the_file_for_a_spreadsheet_has_every_press(maker, job):
    correct(job, Move(UUID(int=3), at(45)), reason="=1+1", user=None, now=NOW)
    answer = maker.get(reverse("jobs:record-csv", args=[job.number]))
    rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
    assert [(row["kind"], row["counts"]) for row in rows] == [
        ("start", "yes"),
        ("next", "yes"),
        ("finish", "yes"),
        ("finish", "no"),
    ]
    assert rows[0]["at"].endswith("T09:00:00.000+01:00")
    assert rows[2]["reason"] == "'=1+1"
    assert rows[3]["why_not"].startswith("Time moved")


def test_the_job_and_its_stopwatch_lead_to_the_record(maker, job):
    for name in ("jobs:job", "jobs:stopwatch", "analytics:job-time"):
        page = maker.get(reverse(name, args=[job.number])).content.decode()
        assert reverse("jobs:record", args=[job.number]) in page, name


# Putting right


def test_a_time_is_put_right_after_looking(maker, job):
    where = address(job, "move", 3)
    assert f'value="{wall(50)}"' in maker.get(where).content.decode()
    typed = looked(maker, where, at=wall(40), reason="Pressed late")
    assert not Correction.objects.exists()  # looking writes nothing
    answer = maker.post(where, typed, follow=True)
    assert answer.redirect_chain == [(reverse("jobs:record", args=[job.number]), 302)]
    assert "Time moved: saved." in answer.content.decode()
    assert stage(job, "mask").finished_at == at(40)
    assert Correction.objects.get().by == User.objects.get(username="maker")


def test_a_form_sent_twice_saves_once(maker, job):
    where = address(job, "move", 3)
    typed = looked(maker, where, at=wall(40), reason="Pressed late")
    maker.post(where, typed)
    answer = maker.post(where, typed, follow=True)
    assert answer.status_code == 200
    assert Correction.objects.count() == 1


def test_saving_without_a_reason_asks_for_one_and_keeps_what_was_shown(maker, job):
    where = address(job, "move", 3)
    answer = maker.post(where, looked(maker, where, at=wall(40), reason=""))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Say why, in a few words." in page
    assert "What changes" in page
    assert not Correction.objects.exists()


def test_what_is_saved_is_what_was_looked_at(maker, job):
    where = address(job, "move", 3)
    typed = looked(maker, where, at=wall(40), reason="Pressed late")
    answer = maker.post(where, {**typed, "at": wall(41)})
    assert "You changed something after looking" in answer.content.decode()
    assert not Correction.objects.exists()


def test_a_clock_that_moved_meanwhile_is_shown_with_what_was_typed(maker, shop, job):
    where = address(job, "move", 3)
    typed = looked(maker, where, at=wall(40), reason="Pressed late")
    send(shop, Tap(UUID(int=9), "start", stage(job, "cut").pk, at(60)))
    answer = maker.post(where, typed)
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "moved meanwhile" in page
    assert f'value="{wall(40)}"' in page
    assert not Correction.objects.exists()
    again = {**typed, "state": hidden(page, "state")}
    maker.post(where, again)
    assert Correction.objects.count() == 1


def test_a_refusal_stands_at_its_field(maker, job):
    answer = maker.post(address(job, "move", 3), {"at": wall(20), "reason": "x", "step": "look"})
    assert answer.status_code == 422
    assert "stands before it, at" in answer.content.decode()
    form = answer.context["form"]
    assert list(form.errors) == ["at"]


def test_a_time_that_was_not_touched_keeps_its_fraction_of_a_second(maker, shop, job):
    ann = Person.objects.get(name="Ann").pk
    starts = at(60) + timedelta(milliseconds=250)
    change = AddSitting(stage(job, "cut"), starts, at(80), ann)
    event = correct(job, change, reason="x", user=None, now=NOW).events.get()
    where = f"{reverse('jobs:correct', args=[job.number, 'move'])}?event={event.pk}"
    typed = looked(
        maker, where, at=f"{starts + timedelta(hours=1):%Y-%m-%dT%H:%M:%S}", until=wall(75), reason="x"
    )
    maker.post(where, typed)
    assert ClockEvent.objects.get(corrects=event.pk).at == starts


def test_a_press_that_no_longer_counts_leads_back(maker, job):
    correct(job, Move(UUID(int=3), at(45)), reason="x", user=None, now=NOW)
    answer = maker.get(address(job, "move", 3), follow=True)
    assert "no longer counts" in answer.content.decode()
    assert "Choose a press" in maker.get(address(job, "move"), follow=True).content.decode()
    assert maker.get(reverse("jobs:correct", args=[job.number, "nonsense"])).status_code == 404


def test_taking_a_press_back(maker, job):
    where = address(job, "take-back", 3)
    maker.post(where, looked(maker, where, reason="Pressed by mistake"))
    assert stage(job, "mask").state == StageState.RUNNING


def test_splitting_a_stage(maker, job):
    where = address(job, "split")
    facts = {"stage": stage(job, "weed").pk, "to_stage": stage(job, "cut").pk, "at": wall(20)}
    maker.post(where, looked(maker, where, reason="Wrong stage", done="on", **facts))
    assert Interval.objects.get(stage=stage(job, "weed")).ends_at == at(20)
    assert Interval.objects.get(stage=stage(job, "cut")).ends_at == at(30)


def test_a_stop_that_was_forgotten(maker, shop, job):
    ann, cut = Person.objects.get(name="Ann"), stage(job, "cut")
    send(shop, Tap(UUID(int=9), "start", cut.pk, at(60), person=ann.pk))
    where = address(job, "forgotten")
    page = maker.get(where).content.decode()
    assert f'<option value="{cut.pk}" selected>' in page  # what still runs is most likely meant
    assert f'<option value="{ann.pk}" selected>' in page
    facts = {"stage": cut.pk, "person": ann.pk, "stopped_at": wall(70), "machine_too": "on"}
    maker.post(where, looked(maker, where, reason="Stop was forgotten", **facts))
    assert Interval.objects.get(stage=cut).ends_at == at(70)
    assert stage(job, "cut").state == StageState.PUT_ASIDE


def test_adding_what_was_not_clocked_and_refusing_what_cannot_be(maker, job):
    ann, where = Person.objects.get(name="Ann"), address(job, "add")
    facts = {"stage": stage(job, "cut").pk, "person": ann.pk, "reason": "Not clocked at the time"}
    answer = maker.post(where, {**facts, "starts": wall(40), "ends": wall(60), "step": "look"})
    assert answer.status_code == 422
    assert "at once, from" in answer.content.decode()
    maker.post(where, looked(maker, where, starts=wall(60), ends=wall(80), finished="on", **facts))
    assert stage(job, "cut").finished_at == at(80)


def test_a_timed_sheet_is_read_shown_and_saved(maker, job):
    ann, where, cut = Person.objects.get(name="Ann"), address(job, "sheet"), stage(job, "cut")
    Element.objects.filter(kind=cut.kind).delete()
    facts = {
        "stage": cut.pk,
        "person": ann.pk,
        "reading": "continuous",
        "day": f"{at(60):%Y-%m-%d}",
        "begins": "10:00:00",
        "text": "load the film  2:00\ncut test  3:15\n",
        "reason": "From a timed sheet",
    }
    answer = maker.post(where, {**facts, "step": "look"}, headers={"X-Part": "1"})
    part = answer.content.decode()
    assert "<html" not in part
    assert "load the film, cut test: not among this stage" in part
    assert "3:15" in part
    maker.post(where, looked(maker, where, **facts))
    assert list(
        Lap.objects.filter(stage=cut).order_by("starts_at").values_list("element__name", "seconds")
    ) == [
        ("load the film", 120.0),
        ("cut test", 75.0),
    ]
    assert Lap.objects.filter(stage=cut).earliest("starts_at").starts_at == at(60)


def test_a_wrong_line_of_a_sheet_is_named(maker, job):
    facts = {
        "stage": stage(job, "cut").pk,
        "reading": "flyback",
        "day": f"{at(60):%Y-%m-%d}",
        "begins": "10:00",
    }
    answer = maker.post(address(job, "sheet"), {**facts, "text": "load 2:00\ncut  1:99", "step": "look"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Line 1, column 1: one space stands before the reading" in page
    assert "Line 2, column 6: 1:99 has more than 59" in page
    assert "load 2:00" in page


@pytest.mark.parametrize(
    ("typed", "near", "instant"),
    [
        ("2026-10-25T01:30", None, "2026-10-24T23:30"),
        ("2026-10-25T02:30", None, "2026-10-25T00:30"),  # it came twice: the first
        ("2026-10-25T02:30", "2026-10-25T01:10", "2026-10-25T01:30"),  # the one nearer to what it was
        ("2026-10-25T02:30:00", "2026-10-25T01:30", "2026-10-25T01:30"),
        ("2026-10-25T03:30", "2026-10-25T01:10", "2026-10-25T02:30"),
        ("2026-03-29T03:10", None, "2026-03-29T01:10"),
    ],
)
def test_a_time_is_read_on_the_nights_when_the_clocks_change(shop, typed, near, instant):
    shop.time_zone = "Europe/Berlin"
    field = LocalTime()
    field.set_shop(shop, datetime.fromisoformat(f"{near}Z") if near else None)
    assert field.clean(typed) == datetime.fromisoformat(f"{instant}Z")


def test_a_time_that_the_clock_never_showed_is_refused(shop):
    shop.time_zone = "Europe/Berlin"
    field = LocalTime()
    field.set_shop(shop, None)
    with pytest.raises(ValidationError, match="was not on the clock that day"):
        field.clean("2026-03-29T02:10")


@pytest.mark.parametrize("day", ["0001-01-01", "0026-03-02", "9999-12-31"])
def test_a_year_that_cannot_be_is_refused_at_a_time_and_at_a_sheets_day(maker, shop, job, day):
    for zone in ("Asia/Kolkata", "America/New_York"):  # the ends of the calendar overflow on either side
        Shop.objects.filter(pk=shop.pk).update(time_zone=zone)
        typed = {
            "stage": stage(job, "cut").pk,
            "reading": "clock",
            "text": "start 8:00\ncut  8:10",
            "day": day,
        }
        times = {"starts": f"{day}T00:00", "ends": f"{day}T23:59", "begins": "08:00", "step": "look"}
        for what in ("add", "sheet"):
            answer = maker.post(address(job, what), {**typed, **times})
            assert answer.status_code == 422
            assert f"{day[:4]} cannot be the year" in answer.content.decode()


def test_what_the_page_asks_the_database_does_not_grow_with_what_was_put_right(maker, job):
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            record(maker, job)
        return len(queries)

    correct(job, Move(UUID(int=3), at(45)), reason="x", user=None, now=NOW - timedelta(minutes=45))
    before = asked()
    for minute in (44, 43, 42):
        last = ClockEvent.objects.filter(correction__isnull=False).order_by("received_at").last()
        correct(job, Move(last.pk, at(minute)), reason="x", user=None, now=NOW - timedelta(minutes=minute))
    assert asked() == before


# Undoing


def test_an_owner_undoes_and_undoes_the_undoing(owner, job):
    made = correct(job, Move(UUID(int=3), at(45)), reason="x", user=None, now=NOW)
    where = reverse("jobs:correction-undo", args=[job.number])
    owner.post(where, {"correction": made.pk})
    assert stage(job, "mask").finished_at == at(50)
    owner.post(where, {"correction": Correction.objects.get(undoes=made).pk})
    assert stage(job, "mask").finished_at == at(45)
    answer = owner.post(where, {"correction": made.pk}, follow=True)
    assert "undone already" in answer.content.decode()


def test_makers_undo_what_they_did_a_moment_ago_and_nothing_older(maker, job):
    user, now = User.objects.get(username="maker"), NOW
    where = reverse("jobs:correction-undo", args=[job.number])
    old = correct(job, Move(UUID(int=3), at(45)), reason="x", user=user, now=now - timedelta(minutes=1))
    answer = maker.post(where, {"correction": old.pk}, follow=True)
    assert "Only an owner can undo that now" in answer.content.decode()
    fresh = correct(job, Move(UUID(int=1), at(-5)), reason="x", user=user, now=now)
    maker.post(where, {"correction": fresh.pk})
    assert Correction.objects.filter(undoes=fresh).exists()
    assert not Correction.objects.filter(undoes=old).exists()


def test_a_correction_is_no_press_to_take_back_on_the_floor(maker, job):
    user = User.objects.get(username="maker")
    correct(job, Move(UUID(int=3), at(45)), reason="x", user=user, now=NOW)
    assert maker.get(reverse("jobs:pack")).json()["last_press"] is None


# The picture


def span(starts: datetime, ends: datetime, kind: str = "hands_on") -> RecordSpan:
    return RecordSpan(kind, starts, ends, "Ann")


def test_a_day_that_is_an_hour_longer_is_not_stretched(shop):
    shop.time_zone = "Europe/Berlin"  # on 25 October 2026 the hour from two to three comes twice
    night = datetime(2026, 10, 24, 23, 0, tzinfo=UTC)
    rows = [Row("Weed", 0, [span(night, night + timedelta(hours=4))])]
    picture = day_picture(rows, datetime(2026, 10, 25).date(), shop.zone, 400)
    assert picture is not None
    assert picture.lines[0].boxes[0].width == 400
    assert [tick.label for tick in picture.ticks if tick.label].count("02:00") == 2


def test_what_overlaps_stands_below_each_other_and_pauses_between():
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)
    hour = timedelta(hours=1)
    spans = [
        span(start, start + hour),
        span(start + hour, start + 2 * hour, "interruption"),
        span(start + hour / 2, start + hour),
        span(start, start + hour, "machine"),
    ]
    picture = both_picture([Row("Before", 0, []), Row("After", 0, spans)], UTC, 600)  # type: ignore[arg-type]
    assert picture is not None
    before, after = picture.lines
    assert (before.boxes, before.ground_height) == ((), 20.0)
    tops = [box.y for box in after.boxes]
    assert tops[0] == tops[1] < tops[2] < tops[3]
    assert all(box.x >= 0 and box.x + box.width <= 600.001 for box in after.boxes)
    assert both_picture([Row("Before", 0, [])], UTC, 600) is None  # type: ignore[arg-type]


def test_days_with_only_a_hold_have_no_picture():
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)
    hold = span(start, start + timedelta(days=3), "hold")
    assert days_of([hold], UTC) == []  # type: ignore[arg-type]
    assert day_picture([Row("Outgas", 0, [hold])], start.date(), UTC, 300) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(7, "7 s"), (-125, "2 min"), (7380, "2 h 03 min"), (10800, "3 h"), (3 * 86400 + 5, "3 days")],
)
def test_lengths_in_words(seconds, words):
    assert span_words(timedelta(seconds=seconds)) == words
