"""Answering questions about the clock on the floor, and on the page of all of them."""

from datetime import UTC, datetime, time
from threading import Barrier, Thread

import pytest
from django.db import OperationalError, connection
from django.test import Client
from django.urls import reverse

from analytics.services.answering import Asked, doubt_answer_right
from jobs.models import ClockEvent, Correction, CorrectionKind, Interval, IntervalKind, Stage, StageState
from shop.errors import ShopError
from shop.models import Membership, OpeningHours, Person, Purpose, Role, User
from shop.services.devices import device_enrol
from tests.analytics.floor import QuayFloor, at

pytestmark = pytest.mark.django_db

PART = {"X-Part": "1"}


@pytest.fixture
def floor() -> QuayFloor:
    return QuayFloor()


@pytest.fixture
def its_now(monkeypatch):
    """`its_now(at(17))`: what the program takes for the present."""

    def its_now(when: datetime) -> None:
        monkeypatch.setattr("django.utils.timezone.now", lambda: when)

    return its_now


def client_of(floor: QuayFloor, role: Role, person: Person | None = None) -> Client:
    user = User.objects.create_user(f"{role.value}-{person or 'nobody'}")
    Membership.objects.create(user=user, shop=floor.shop, role=role)
    if person is not None:
        Person.objects.filter(pk=person.pk).update(user=user)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def still_weeding(floor: QuayFloor) -> Stage:
    stage = floor.stage("weed")
    floor.press("start", stage, at(15))
    return stage


def answer(client: Client, stage: Stage, **given: str):
    sent = {"stage": stage.pk, "starts_at": at(15).isoformat(), **given}
    return client.post(reverse("analytics:doubt-answer"), sent, headers=PART)


def test_a_phone_asks_its_own_person_only(floor, its_now):
    its_now(at(17.2))
    still_weeding(floor)
    url = reverse("analytics:doubts")
    ann, ben = client_of(floor, Role.MAKER, floor.ann), client_of(floor, Role.MAKER, floor.ben)
    assert "Weed still runs, and the shop closed at 17:00." in ann.get(url, headers=PART).content.decode()
    assert "I stopped at 17:00" in ann.get(url, headers=PART).content.decode()
    assert "Weed" not in ben.get(url, headers=PART).content.decode()
    assert "Nothing to ask" in ben.get(url).content.decode()


def test_who_is_not_known_sees_everybodys(floor, its_now):
    its_now(at(17.2))
    still_weeding(floor)
    page = client_of(floor, Role.PLANNER)
    for url in (reverse("analytics:doubts"), reverse("analytics:doubt-list")):
        text = page.get(url).content.decode()
        assert "Weed still runs" in text
        assert "Ann was at it" in text


def test_the_list_of_everybodys_is_for_planners(floor, its_now):
    assert client_of(floor, Role.MAKER).get(reverse("analytics:doubt-list")).status_code == 403


def test_nothing_is_sent_again_while_nothing_is_new(floor, its_now):
    its_now(at(16))
    client, url = client_of(floor, Role.MAKER, floor.ann), reverse("analytics:doubts")
    first = client.get(url, headers=PART)
    again = client.get(url, headers={**PART, "If-None-Match": first["ETag"]})
    assert (first.status_code, again.status_code, again.content) == (200, 304, b"")
    still_weeding(floor)
    assert client.get(url, headers={**PART, "If-None-Match": first["ETag"]}).status_code == 200


@pytest.mark.parametrize(("finished", "state"), [("yes", StageState.FINISHED), ("no", StageState.PUT_ASIDE)])
def test_one_press_says_when_it_stopped(floor, its_now, finished, state):
    its_now(at(18))
    stage = still_weeding(floor)
    client = client_of(floor, Role.MAKER, floor.ann)
    said = answer(client, stage, answer=at(17).isoformat(), finished=finished)
    assert "at 17:00" in said.content.decode()
    stage.refresh_from_db()
    assert stage.state == state
    hands = Interval.objects.get(stage=stage, kind=IntervalKind.HANDS_ON)
    assert (hands.starts_at, hands.ends_at) == (at(15), at(17))
    made = Correction.objects.get()
    assert (made.kind, made.by.username) == (CorrectionKind.FORGOTTEN, "maker-Ann")
    assert "Was a stop" not in client.get(reverse("analytics:doubts"), headers=PART).content.decode()


def test_it_goes_on_is_a_vouch_and_ends_the_asking(floor, its_now):
    its_now(at(17.2))
    stage = still_weeding(floor)
    client = client_of(floor, Role.MAKER, floor.ann)
    answer(client, stage, answer="right")
    assert Correction.objects.get().kind == CorrectionKind.VOUCH
    assert ClockEvent.objects.get(kind="vouch").at == at(17.2)
    stage.refresh_from_db()
    assert stage.state == StageState.RUNNING
    assert "Weed still runs" not in client.get(reverse("analytics:doubts"), headers=PART).content.decode()


def test_another_time_is_on_the_shops_wall_clock_and_must_lie_in_the_stretch(floor, its_now):
    floor.shop.time_zone = "Europe/Berlin"  # 15:00 UTC is 16:00 there
    floor.shop.save()
    its_now(at(18))
    stage = still_weeding(floor)
    client = client_of(floor, Role.MAKER, floor.ann)
    for wrong in ("2026-03-02T15:30", "2026-03-02T19:30", "soon", ""):
        said = answer(client, stage, answer="other", other=wrong, finished="no").content.decode()
        assert "Give a time" in said or "Give the time" in said
    assert not Correction.objects.exists()
    answer(client, stage, answer="other", other="2026-03-02T16:45", finished="no")
    assert Interval.objects.get(stage=stage, kind=IntervalKind.HANDS_ON).ends_at == at(15.75)


