"""A shared tablet from its letting in to its revoking, as a browser without scripts uses it."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import NoReverseMatch, reverse

from shop.models import Device, Membership, Person, Purpose, Role, Shop, User
from shop.services.devices import device_enrol, device_invite, device_revoke
from shop.services.logins import login_create, owner_setup
from shop.services.pins import IN_A_ROW, pin_check, pin_set
from shop.shared import UNTIL, WHO
from shop.views.devices import BACKEND

pytestmark = pytest.mark.django_db

NOW = datetime(2030, 3, 4, 9, tzinfo=UTC)  # a Monday
PIN = "2580"
PART = {"headers": {"X-Part": "1"}}
FETCH = {"headers": {"Sec-Fetch-Mode": "cors"}}


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def shop(clock) -> Shop:
    return owner_setup(username="ada", password="three grey gulls", name="Quay Signs").shop


@pytest.fixture
def owner(shop: Shop) -> Client:
    return log_in(User.objects.get(username="ada"))


@pytest.fixture
def ada(shop: Shop) -> Person:
    return Person.objects.get(name="Ada")


@pytest.fixture
def ben(shop: Shop) -> Person:
    person = Person.objects.create(shop=shop, name="Ben")
    pin_set(person, PIN)
    return person


@pytest.fixture
def tablet(owner: Client) -> Client:
    """The owner's own client, made the shared tablet."""
    owner.post("/shop/devices/", {"name": "Bench", "purpose": "floor", "here": ""})
    return owner


def log_in(user: User) -> Client:
    client = Client()
    client.force_login(user, BACKEND)
    return client


def member(shop: Shop, name: str, role: Role) -> Client:
    return log_in(login_create(shop=shop, username=name, role=role)[0])


def choose(tablet: Client, person: Person) -> None:
    assert tablet.post(f"/floor/names/{person.pk}/", {"pin": PIN}).status_code == 302
    assert tablet.session[WHO] == person.pk


def said(answer) -> str:
    """The page's words."""
    return " ".join(re.sub(r"<[^>]+>", " ", answer.content.decode()).split())


# Letting a device in


def test_an_owner_makes_the_device_in_hand_the_shared_tablet(owner):
    assert "No device is shared yet" in said(owner.get("/shop/devices/"))
    answer = owner.post("/shop/devices/", {"name": "Bench", "purpose": "floor", "here": ""})
    assert (answer.status_code, answer.url) == (302, "/floor/names/")
    device = Device.objects.get()
    assert owner.session["_auth_user_id"] == str(device.user_id)
    assert owner.cookies["sessionid"]["max-age"] == 365 * 24 * 60 * 60
    page = said(owner.get("/floor/names/"))
    assert "Quay Signs, Bench" in page  # the owner is logged out of it
    assert "Log out" not in page  # nobody puts it out by the way


def test_nobody_else_lets_a_device_in(shop):
    for role in (Role.PLANNER, Role.MAKER, Role.VIEWER):
        client = member(shop, role.value, role)
        assert client.get("/shop/devices/").status_code == 403
        assert client.post("/shop/devices/", {"name": "Bench", "purpose": "floor"}).status_code == 403
    assert not Device.objects.exists()


@pytest.mark.parametrize("press", ["here", "invite"])
def test_a_device_that_cannot_be_made_says_why_and_makes_nothing(owner, press):
    answer = owner.post("/shop/devices/", {"name": " ", "purpose": "floor", press: ""})
    assert answer.status_code == 422
    owner.post("/shop/devices/", {"name": "Bench", "purpose": "wall", "invite": ""})
    answer = owner.post("/shop/devices/", {"name": "bench", "purpose": "floor", press: ""})
    assert answer.status_code == 422
    assert "There already is a device" in said(answer)
    assert Device.objects.count() == 1


def invited(owner: Client, purpose: str = "floor") -> str:
    """The path of an invitation made on the page."""
    owner.post("/shop/devices/", {"name": "Bench", "purpose": purpose, "invite": ""})
    page = owner.get("/shop/devices/").content.decode()
    assert '<svg viewBox="0 0 ' in page
    assert "until <strong>09:15</strong>" in page
    return re.search(r'invitation-address">http://testserver(/join/[-a-z0-9]+/)<', page)[1]


