"""POST /api/v1/taps: each tap once, each by itself, by the server's clock; and what can be read beside it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from jobs.models import (
    Cause,
    ClockEvent,
    Element,
    Interval,
    Job,
    JobStatus,
    JobType,
    Lap,
    Stage,
    StageKind,
    StageState,
)
from jobs.selectors.floor import watches
from jobs.services.jobs import job_create
from jobs.services.stages import stage_leave_out
from shop.models import Machine, MachineKind, Media, Membership, Person, Process, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


def shop_with_a_job(slug: str) -> Job:
    shop = shop_create(slug=slug, name="Quay Signs")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    Person.objects.create(shop=shop, name="Ann")
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        process=Process.objects.of(shop).get(name="Latex"),
    )


@pytest.fixture
def job() -> Job:
    return shop_with_a_job("quay")


@pytest.fixture
def weed(job) -> Stage:
    return job.stages.get(kind__key="weed")


def client_of(shop: Shop, role: Role = Role.MAKER) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def maker(job) -> Client:
    return client_of(job.shop)


def tap(stage: Stage, kind: str = "start", at: datetime = NOW, **more) -> dict[str, object]:
    person = Person.objects.of(stage.shop).get(name="Ann").pk
    return {
        "id": str(uuid4()),
        "kind": kind,
        "stage": stage.pk,
        "person": person,
        "at": at.isoformat(),
        **more,
    }


def post(client: Client, *taps, sent_at: datetime = NOW, status: int = 200, **more):
    body = {"sent_at": sent_at.isoformat(), "device": "phone", "taps": taps, **more}
    response = client.post(reverse("api-taps"), json.dumps(body), content_type="application/json")
    assert response.status_code == status, response.content
    return response.json()


def statuses(answer) -> list[str]:
    return [one["status"] for one in answer["results"]]


def test_a_tap_is_stored_and_answered_with_the_stage_as_it_now_is(maker, job, weed):
    one = tap(weed)
    answer = post(maker, one)
    job.shop.refresh_from_db()
    assert answer["results"] == [{"id": one["id"], "status": "stored"}]
    assert (answer["received_at"], answer["offset_ms"]) == ("2026-03-02T12:00:00Z", 0)
    assert answer["revision"] == job.shop.revision
    (stage,) = answer["stages"]
    assert (stage["id"], stage["job"], stage["state"]) == (weed.pk, job.number, "running")


def test_a_tap_sent_again_counts_once_in_the_same_sending_or_a_later_one(maker, weed):
    one = tap(weed)
    assert statuses(post(maker, one, one)) == ["stored", "known"]
    assert statuses(post(maker, one)) == ["known"]
    assert (ClockEvent.objects.count(), Interval.objects.count()) == (1, 1)


def test_a_tap_sent_again_counts_once_although_the_devices_clock_was_put_right_between(maker, weed, clock):
    one = tap(weed, at=NOW - timedelta(hours=1))
    post(maker, one, sent_at=NOW - timedelta(hours=1))
    clock.shift(60)
    assert statuses(post(maker, one, sent_at=NOW + timedelta(seconds=60))) == ["known"]
    assert ClockEvent.objects.get().at == NOW


def test_the_same_id_with_other_content_is_refused(maker, weed):
    one = tap(weed)
    answer = post(maker, one, {**one, "kind": "finish"})
    assert statuses(answer) == ["stored", "refused"]
    assert "already used" in answer["results"][1]["problem"]["detail"]
    assert ClockEvent.objects.get().kind == "start"


def test_five_hundred_taps_are_taken_and_one_more_is_too_many(maker, weed):
    kinds = ["start", "pause"]
    taps = [tap(weed, kinds[i % 2], NOW - timedelta(minutes=600 - i)) for i in range(500)]
    assert set(statuses(post(maker, *taps))) == {"stored"}
    assert Interval.objects.filter(kind="hands_on").count() == 250
    problem = post(maker, *taps, tap(weed), status=400)
    assert "500" in str(problem["errors"]["taps"])
    assert ClockEvent.objects.count() == 500


@pytest.mark.parametrize("off", [timedelta(hours=3), -timedelta(hours=3), timedelta(seconds=6)])
def test_a_device_whose_clock_is_wrong_is_put_right(maker, weed, off):
    answer = post(maker, tap(weed, at=NOW + off - timedelta(minutes=10)), sent_at=NOW + off)
    event = ClockEvent.objects.get()
    assert event.at == NOW - timedelta(minutes=10)
    assert event.device_at == NOW + off - timedelta(minutes=10)
    assert answer["offset_ms"] == -off / timedelta(milliseconds=1)


def test_a_device_that_is_a_few_seconds_off_is_taken_at_its_word(maker, weed):
    post(maker, tap(weed, at=NOW - timedelta(minutes=1)), sent_at=NOW - timedelta(seconds=4))
    assert ClockEvent.objects.get().at == NOW - timedelta(minutes=1)


def test_taps_from_the_future_happened_by_the_time_they_arrived_in_their_own_order(maker, weed):
    answer = post(
        maker, tap(weed, "finish", NOW + timedelta(days=2)), tap(weed, at=NOW + timedelta(seconds=3))
    )
    moments = dict(ClockEvent.objects.values_list("kind", "at"))
    assert NOW - timedelta(seconds=1) < moments["start"] < moments["finish"] == NOW
    assert answer["stages"][0]["state"] == "finished"


@pytest.mark.parametrize(
    ("at", "sent_at"),
    [
        (datetime(9999, 12, 31, tzinfo=UTC), datetime(2, 1, 1, tzinfo=UTC)),
        (datetime(2, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)),
        (datetime(2001, 1, 1, tzinfo=UTC), NOW),
    ],
)
def test_a_clock_that_is_out_of_its_mind_breaks_nothing(maker, weed, at, sent_at):
    answer = post(maker, tap(weed, at=at), sent_at=sent_at)
    assert statuses(answer) in (["stored"], ["refused"])
    if statuses(answer) == ["refused"]:
        assert "clock" in answer["results"][0]["problem"]["detail"]
    assert all(event.at == NOW for event in ClockEvent.objects.all())


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"kind": "dance"}, "kind"),
        ({"kind": "sitting"}, "kind"),
        ({"at": "yesterday"}, "at"),
        ({"stage": -1}, "stage"),
        ({"stage": 2**70}, "stage"),
        ({"stage": 10**9}, "stage"),
        ({"person": 10**9}, "person"),
        ({"machine": 10**9}, "machine"),
        ({"cause": 10**9}, "cause"),
        ({"kind": "next"}, "to_stage"),
        ({"kind": "void"}, "corrects"),
        ({"corrects": str(uuid4())}, "void"),
        ({"element": 10**9, "kind": "lap"}, "element"),
        ({"scrapped": 1}, "again"),
        ({"kind": "again", "scrapped": -1}, "scrapped"),
        ({"kind": "again", "wasted_m": -0.5}, "wasted_m"),
        ({"kind": "again", "wasted_m": "inf"}, "wasted_m"),
        ({"kind": "again", "wasted_m": "nan"}, "wasted_m"),
        ({"note": "x" * 201}, "note"),
        ({"offset_ms": 10**18}, "offset_ms"),
        ({"until": NOW.isoformat(), "kind": "sitting"}, "kind"),
    ],
)
def test_a_tap_that_makes_no_sense_is_refused_by_name_and_does_not_hold_up_the_others(
    maker, weed, wrong, word
):
    bad, good = {**tap(weed), **wrong}, tap(weed)
    answer = post(maker, bad, good)
    result = {one["id"]: one for one in answer["results"]}
    assert result[good["id"]]["status"] == "stored"
    assert result[bad["id"]]["status"] == "refused"
    assert word in result[bad["id"]]["problem"]["detail"]
    assert ClockEvent.objects.count() == 1


def test_a_tap_with_a_number_for_its_id_is_refused_like_any_other(maker, weed):
    answer = post(maker, {**tap(weed, "dance"), "id": 5}, tap(weed))
    assert sorted(statuses(answer)) == ["refused", "stored"]
    assert str(UUID(int=5)) in [one["id"] for one in answer["results"] if one["status"] == "refused"]


def test_a_stage_that_was_left_out_while_a_device_had_no_connection_is_in_its_job_again(maker, job, weed):
    stage_leave_out(weed)
    pressed = tap(weed, at=NOW - timedelta(minutes=20))
    (stage,) = post(maker, pressed)["stages"]
    assert (stage["id"], stage["left_out"], stage["state"]) == (weed.pk, False, "running")
    job.refresh_from_db()
    assert job.status == JobStatus.IN_HAND
    assert [watch.stage for watch in watches(job.shop)] == [weed]


def test_a_stage_left_out_stays_so_where_its_press_was_taken_back(maker, weed):
    stage_leave_out(weed)
    pressed = tap(weed, at=NOW - timedelta(minutes=20))
    post(maker, pressed, tap(weed, "void", corrects=pressed["id"]))
    weed.refresh_from_db()
    assert weed.left_out


def test_an_element_belongs_to_the_kind_of_its_stage_and_is_ended_by_what_ends_one(maker, job, weed):
    own = Element.objects.create(shop=job.shop, kind=weed.kind, name="Lift two corners")
    other = Element.objects.create(
        shop=job.shop, kind=StageKind.objects.of(job.shop).get(key="print"), name="Purge"
    )
    post(maker, tap(weed, at=NOW - timedelta(minutes=9)))
    answer = post(
        maker,
        tap(weed, "lap", NOW - timedelta(minutes=4), element=own.pk),
        tap(weed, "lap", element=other.pk),
        tap(weed, "pause", element=own.pk),
    )
    assert statuses(answer) == ["stored", "refused", "refused"]
    assert "does not belong to" in answer["results"][1]["problem"]["detail"]
    (lap,) = Lap.objects.all()
    assert (lap.element, lap.seconds, lap.stage) == (own, 300, weed)


def test_work_done_again_opens_the_stages_between_with_cause_and_what_was_wasted(maker, job, weed):
    cut, install = job.stages.get(kind__key="cut"), job.stages.get(kind__key="install")
    cause = Cause.objects.of(job.shop).first()
    post(
        maker,
        tap(cut, at=NOW - timedelta(minutes=50)),
        tap(cut, "next", NOW - timedelta(minutes=40), to_stage=weed.pk),
        tap(weed, "finish", NOW - timedelta(minutes=30)),
    )
    again = tap(weed, "again", to_stage=cut.pk, cause=cause.pk, scrapped=2, wasted_m=1.25, note="Lifted edge")
    answer = post(maker, again)
    assert {one["name"]: one["state"] for one in answer["stages"]} == {
        "Cut": "put_aside",
        "Weed": "put_aside",
    }
    event = ClockEvent.objects.get(kind="again")
    assert (event.scrapped, event.wasted_m, event.cause, event.note) == (2, 1.25, cause, "Lifted edge")
    backwards = tap(cut, "again", to_stage=weed.pk)
    unbegun = tap(install, "again")
    assert statuses(post(maker, backwards, unbegun)) == ["refused", "refused"]


def test_work_may_be_said_to_be_done_again_in_one_sending_with_its_beginning(maker, weed):
    taps = [tap(weed, "again", NOW), tap(weed, at=NOW - timedelta(minutes=5))]
    assert statuses(post(maker, *taps)) == ["stored", "stored"]
    marks = Interval.objects.filter(kind="hands_on").order_by("starts_at").values_list("again", "ends_at")
    assert list(marks) == [(False, NOW), (True, None)]


def test_what_was_clocked_is_vouched_for_without_moving_it(maker, weed):
    post(maker, tap(weed, at=NOW - timedelta(minutes=5)))
    before = list(Interval.objects.values())
    digest = Stage.objects.get(pk=weed.pk).fold_digest
    post(maker, tap(weed, "vouch"))
    assert Stage.objects.get(pk=weed.pk).fold_digest != digest
    assert [{**row, "id": 0} for row in Interval.objects.values()] == [{**row, "id": 0} for row in before]


def test_each_tap_is_moved_by_the_offset_that_its_device_knew_when_it_was_pressed(maker, weed):
    """The device's clock was three hours slow, and was put right between the presses and the sending."""
    slow = tap(weed, at=NOW - timedelta(hours=4), offset_ms=3 * 3_600_000)
    near = tap(weed, "pause", NOW - timedelta(minutes=30), offset_ms=4_999)
    plain = tap(weed, "finish", NOW - timedelta(minutes=10))
    post(maker, slow, near, plain)
    assert dict(ClockEvent.objects.values_list("kind", "at")) == {
        "start": NOW - timedelta(hours=1),
        "pause": NOW - timedelta(minutes=30),
        "finish": NOW - timedelta(minutes=10),
    }
    assert ClockEvent.objects.get(kind="start").device_at == NOW - timedelta(hours=4)


