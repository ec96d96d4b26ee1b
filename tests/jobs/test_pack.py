"""The pack: all that the floor pages show without a connection."""

import gzip
import json
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from time_machine import TimeMachineFixture

from jobs.models import Cause, Element, Job, JobStatus, JobType, Lap, Stage, StageState
from jobs.selectors import pack as of_packs
from jobs.selectors.floor import stopwatch, watches
from jobs.selectors.pack import pack
from jobs.services.jobs import job_cancel, job_create
from jobs.services.stages import stage_leave_out
from jobs.services.taps import Tap, record_taps
from shop.models import (
    Finish,
    Machine,
    MachineKind,
    Membership,
    Person,
    Process,
    Role,
    Shop,
    Unattended,
    User,
)
from shop.services import revision_raise, shop_create

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 14, tzinfo=UTC)


@pytest.fixture(autouse=True)
def its_now(time_machine: TimeMachineFixture) -> None:
    """The pages take NOW for the present."""
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def shop() -> Shop:
    return a_shop("quay")


def a_shop(slug: str) -> Shop:
    shop = shop_create(slug=slug, name=slug.title(), time_zone="Europe/Berlin")
    for role in (Role.OWNER, Role.MAKER, Role.VIEWER):
        Membership.objects.create(user=User.objects.create_user(f"{role.value}-{slug}"), shop=shop, role=role)
    for name in ("Ada", "Ben"):
        Person.objects.create(shop=shop, name=name)
    for name in ("Wide printer", "Small printer"):
        Machine.objects.create(
            shop=shop, name=name, kind=MachineKind.PRINTER, unattended=Unattended.OPEN_HOURS
        )
    return shop


def a_job(shop: Shop, title: str = "Van, two sides", status: str = JobStatus.PROMISED) -> Job:
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title=title,
        customer_name="Harbour Bakery",
        process=Process.objects.of(shop).get(name="Solvent"),
        finish=Finish.objects.of(shop).get(name="Bare"),
    )
    Job.objects.filter(pk=job.pk).update(status=status)
    return job


def stage(job: Job, kind: str) -> Stage:
    return job.stages.get(kind__key=kind)


def press(shop: Shop, kind: str, at: Any, of: Stage, **more: Any) -> None:
    user = User.objects.get(username=f"maker-{shop.slug}")
    tap = Tap(id=uuid4(), kind=kind, stage=of.pk, at=at, **more)
    outcome = record_taps(shop=shop, user=user, taps=[tap], sent_at=NOW, received_at=NOW)
    assert [one.status for one in outcome.results] == ["stored"]


def packed(shop: Shop, **more: Any) -> dict[str, Any]:
    shop.refresh_from_db()
    return pack(shop, User.objects.get(username=f"maker-{shop.slug}"), NOW, **more)


def stage_in(found: dict[str, Any], of: Stage) -> dict[str, Any]:
    return next(one for job in found["jobs"] for one in job["stages"] if one["id"] == of.pk)


def client_of(shop: Shop, role: Role = Role.MAKER) -> Client:
    client = Client()
    client.force_login(shop.memberships.get(role=role).user, "django.contrib.auth.backends.ModelBackend")
    return client


def ago(minutes: float) -> Any:
    return NOW - timedelta(minutes=minutes)


def test_a_stage_is_said_as_the_clock_has_it(shop):
    job, ada, ben = a_job(shop), *Person.objects.of(shop).order_by("name")
    art, cause = stage(job, "artwork"), Cause.objects.of(shop).get(name="Customer")
    press(shop, "start", ago(60), art, person=ada.pk)
    press(shop, "pause", ago(40), art, person=ada.pk, cause=cause.pk)
    paused = stage_in(packed(shop), art)
    assert (paused["state"], paused["seconds"], paused["since"], paused["people"]) == (
        "paused", 20 * 60, None, [],
    )  # fmt: skip
    assert paused["cause"] == cause.pk
    assert paused["paused_since"] == ago(40).isoformat().replace("+00:00", "Z")
    press(shop, "resume", ago(30), art, person=ada.pk)
    press(shop, "start", ago(10), art, person=ben.pk)
    runs = stage_in(packed(shop), art)
    assert (runs["state"], runs["seconds"], runs["people"]) == ("running", 20 * 60, [ada.pk, ben.pk])
    assert runs["since"] == ago(30).isoformat().replace("+00:00", "Z")
    assert (runs["cause"], runs["paused_since"]) == (None, None)