def test_an_invitation_is_shown_once_and_works_once(owner, ben):
    path, tablet = invited(owner), Client()
    assert "/join/" not in owner.get("/shop/devices/").content.decode()
    assert "invited until 09:15" in said(owner.get("/shop/devices/"))
    for _ in range(2):  # looking at it does not use it up
        assert "shared tablet of Quay Signs" in said(tablet.get(path))
    assert tablet.post(path).url == "/floor/names/"
    assert "Ben" in said(tablet.get("/floor/names/"))
    late = Client()
    for answer in (late.get(path), late.post(path)):
        assert answer.status_code == 410
        assert "has been used" in said(answer)
    assert "_auth_user_id" not in late.session
    assert tablet.get("/floor/names/").status_code == 200  # the first one stays in


def test_an_invitation_runs_out_and_another_is_made(owner, clock):
    path = invited(owner)
    clock.shift(timedelta(minutes=15))
    assert Client().post(path).status_code == 410
    assert "invitation ran out" in said(owner.get("/shop/devices/"))
    owner.post(f"/shop/devices/{Device.objects.get().pk}/invite/")
    again = re.search(r"http://testserver(/join/[-a-z0-9]+/)<", owner.get("/shop/devices/").content.decode())[
        1
    ]
    assert Client().post(path).status_code == 410
    assert Client().post(again).status_code == 302


def test_an_invitation_holds_the_address_that_phones_open(owner, shop):
    owner.post("/shop/devices/", {"name": "A", "purpose": "floor", "invite": ""})
    assert "Another device cannot open" not in said(owner.get("/shop/devices/"))
    owner.post(
        "/shop/devices/", {"name": "B", "purpose": "floor", "invite": ""}, headers={"Host": "localhost"}
    )
    assert "Another device cannot open" in said(owner.get("/shop/devices/", headers={"Host": "localhost"}))
    Shop.objects.update(address="http://192.168.1.20:8000")
    owner.post("/shop/devices/", {"name": "C", "purpose": "floor", "invite": ""})
    page = owner.get("/shop/devices/", headers={"Host": "localhost"}).content.decode()
    assert "http://192.168.1.20:8000/join/" in page
    assert "Another device cannot open" not in page


def test_whoever_opens_an_invitation_while_logged_in_is_told_first(owner, shop):
    path, maker = invited(owner), member(shop, "mia", Role.MAKER)
    assert "mia is logged in here, and would be logged out" in said(maker.get(path))
    maker.post(path)
    assert maker.session["_auth_user_id"] == str(Device.objects.get().user_id)


# Who presses


def test_a_tablet_asks_who_presses_and_goes_on_to_where_it_was_asked(tablet, ada, ben):
    for path in ("/floor/", "/jobs/", "/floor/7/?stage=3", "/durations/"):
        answer = tablet.get(path)
        assert answer.status_code == 302, path
        assert answer.url.startswith("/floor/names/?next="), path
    page = tablet.get("/floor/names/?next=/jobs/?status%3Dall")
    assert "Ada" in said(page)
    assert "Floor" not in re.findall(r"<nav.*?</nav>", page.content.decode(), re.DOTALL)
    assert tablet.post(f"/floor/names/{ada.pk}/", {"next": "/jobs/?status=all"}).url == "/jobs/?status=all"
    assert tablet.session[WHO] == ada.pk
    assert tablet.get("/jobs/").status_code == 200


def test_a_name_with_a_pin_asks_for_it(tablet, ben):
    link = f'href="/floor/names/{ben.pk}/?next=%2Fjobs%2F"'
    assert link in tablet.get("/floor/names/?next=/jobs/").content.decode()
    asked = tablet.get(f"/floor/names/{ben.pk}/?next=/jobs/")
    assert "Ben, your PIN" in said(asked)
    for pin, why in (("", "Type your PIN"), ("12", "4 to 8 digits"), ("1357", "not Ben’s PIN")):
        answer = tablet.post(f"/floor/names/{ben.pk}/", {"pin": pin, "next": "/jobs/"})
        assert answer.status_code == 422
        assert why in said(answer)
        assert 'name="next" value="/jobs/"' in answer.content.decode()
        assert f'value="{pin}"' not in answer.content.decode()
        assert WHO not in tablet.session
    ben.refresh_from_db()
    assert ben.pin_failures == 1  # only what could be a PIN counts
    assert tablet.post(f"/floor/names/{ben.pk}/", {"pin": PIN, "next": "/jobs/"}).url == "/jobs/"
    assert tablet.session[WHO] == ben.pk