def test_a_time_in_the_hour_that_is_repeated_is_the_one_within_the_stretch(floor, its_now):
    floor.shop.time_zone = "Europe/Berlin"  # 25 October 2026: 03:00 is 02:00 once more, at 01:00 UTC
    floor.shop.save()
    OpeningHours.objects.create(shop=floor.shop, weekday=6, opens=time(0), closes=time(3))
    its_now(datetime(2026, 10, 25, 4, tzinfo=UTC))
    stage, began = floor.stage("weed"), datetime(2026, 10, 25, 0, 45, tzinfo=UTC)
    floor.press("start", stage, began)
    client = client_of(floor, Role.MAKER, floor.ann)
    sent = {"starts_at": began.isoformat(), "answer": "other", "finished": "no"}
    answer(client, stage, **sent, other="2026-10-25T02:15")
    interval = Interval.objects.get(stage=stage, kind=IntervalKind.HANDS_ON)
    assert interval.ends_at == datetime(2026, 10, 25, 1, 15, tzinfo=UTC)


@pytest.mark.parametrize("other", ["2026-03-29T02:30", "0001-01-01T00:00", "9999-12-31T23:59"])
def test_a_time_that_no_clock_of_the_shop_showed_is_refused(floor, its_now, other):
    floor.shop.time_zone = "Europe/Berlin"  # 29 March 2026: 02:00 is 03:00
    floor.shop.save()
    its_now(at(18))
    stage = still_weeding(floor)
    client = client_of(floor, Role.MAKER, floor.ann)
    said = answer(client, stage, answer="other", other=other, finished="no").content.decode()
    assert "not on the shop’s clock" in said
    assert not Correction.objects.exists()


def test_an_answer_on_a_shared_tablet_says_whose_it_is(floor, its_now):
    its_now(at(17.2))
    stage = still_weeding(floor)
    client, owner = Client(), User.objects.create_user("owner")
    tablet = device_enrol(shop=floor.shop, name="Bench", purpose=Purpose.FLOOR, by=owner, now=at(8))
    client.force_login(tablet.user, "django.contrib.auth.backends.ModelBackend")
    client.post(reverse("shop:name", args=[floor.ben.pk]))
    answer(client, stage, answer="right")
    assert Correction.objects.get().reason == "Asked on the floor: it is right (Ben)"


def test_a_key_that_is_none_finds_nothing(floor):
    client = client_of(floor, Role.MAKER, floor.ann)
    sent = {"stage": "9" * 5000, "starts_at": at(15).isoformat(), "answer": "right"}
    assert client.post(reverse("analytics:doubt-answer"), sent).status_code == 404


def test_a_second_answer_is_told_that_there_was_a_first(floor, its_now):
    its_now(at(18))
    stage = still_weeding(floor)
    client = client_of(floor, Role.MAKER, floor.ann)
    answer(client, stage, answer=at(17).isoformat())
    assert "answered already" in answer(client, stage, answer="right").content.decode()
    assert Correction.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_of_two_answers_at_the_same_moment_one_counts(floor):
    stage, user, gate, told = still_weeding(floor), User.objects.create_user("ann"), Barrier(6), []

    def answer_right() -> None:
        gate.wait()
        try:
            told.append(said())
        finally:
            connection.close()

    def said() -> str:
        while True:
            try:
                doubt_answer_right(Asked(floor.shop, stage, at(15), at(18)), user=user)
                return "counted"
            except OperationalError:  # SQLite in memory does not wait for a lock as a file does
                continue
            except ShopError as refused:
                return refused.message

    threads = [Thread(target=answer_right) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(told) == ["That question has been answered already."] * 5 + ["counted"]
    assert Correction.objects.count() == 1


def test_without_a_script_an_answer_leads_back_to_the_questions(floor, its_now):
    its_now(at(18))
    stage = still_weeding(floor)
    client = client_of(floor, Role.PLANNER)
    sent = {"stage": stage.pk, "starts_at": at(15).isoformat(), "answer": "right", "for_all": "1"}
    gone = client.post(reverse("analytics:doubt-answer"), sent)
    assert (gone.status_code, gone["Location"]) == (302, reverse("analytics:doubt-list"))


def test_a_machine_left_open_is_ended_when_the_other_began(floor, its_now):
    one, other = floor.stage("cut"), floor.stage("cut")
    floor.press("start", one, at(9), machine=floor.cutter)
    floor.press("start", other, at(9.5), floor.ben, machine=floor.cutter)
    its_now(at(10))
    sent = {"stage": one.pk, "starts_at": at(9).isoformat(), "answer": at(9.5).isoformat(), "finished": "yes"}
    client_of(floor, Role.MAKER, floor.ann).post(reverse("analytics:doubt-answer"), sent, headers=PART)
    one.refresh_from_db()
    assert (one.state, one.finished_at) == (StageState.FINISHED, at(9.5))
    assert Interval.objects.get(stage=one, kind=IntervalKind.MACHINE).ends_at == at(9.5)


def test_a_viewer_answers_nothing(floor, its_now):
    its_now(at(18))
    stage = still_weeding(floor)
    assert answer(client_of(floor, Role.VIEWER), stage, answer="right").status_code == 403