def test_no_tap_happened_later_than_it_was_received_whatever_its_own_offset_says(maker, weed):
    post(maker, tap(weed, offset_ms=10**14))
    assert ClockEvent.objects.get().at == NOW


@pytest.mark.parametrize(
    "other",
    [
        {"element": None},
        {"note": "other"},
        {"name_unproven": False},
        {"scrapped": 3},
        {"wasted_m": 0.25},
        {"cause": None},
    ],
)
def test_the_same_id_is_a_repeat_only_if_all_that_it_says_is_the_same(maker, job, weed, other):
    element = Element.objects.create(shop=job.shop, kind=weed.kind, name="Lift two corners")
    cause = Cause.objects.of(job.shop).first()
    start = tap(weed, at=NOW - timedelta(minutes=5))
    again = tap(weed, "again", scrapped=2, wasted_m=0.5, cause=cause.pk, note="one", name_unproven=True)
    lap = tap(weed, "lap", element=element.pk, note="one", name_unproven=True)
    one = lap if "element" in other else again
    assert statuses(post(maker, start, one, one)) == ["stored", "stored", "known"]
    assert statuses(post(maker, {**one, **other})) == ["refused"]
    assert ClockEvent.objects.get(pk=one["id"]).name_unproven


def test_next_leads_to_a_stage_of_the_same_job_only(maker, job, weed):
    other = shop_with_a_job("lane").stages.first()
    same_shop = job_create(shop=job.shop, job_type=job.job_type, title="Second", process=job.process)
    for foreign in (other, same_shop.stages.first(), weed):
        assert statuses(post(maker, tap(weed, "next", to_stage=foreign.pk))) == ["refused"]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"sent_at": "2026-03-02T12:00Z"},
        {"sent_at": "2026-03-02T12:00Z", "taps": []},
        {"sent_at": "soon", "taps": [{"id": "1"}]},
        {"sent_at": "2026-03-02T12:00Z", "taps": [{"kind": "start"}]},
        {"sent_at": "2026-03-02T12:00Z", "taps": ["start"]},
        [],
    ],
)
def test_a_sending_that_cannot_be_answered_tap_by_tap_is_a_problem(maker, body):
    response = maker.post(reverse("api-taps"), json.dumps(body), content_type="application/json")
    assert response.status_code == 400
    assert response["Content-Type"] == "application/problem+json"
    assert response.json()["status"] == 400
    assert ClockEvent.objects.count() == 0