def test_opening_a_name_without_a_pin_does_not_choose_it(tablet, ada):
    assert tablet.get(f"/floor/names/{ada.pk}/?next=/jobs/").url == "/floor/names/?next=%2Fjobs%2F"
    assert WHO not in tablet.session


def test_too_many_wrong_pins_say_for_how_long_they_lock(tablet, ben, clock):
    path = f"/floor/names/{ben.pk}/"
    for _ in range(IN_A_ROW):
        answer = tablet.post(path, {"pin": "1357"})
    assert "Try again in 1 minute" in said(answer)
    clock.shift(timedelta(seconds=30))
    assert "Try again in 30 seconds" in said(tablet.post(path, {"pin": PIN}))
    assert WHO not in tablet.session
    clock.shift(timedelta(seconds=30))
    choose(tablet, ben)


@pytest.mark.parametrize("evil", ["https://example.com/", "//example.com/", "javascript:alert(1)"])
def test_a_name_leads_to_no_other_site(tablet, ada, evil):
    assert tablet.post(f"/floor/names/{ada.pk}/", {"next": evil}).url == "/floor/"


def test_names_of_another_shop_and_of_those_who_left_are_not_there(tablet, shop, ben):
    other = Person.objects.create(shop=Shop.objects.create(slug="hill", name="Hill"), name="Hal")
    Person.objects.filter(pk=ben.pk).update(active=False)
    for person in (other, ben):
        assert f"/floor/names/{person.pk}/" not in tablet.get("/floor/names/").content.decode()
        assert tablet.get(f"/floor/names/{person.pk}/").status_code == 404
        assert tablet.post(f"/floor/names/{person.pk}/", {"pin": PIN}).status_code == 404


def test_a_shop_without_people_is_told_what_to_do(tablet):
    Person.objects.update(active=False)
    assert "An owner adds people" in said(tablet.get("/floor/names/"))


def test_going_back_to_the_names_leaves_the_tablet_to_nobody(tablet, ada):
    choose(tablet, ada)
    assert tablet.get("/floor/names/", **FETCH).status_code == 200  # a script's look does not
    assert WHO in tablet.session
    tablet.get("/floor/names/")
    assert WHO not in tablet.session
    assert tablet.get("/floor/").status_code == 302


def test_what_programs_ask_for_stays_open_without_a_name(tablet):
    assert tablet.get("/floor/pack.json").json()["person"] is None
    assert tablet.post("/api/v1/taps", "{}", "application/json").status_code == 400  # read, not led away
    assert tablet.get("/api/v1/stages/running").status_code == 200
    assert tablet.get("/healthz").status_code == 200
    assert tablet.get("/sw.js").status_code == 200
    assert tablet.get("/manifest.webmanifest").status_code == 200
    assert tablet.get("/floor/", **PART).status_code == 200
    assert tablet.get("/floor/shell/", **FETCH).status_code == 200
    assert tablet.post("/logout/").status_code == 302
    assert "_auth_user_id" not in tablet.session


def test_a_press_by_a_form_without_a_name_is_not_counted_and_says_so(tablet, ada):
    answer = tablet.post("/floor/7/press/", headers={"Referer": "http://testserver/floor/7/"}, follow=True)
    assert answer.redirect_chain == [("/floor/names/?next=%2Ffloor%2F7%2F", 302)]
    assert "That press was not counted" in said(answer)
    assert tablet.post("/floor/7/press/", **FETCH).status_code == 403
    led = tablet.post("/floor/7/press/", headers={"Referer": "https://example.com/"})
    assert led.url == "/floor/names/?next=%2F"