def test_two_people_at_once_are_counted_once(shop):
    job, (ada, ben) = a_job(shop), Person.objects.of(shop).order_by("name")
    art = stage(job, "artwork")
    press(shop, "start", ago(60), art, person=ada.pk)
    press(shop, "start", ago(50), art, person=ben.pk)
    press(shop, "finish", ago(30), art, person=ada.pk)
    done = stage_in(packed(shop), art)
    assert (done["state"], done["seconds"], done["since"]) == ("finished", 30 * 60, None)
    assert done["finished_at"] == ago(30).isoformat().replace("+00:00", "Z")
    assert done["lies_until"] is None


def test_a_machine_that_runs_alone_is_said_and_offered_again(shop):
    job, ada = a_job(shop), Person.objects.of(shop).get(name="Ada")
    wide = Machine.objects.of(shop).get(name="Wide printer")
    first = stage_in(packed(shop), stage(job, "print"))
    assert first["machine"] == Machine.objects.of(shop).get(name="Small printer").pk  # the first by name
    press(shop, "start", ago(60), stage(job, "print"), person=ada.pk, machine=wide.pk)
    press(shop, "leave", ago(50), stage(job, "print"), person=ada.pk)
    alone = stage_in(packed(shop), stage(job, "print"))
    assert (alone["on"], alone["machine"], alone["people"], alone["state"]) == (
        wide.pk, wide.pk, [], "running",
    )  # fmt: skip
    other = a_job(shop, "Shop window")
    assert stage_in(packed(shop), stage(other, "print"))["machine"] == wide.pk
    assert set(first["machines"]) == set(Machine.objects.of(shop).values_list("pk", flat=True))


def test_every_stage_is_said_as_the_stopwatch_page_says_it(shop):
    job, ada = a_job(shop), Person.objects.of(shop).get(name="Ada")
    press(shop, "start", ago(90), stage(job, "artwork"), person=ada.pk)
    press(shop, "next", ago(80), stage(job, "artwork"), to_stage=stage(job, "load").pk, person=ada.pk)
    press(shop, "next", ago(70), stage(job, "load"), to_stage=stage(job, "print").pk, person=ada.pk)
    press(shop, "finish", ago(5), stage(job, "print"), person=ada.pk)
    rows = stopwatch(shop, job.number, NOW).stages
    mine = {one["id"]: one for one in packed(shop)["jobs"][0]["stages"]}
    names = dict(job.stages.values_list("pk", "name"))
    assert list(mine) == [row.stage.pk for row in rows]
    for row in rows:
        said = mine[row.stage.pk]
        assert (said["ready"], said["state"]) == (row.ready, row.stage.state)
        assert [names[key] for key in said["waits_for"]] == row.waits_for
        assert said["seconds"] == pytest.approx(row.watch.base_seconds if row.watch else row.seconds)
        assert (said["lies_until"] is None) == (row.lies_until is None)
    assert any(said["lies_until"] for said in mine.values()), "no print lies here, so nothing was shown of it"


def test_a_stage_left_out_is_not_there_and_its_arrows_are_joined(shop):
    job = a_job(shop)
    load = stage(job, "load")
    before = packed(shop)["jobs"][0]
    assert any(edge["after"] == load.pk for edge in before["edges"])
    stage_leave_out(load)
    after = packed(shop)["jobs"][0]
    assert load.pk not in [one["id"] for one in after["stages"]]
    assert load.pk not in {key for edge in after["edges"] for key in (edge["before"], edge["after"])}
    assert {"before": stage(job, "artwork").pk, "after": stage(job, "print").pk} in [
        {name: edge[name] for name in ("before", "after")} for edge in after["edges"]
    ]