def test_broken_json_is_a_problem(maker):
    response = maker.post(reverse("api-taps"), "{", content_type="application/json")
    assert (response.status_code, response["Content-Type"]) == (400, "application/problem+json")


def test_another_shops_rows_do_not_exist_and_its_ids_cannot_be_taken(maker, weed):
    other = shop_with_a_job("lane")
    foreign = other.stages.get(kind__key="weed")
    answer = post(maker, tap(foreign), {**tap(weed), "person": Person.objects.of(other.shop).get().pk})
    assert statuses(answer) == ["refused", "refused"]
    used = tap(foreign)
    assert statuses(post(client_of(other.shop), used)) == ["stored"]
    assert statuses(post(maker, {**tap(weed), "id": used["id"]})) == ["refused"]
    assert statuses(post(maker, tap(weed, "void", corrects=used["id"]))) == ["stored"]
    foreign.refresh_from_db()
    assert foreign.state == StageState.RUNNING


def test_a_device_of_another_shop_sends_nothing_here(maker, weed):
    sending = {"sent_at": NOW.isoformat(), "shop": weed.shop_id + 1, "taps": [tap(weed)]}
    url = reverse("api-taps")
    answer = maker.post(url, json.dumps(sending), content_type="application/json")
    assert answer.status_code == 403
    assert "another shop" in answer.json()["detail"]
    assert ClockEvent.objects.count() == 0
    own = {**sending, "shop": weed.shop_id}
    assert statuses(maker.post(url, json.dumps(own), content_type="application/json").json()) == ["stored"]