def test_the_floors_own_choice_of_a_name_does_not_go_round_the_pin(tablet, ada, ben):
    choose(tablet, ada)
    assert tablet.post("/floor/who/", {"person": ben.pk}).url == "/floor/names/"
    assert tablet.session[WHO] == ada.pk


# After a while


def test_without_a_press_the_names_come_back(tablet, ada, clock):
    choose(tablet, ada)
    clock.shift(timedelta(minutes=2, seconds=59))
    assert tablet.get("/floor/").status_code == 200
    clock.shift(timedelta(minutes=2, seconds=59))
    assert tablet.get("/floor/").status_code == 200  # the page gave the whole time again
    clock.shift(timedelta(minutes=3))
    assert tablet.get("/floor/").url == "/floor/names/?next=%2Ffloor%2F"
    assert tablet.get("/floor/pack.json").json()["person"] is None


@pytest.mark.parametrize(
    ("ask", "renews"),
    [
        (lambda tablet: tablet.get("/floor/"), True),
        (lambda tablet: tablet.post("/api/v1/taps", "{}", "application/json"), True),
        (lambda tablet: tablet.post("/floor/7/press/", {}), True),
        (lambda tablet: tablet.get("/floor/pack.json"), False),
        (lambda tablet: tablet.get("/floor/", **PART), False),
        (lambda tablet: tablet.get("/floor/shell/", **FETCH), False),
        (lambda tablet: tablet.get("/api/v1/stages/running"), False),
        (lambda tablet: tablet.get("/sw.js"), False),
    ],
    ids=["page", "taps", "press", "pack", "part", "fetch", "api", "file"],
)
def test_presses_and_pages_renew_and_what_goes_on_in_the_background_does_not(
    tablet, ada, clock, ask: Callable[[Client], object], renews
):
    choose(tablet, ada)
    before = tablet.session[UNTIL]
    clock.shift(timedelta(minutes=2))
    ask(tablet)
    assert (tablet.session[UNTIL] > before) is renews
    clock.shift(timedelta(minutes=2))
    assert (tablet.get("/floor/").status_code == 200) is renews


def test_a_background_request_after_the_time_writes_no_session(tablet, ada, clock):
    """Else it could write an old session over the one in which somebody has just said who they are."""
    choose(tablet, ada)
    clock.shift(timedelta(minutes=4))
    assert tablet.get("/floor/pack.json").json()["person"] is None
    assert tablet.session[WHO] == ada.pk  # as it was stored: nothing was written
    assert tablet.post("/api/v1/taps", "{}", "application/json").status_code == 400
    assert tablet.get("/floor/").status_code == 302  # and that did not give the time back


def test_the_owner_sets_after_how_long(owner, shop, ada, clock):
    page = owner.get("/shop/facts/").content.decode()
    assert re.search(r'name="names_after_min" value="3"', page)
    facts = {"name": shop.name, "time_zone": "UTC", "units": "metric", "currency": "EUR", "confidence": "0.8"}
    assert owner.post("/shop/facts/", {**facts, "names_after_min": "241"}).status_code == 422
    assert owner.post("/shop/facts/", {**facts, "names_after_min": "10"}).status_code == 302
    owner.post("/shop/devices/", {"name": "Bench", "purpose": "floor", "here": ""})
    choose(owner, ada)
    clock.shift(timedelta(minutes=9))
    assert owner.get("/floor/").status_code == 200
    clock.shift(timedelta(minutes=10))
    assert owner.get("/floor/").status_code == 302


# What a device may not


def test_a_device_opens_nothing_of_owners_and_planners_whatever_its_role(tablet, ada):
    choose(tablet, ada)
    Membership.objects.filter(user=Device.objects.get().user).update(role=Role.OWNER)
    for path in ("/shop/", "/shop/facts/", "/shop/log-ins/", "/shop/devices/", "/shop/people/", "/enquiry/"):
        answer = tablet.get(path)
        assert answer.status_code == 403, path
        assert "shared device" in said(answer), path
    assert tablet.post("/shop/facts/", {"name": "Mine"}).status_code == 403