def test_open_jobs_stand_there_those_clocked_last_first(shop):
    older, newer = a_job(shop, "Older"), a_job(shop, "Newer")
    a_job(shop, "Asked for", JobStatus.ENQUIRY)
    a_job(shop, "Done", JobStatus.FINISHED)
    press(shop, "start", ago(5), stage(older, "artwork"))
    found = packed(shop)["jobs"]
    assert [job["number"] for job in found] == [older.number, newer.number]
    assert (found[0]["last_at"], found[1]["last_at"]) == (ago(5).isoformat().replace("+00:00", "Z"), None)
    assert found[0]["status"] == "in_hand"


def test_a_cancelled_job_stands_there_while_somebody_is_at_it_and_no_longer(shop):
    job = a_job(shop)
    art = stage(job, "artwork")
    job_cancel(job)
    press(shop, "start", ago(20), art)  # by a device that had no connection and had not heard of it
    (found,) = packed(shop)["jobs"]
    assert (found["number"], found["status"]) == (job.number, "cancelled")
    assert [watch.stage for watch in watches(shop)] == [art]
    press(shop, "aside", ago(5), art)
    assert packed(shop)["jobs"] == []
    assert watches(shop) == []
    assert [watch.stage for watch in watches(shop, job)] == [art]


def test_the_last_press_is_the_log_ins_own_and_only_for_a_while(shop):
    job = a_job(shop)
    press(shop, "start", ago(1), stage(job, "artwork"))
    said = packed(shop)["last_press"]
    assert (said["kind"], said["stage"], said["seconds_left"]) == ("start", stage(job, "artwork").pk, 10)
    owner = User.objects.get(username="owner-quay")
    assert pack(shop, owner, NOW)["last_press"] is None
    maker = User.objects.get(username="maker-quay")
    assert pack(shop, maker, NOW + timedelta(seconds=11))["last_press"] is None


def test_nothing_of_another_shop_is_in_it(shop):
    a_job(shop, "Ours")
    hill = a_shop("hill")
    a_job(hill, "Theirs")
    text = json.dumps(packed(shop))
    assert "Ours" in text
    assert "Theirs" not in text
    assert set(packed(shop)["kinds"]).isdisjoint(packed(hill)["kinds"])


def test_its_queries_do_not_grow_with_the_shop(shop):
    user = User.objects.get(username="maker-quay")

    def asked() -> int:
        shop.refresh_from_db()
        with CaptureQueriesContext(connection) as queries:
            pack(shop, user, NOW)
        return len(queries)

    press(shop, "start", ago(5), stage(a_job(shop), "artwork"))
    one = asked()
    for _ in range(5):
        press(shop, "start", ago(5), stage(a_job(shop), "artwork"))
    assert asked() == one <= 16


def test_a_viewer_gets_none(shop):
    assert client_of(shop, Role.VIEWER).get(reverse("jobs:pack")).status_code == 403
    assert Client().get(reverse("jobs:pack")).status_code == 302


def test_it_is_sent_small_and_only_when_it_changed(shop):
    job, client = a_job(shop), client_of(shop)
    full = client.get(reverse("jobs:pack"), HTTP_ACCEPT_ENCODING="gzip")
    found = json.loads(gzip.decompress(full.content))
    assert found["csrf"]
    assert found["user"]["name"] == "maker-quay"
    assert found["device"] is None
    again = client.get(reverse("jobs:pack"), HTTP_IF_NONE_MATCH=full["ETag"])
    assert (again.status_code, again.content) == (304, b"")
    assert again["X-Now"] >= full["X-Now"]
    press(shop, "start", ago(1), stage(job, "artwork"))
    changed = client.get(reverse("jobs:pack"), HTTP_IF_NONE_MATCH=full["ETag"])
    assert changed.status_code == 200
    assert changed.json()["shop"]["revision"] > found["shop"]["revision"]