@pytest.mark.parametrize(("role", "status"), [(Role.VIEWER, 403), (Role.PLANNER, 200), (Role.OWNER, 200)])
def test_a_viewer_may_not_clock_and_everybody_above_may(job, weed, role, status):
    post(client_of(job.shop, role), tap(weed), status=status)
    assert ClockEvent.objects.exists() is (status == 200)


def test_without_a_log_in_nothing_is_stored(weed):
    post(Client(), tap(weed), status=403)
    assert ClockEvent.objects.count() == 0


def test_a_page_of_another_site_cannot_clock(job, weed):
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = client_of(job.shop).cookies
    post(strict, tap(weed), status=403)
    assert not ClockEvent.objects.exists()


def test_a_tap_is_taken_back_whichever_of_the_two_arrives_first(maker, weed):
    one = tap(weed)
    post(maker, tap(weed, "void", corrects=one["id"]))
    assert post(maker, one)["stages"][0]["state"] == "waiting"
    assert Interval.objects.count() == 0
    assert ClockEvent.objects.count() == 2


def test_events_are_never_changed_or_deleted(maker, weed):
    post(maker, tap(weed))
    event = ClockEvent.objects.get()
    with pytest.raises(TypeError, match="never changed"):
        event.save()
    with pytest.raises(TypeError, match="never deleted"):
        event.delete()