@pytest.mark.parametrize("path", ["/account/", "/account/pin/", "/password/"])
def test_a_device_has_no_log_in_of_its_own_to_change(tablet, ada, path):
    choose(tablet, ada)
    assert tablet.get(path).status_code == 403
    assert tablet.post(path, {"pin": "8642", "again": "8642"}).status_code == 403


def test_a_devices_log_in_is_nobodys(shop, ada):
    device = device_enrol(
        shop=shop, name="Bench", purpose=Purpose.FLOOR, by=User.objects.get(username="ada"), now=NOW
    )
    owner, name = log_in(User.objects.get(username="ada")), device.user.username
    assert name not in said(owner.get("/shop/log-ins/"))
    assert name not in owner.get(f"/shop/people/{ada.pk}/").content.decode()
    for page in ("role", "reset", "remove"):
        answer = owner.post(f"/shop/log-ins/{device.user.membership.pk}/{page}/", {"role": "owner"})
        assert answer.status_code == 404
    cards = owner.get("/shop/").content.decode()
    assert re.search(r'Log-ins</a> <span class="tag num">1<', cards)
    assert re.search(r'Devices</a> <span class="tag num">1<', cards)


def test_the_screen_on_the_wall_only_looks(owner):
    path, wall = invited(owner, "wall"), Client()
    assert wall.post(path).url == "/"
    try:
        board = reverse("analytics:wall")
    except NoReverseMatch:
        board = reverse("jobs:job-list")
    assert wall.get("/").url == board
    assert wall.get(board).status_code == 200
    assert wall.get("/jobs/").status_code == 200  # nobody is asked for
    assert wall.get("/floor/names/").status_code == 403
    assert wall.post("/api/v1/taps", "{}", "application/json").status_code == 403
    assert wall.get("/account/").status_code == 403


def test_a_phone_of_ones_own_is_asked_nothing(owner, ben):
    assert owner.get("/floor/").status_code == 200
    assert owner.get("/floor/names/").url == "/floor/"
    assert owner.post(f"/floor/names/{ben.pk}/", {"pin": PIN}).url == "/floor/"
    assert WHO not in owner.session
    assert owner.post("/floor/who/", {"person": ben.pk}).url == "/floor/"
    assert owner.session[WHO] == ben.pk  # it needs no PIN, and no time is over
    assert UNTIL not in owner.session


# Putting a device out


def test_a_revoked_tablet_is_out_at_once_and_says_what_to_do(tablet, ada, clock):
    choose(tablet, ada)
    owner, device = log_in(User.objects.get(username="ada")), Device.objects.get()
    assert "last seen" in said(owner.get(f"/shop/devices/{device.pk}/revoke/"))
    assert owner.post(f"/shop/devices/{device.pk}/revoke/").url == "/shop/devices/"
    for ask in (
        lambda: tablet.post("/api/v1/taps", "{}", "application/json"),
        lambda: tablet.get("/floor/pack.json"),
        lambda: tablet.get("/floor/", **PART),
    ):
        answer = ask()
        assert (answer.status_code, answer["Content-Type"]) == (401, "application/problem+json")
        assert "kept on it" in answer.json()["detail"]
    for path in ("/floor/", "/jobs/", "/shop/", "/floor/names/"):
        answer = tablet.get(path)
        assert answer.status_code == 403, path
        assert "Bench is no longer enrolled" in said(answer), path
        assert "Log in" in said(answer), path


def test_a_revoked_tablet_is_let_in_again_as_a_new_device(tablet):
    device_revoke(Device.objects.get(), NOW)
    assert tablet.get("/login/").status_code == 200
    answer = tablet.post("/login/", {"username": "ada", "password": "three grey gulls"})
    assert answer.status_code == 302
    assert tablet.post("/shop/devices/", {"name": "Bench", "purpose": "floor", "here": ""}).status_code == 302
    assert tablet.get("/floor/names/").status_code == 200
    assert Device.objects.filter(revoked_at=None).count() == 1
    shop = Shop.objects.get()
    by = User.objects.get(username="ada")
    device_revoke(Device.objects.get(revoked_at=None), NOW)
    code = device_invite(shop=shop, name="Bench", purpose=Purpose.FLOOR, by=by, now=NOW)[1]
    assert tablet.get(f"/join/{code}/").status_code == 200
    assert tablet.post(f"/join/{code}/").url == "/floor/names/"