def test_what_is_written_while_it_is_read_is_in_it_whole_or_not_at_all(shop, monkeypatch):
    job, read, times = a_job(shop), of_packs.recipes_by_film, []

    def finished_meanwhile(*what):
        times.append(what)
        if len(times) == 1:  # between the queries for the jobs and what is said of them
            Stage.objects.filter(job=job).update(state=StageState.FINISHED)
            Job.objects.filter(pk=job.pk).update(status=JobStatus.FINISHED)
            revision_raise(shop.pk)
        return read(*what)

    monkeypatch.setattr(of_packs, "recipes_by_film", finished_meanwhile)
    client = client_of(shop)
    answer = client.get(reverse("jobs:pack"))
    assert answer.json()["jobs"] == []
    assert len(times) == 2
    again = client.get(reverse("jobs:pack"), headers={"If-None-Match": answer["ETag"]})
    assert again.status_code == 304


def test_where_there_is_writing_all_the_time_the_device_asks_again(shop, monkeypatch):
    read = of_packs.recipes_by_film
    monkeypatch.setattr(of_packs, "recipes_by_film", lambda *what: revision_raise(shop.pk) or read(*what))
    client = client_of(shop)
    tag = client.get(reverse("jobs:pack"))["ETag"]
    monkeypatch.setattr(of_packs, "recipes_by_film", read)
    again = client.get(reverse("jobs:pack"), headers={"If-None-Match": tag})
    assert again.status_code == 200
    assert again.json()["shop"]["revision"] == Shop.objects.get(pk=shop.pk).revision


def test_a_minute_later_only_the_name_of_what_is_there_is_new(shop, time_machine):
    a_job(shop)
    time_machine.move_to(NOW, tick=False)
    client = client_of(shop)
    first = client.get(reverse("jobs:pack"))
    time_machine.move_to(NOW + timedelta(minutes=1), tick=False)
    later = client.get(reverse("jobs:pack"), HTTP_IF_NONE_MATCH=first["ETag"])
    assert later.status_code == 304
    assert later["ETag"] != first["ETag"]
    once_more = client.get(reverse("jobs:pack"), HTTP_IF_NONE_MATCH=later["ETag"])
    assert (once_more.status_code, once_more["ETag"]) == (304, later["ETag"])


def test_who_presses_is_said_as_the_log_in_has_it(shop):
    a_job(shop)
    ben, client = Person.objects.of(shop).get(name="Ben"), client_of(shop)
    first = client.get(reverse("jobs:pack"))
    assert first.json()["person"] is None
    client.post(reverse("jobs:who"), {"person": ben.pk})
    after = client.get(reverse("jobs:pack"), HTTP_IF_NONE_MATCH=first["ETag"])
    assert after.json()["person"] == ben.pk


def test_the_lap_that_runs_begins_where_the_last_ended(shop):
    job = a_job(shop)
    art = stage(job, "artwork")
    press(shop, "start", ago(60), art)
    first = stage_in(packed(shop), art)
    assert (first["laps"], first["lap_base"], first["last_lap"]) == (0, 0.0, None)
    assert first["lap_from"] == first["started_at"] == ago(60).isoformat().replace("+00:00", "Z")
    element = Element.objects.create(shop=shop, kind=art.kind, name="Proof")
    Lap.objects.create(
        shop=shop, stage=art, element=element, starts_at=ago(60), ends_at=ago(45), seconds=15 * 60
    )
    said = packed(shop)
    second = stage_in(said, art)
    assert (second["laps"], second["lap_base"]) == (1, 15 * 60)
    assert second["lap_from"] == ago(45).isoformat().replace("+00:00", "Z")
    assert second["last_lap"] == {"element": element.pk, "seconds": 15 * 60}
    assert {"id": element.pk, "name": "Proof"} in said["kinds"][str(art.kind_id)]["elements"]