def test_two_stages_on_one_machine_are_a_clash_that_is_told(maker, job, clock):
    knife = Machine.objects.create(shop=job.shop, name="Knife", kind=MachineKind.CUTTER)
    ben = Person.objects.create(shop=job.shop, name="Ben")
    cut = job.stages.get(kind__key="cut")
    other = job_create(shop=job.shop, job_type=job.job_type, title="Second", process=job.process)
    post(maker, tap(cut, machine=knife.pk))
    second = tap(other.stages.get(kind__key="cut"), person=ben.pk, machine=knife.pk)
    answer = post(maker, second)
    assert [(c["name"], len(c["stages"])) for c in answer["clashes"]] == [("Knife", 2)]
    for page in (reverse("jobs:floor"), reverse("jobs:stopwatch", args=[other.number])):
        assert "is clocked on more than it takes" in maker.get(page).content.decode()
    assert maker.get(reverse("jobs:floor")).context["crowds"][0].stages[0] == cut
    clock.shift(60)
    assert post(maker, tap(cut, "finish", NOW + timedelta(minutes=1)))["clashes"] == []


def test_jobs_are_listed_by_the_page_and_found(maker, job):
    job_create(shop=job.shop, job_type=job.job_type, title="Shop window", process=job.process)
    shop_with_a_job("lane")
    listed = maker.get(reverse("api-jobs"), {"limit": 1}).json()
    assert (listed["count"], len(listed["results"])) == (2, 1)
    assert listed["next"]
    found = maker.get(reverse("api-jobs"), {"q": "window"}).json()
    assert [one["title"] for one in found["results"]] == ["Shop window"]


def test_one_job_is_read_with_its_stages_and_another_shops_is_not_found(maker, job):
    read = maker.get(reverse("api-job", args=[job.number])).json()
    assert [one["id"] for one in read["stages"]] == [stage.pk for stage in job.stages.all()]
    missing = maker.get(reverse("api-job", args=[999]))
    assert (missing.status_code, missing["Content-Type"]) == (404, "application/problem+json")


def test_running_stages_are_this_shops_own(maker, weed):
    other = shop_with_a_job("lane")
    post(maker, tap(weed))
    post(client_of(other.shop), tap(other.stages.get(kind__key="weed")))
    running = maker.get(reverse("api-stages-running")).json()
    assert [one["id"] for one in running["results"]] == [weed.pk]


def test_the_taps_are_described_for_other_programs(maker):
    described = json.loads(maker.get(reverse("openapi")).content)
    asked = described["paths"]["/api/v1/taps"]["post"]
    assert set(asked["responses"]) == {"200", "400", "403", "404"}
    schemas = described["components"]["schemas"]
    assert schemas["TapsIn"]["properties"]["taps"]["items"] == {"$ref": "#/components/schemas/TapIn"}
    assert schemas["TapIn"]["required"] == ["at", "id", "kind", "stage"]