def test_a_revoked_device_is_shown_apart_and_changed_no_more(tablet):
    device = Device.objects.get()
    device_revoke(device, NOW)
    owner = log_in(User.objects.get(username="ada"))
    page = said(owner.get("/shop/devices/"))
    assert "Revoked These open nothing any more" in page
    assert "No device is shared yet" in page
    for path in ("", "invite/", "revoke/"):
        assert owner.post(f"/shop/devices/{device.pk}/{path}", {"name": "New"}).status_code == 404


def test_a_device_is_renamed(tablet):
    owner, device = log_in(User.objects.get(username="ada")), Device.objects.get()
    assert 'value="Bench"' in owner.get(f"/shop/devices/{device.pk}/").content.decode()
    owner.post("/shop/devices/", {"name": "Door", "purpose": "wall", "invite": ""})
    answer = owner.post(f"/shop/devices/{device.pk}/", {"name": "door"})
    assert answer.status_code == 422
    assert "already is a device" in said(answer)
    assert owner.post(f"/shop/devices/{device.pk}/", {"name": "Cutting bench"}).url == "/shop/devices/"
    assert "Cutting bench" in said(tablet.get("/floor/names/"))


def test_the_list_says_when_a_device_was_last_seen_and_who_has_no_pin(tablet, ada, ben, clock):
    tablet.get("/floor/names/")
    clock.shift(timedelta(seconds=30))
    tablet.get("/floor/pack.json")
    assert Device.objects.get().last_seen_at == NOW
    clock.shift(timedelta(minutes=31))
    tablet.get("/floor/pack.json")
    page = said(log_in(User.objects.get(username="ada")).get("/shop/devices/"))
    assert "09:31" in page
    assert "by ada" in page
    assert "Without a PIN: Ada ." in page


# PINs


def test_a_planner_sets_and_clears_a_pin_and_nobody_is_shown_it(shop, ben):
    planner, path = member(shop, "pia", Role.PLANNER), f"/shop/people/{ben.pk}/pin/"
    assert path in planner.get("/shop/people/").content.decode()
    for sent, why in (
        ({"pin": "8642", "again": "8643"}, "The two PINs differ"),
        ({"pin": "1234", "again": "1234"}, "among the first"),
        ({"pin": "86", "again": "86"}, "4 to 8 digits"),
        ({"pin": "", "again": ""}, "required"),
    ):
        answer = planner.post(path, sent)
        assert answer.status_code == 422
        assert why in said(answer)
    assert pin_check(ben, PIN, NOW)  # still the old one
    assert planner.post(path, {"pin": "8642", "again": "8642"}).url == "/shop/people/"
    assert pin_check(ben, "8642", NOW)
    assert "8642" not in said(planner.get("/shop/people/")) + said(planner.get(path))
    planner.post(path, {"clear": "1"})
    ben.refresh_from_db()
    assert ben.pin == ""


def test_a_persons_page_says_whether_they_have_a_pin(owner, ada, ben):
    assert "Ben has one." in said(owner.get(f"/shop/people/{ben.pk}/"))
    page = owner.get(f"/shop/people/{ada.pk}/")
    assert "Ada has none" in said(page)
    assert f"/shop/people/{ada.pk}/pin/" in page.content.decode()


def test_a_maker_sets_nobodys_pin_but_their_own(shop, ben):
    maker = member(shop, "mia", Role.MAKER)
    assert maker.post(f"/shop/people/{ben.pk}/pin/", {"clear": "1"}).status_code == 403
    assert "your log-in is nobody’s" in said(maker.get("/account/pin/"))
    Person.objects.filter(pk=ben.pk).update(user=User.objects.get(username="mia"))
    assert "Change your PIN" in said(maker.get("/account/"))
    assert maker.post("/account/pin/", {"pin": "8642", "again": "8642"}).url == "/account/"
    assert pin_check(ben, "8642", NOW)
    assert maker.post("/account/pin/", {"clear": "1"}).url == "/account/"
    assert "Choose a PIN" in said(maker.get("/account/"))
