"""The floor in a real browser: presses show at once, wait without a connection, and count once."""

import re

import pytest
from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from jobs.models import ClockEvent, Interval, IntervalKind, Job, JobStatus, Stage, StageState
from shop.models import Person, User
from shop.services import revision_raise
from tests.browser.floor_steps import (
    a_job,
    a_shop,
    fold_open,
    kinds,
    open_floor,
    press,
    press_through,
    settled,
    shows,
    slow_network,
    small_targets,
    stopwatch,
)
from tests.browser.offline_world import waiting
from tests.browser.thumb import rest

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def job() -> Job:
    return a_job(a_shop())


@pytest.fixture
def maker(job: Job) -> User:
    return User.objects.get(username="maker")


@pytest.fixture
def phone(page_at, log_in, job, maker) -> Page:
    """A phone on the job's stopwatch."""
    return open_floor(log_in(page_at(390), maker), stopwatch(job))


def test_a_second_touch_that_meets_the_next_button_is_the_same_press(phone):
    phone.evaluate(
        """() => {
          const main = () => document.querySelector(".main-tap button"), from = performance.now();
          const touch = (ms) => { // a fifth of a second apart, however long the page takes to draw
            const click = new MouseEvent("click", { bubbles: true, cancelable: true });
            Object.defineProperty(click, "timeStamp", { value: from + ms });
            main().dispatchEvent(click);
          };
          touch(0);
          if (!main().textContent.startsWith("Next")) throw new Error("Next is not under the thumb");
          touch(200);
        }"""
    )
    settled(phone)
    assert kinds() == ["start"]


def test_presses_without_a_connection_are_kept_said_and_counted_once(phone, job):
    phone.context.set_offline(True)
    press(phone, "Start")
    shows(phone, "Artwork", "Running")
    unsent = phone.locator("[data-unsent]")
    expect(unsent).to_contain_text("One tap waiting to be sent.")
    expect(unsent).to_contain_text("No connection. Taps are kept on this device.")
    rest(phone)
    press(phone, "Next: Load and set up")
    shows(phone, "Load and set up", "Running")
    rest(phone)
    press(phone, "Finish")
    shows(phone, "Print", "Ready")
    expect(unsent).to_contain_text("Three taps waiting to be sent.")
    rest(phone)
    press(phone, "Undo")
    shows(phone, "Load and set up", "Running")
    assert ClockEvent.objects.count() == 0
    phone.context.set_offline(False)
    settled(phone)
    expect(unsent).to_be_hidden()
    assert kinds() == ["start", "next", "finish", "void"]
    assert job.stages.get(kind__key="artwork").state == StageState.FINISHED
    assert job.stages.get(kind__key="load").state == StageState.RUNNING


def test_an_answer_that_is_lost_does_not_count_a_press_twice(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    lost: list[int] = []

    def lose_the_first(route) -> None:
        answer = route.fetch()
        if lost:
            route.fulfill(response=answer)
        else:
            lost.append(answer.status)
            route.abort()

    page.route("**/api/v1/taps", lose_the_first)
    open_floor(page, stopwatch(job))
    press(page, "Start")
    settled(page)
    assert (lost, ClockEvent.objects.count()) == ([200], 1)
    shows(page, "Artwork", "Running")
    assert kinds() == ["start"]


def test_a_finger_s_presses_are_shown_before_a_slow_server_has_them(phone, job):
    slow_network(phone)
    press_through(phone)
    settled(phone)
    assert kinds() == ["start", "next", "next", "lap", "next", "next", "void", "finish"]


def test_presses_show_and_are_kept_with_a_server_that_never_answers(phone):
    held: list[Route] = []
    phone.route("**/api/v1/taps", lambda route: held.append(route))  # Playwright takes no bound method
    for word, stage, state in (
        ("Start", "Artwork", "Running"),
        ("Next: Load", "Load and set up", "Running"),
        ("Finish", "Print", "Ready"),
        ("Undo", "Load and set up", "Running"),
    ):
        press(phone, word)
        shows(phone, stage, state)
        rest(phone)
    assert waiting(phone) == 4
    assert ClockEvent.objects.count() == 0
    for one in held:
        one.abort()


def test_a_press_that_is_refused_is_said_and_taken_back(phone):
    Person.objects.filter(name="Ada").delete()
    press(phone, "Start")
    settled(phone)
    refused = phone.locator("[data-refused]")
    expect(refused).to_contain_text("Not counted: Artwork started. There is no such person in this shop.")
    shows(phone, "Artwork", "Ready")
    refused.get_by_role("button", name="Dismiss").click()
    expect(refused).to_be_hidden()


def test_what_is_pressed_elsewhere_comes_to_the_page_and_leaves_open_what_is_open(
    page_at, log_in, job, maker
):
    page = open_floor(log_in(page_at(820), maker), stopwatch(job))
    press(page, "Start")
    settled(page)
    fold_open(page, "Pause")
    elsewhere = log_in(page_at(390), maker)
    open_floor(elsewhere, f"{stopwatch(job)}?stage={job.stages.get(kind__key='print').pk}")
    elsewhere.get_by_text("Somebody else?").click()
    elsewhere.get_by_role("button", name="Ben").click()
    press(elsewhere, "Start")
    settled(elsewhere)
    line = page.locator(".floor-stages li", has_text=re.compile("^\\s*Print"))
    expect(line).to_contain_text("running")
    expect(page.get_by_role("button", name="Blade change")).to_be_visible()
    assert Interval.objects.get(stage__kind__key="print", kind=IntervalKind.HANDS_ON).person.name == "Ben"


def test_the_keyboard_keeps_its_place(page_at, log_in, job, maker):
    page = open_floor(log_in(page_at(1440), maker), stopwatch(job))
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Start").focus()
    page.keyboard.press("Enter")
    shows(page, "Artwork", "Running")
    for _ in range(2):  # at once, and when the server has answered
        expect(page.get_by_role("button", name="Next: Load and set up")).to_be_focused()
        settled(page)


def test_pages_turn_without_the_server_and_back_again(phone, job):
    floor = reverse("jobs:floor")
    asked: list[str] = []
    phone.on(
        "request", lambda request: asked.append(request.url) if request.is_navigation_request() else None
    )
    phone.context.set_offline(True)
    phone.get_by_role("link", name="Floor").last.click()
    expect(phone).to_have_url(re.compile(f"{floor}$"))
    expect(phone.get_by_role("heading", name="Floor", exact=True)).to_be_focused()
    phone.get_by_role("searchbox").fill("bakery two")
    expect(phone.locator("[data-found] li")).to_have_count(1)
    phone.get_by_role("searchbox").fill("no such thing")
    expect(phone.get_by_text("No open job matches “no such thing”.")).to_be_visible()
    phone.get_by_role("searchbox").fill("")
    phone.locator("[data-lead] h2 a").click()
    expect(phone.get_by_role("heading", name=job.title)).to_be_focused()
    phone.go_back()
    expect(phone.locator("[data-lead]")).to_be_visible()
    assert asked == []


def test_a_key_for_each_press_which_can_be_switched_off(page_at, log_in, job, maker):
    page = open_floor(log_in(page_at(1440), maker), stopwatch(job))
    for key, stage, state in (
        ("s", "Artwork", "Running"),
        ("n", "Load and set up", "Running"),
        ("p", "Load and set up", "Running"),
        ("2", "Load and set up", "Paused"),
        ("s", "Load and set up", "Running"),
        ("n", "Print", "Running"),
        ("l", "Print", "Running"),
        ("f", "Cut", "Ready"),
        ("u", "Print", "Running"),
    ):
        page.keyboard.press(key)
        shows(page, stage, state)
        rest(page)
    settled(page)
    assert kinds() == ["start", "next", "pause", "resume", "next", "lap", "finish", "void"]
    page.keyboard.press("?")
    keys = page.get_by_role("dialog", name="Keys")
    expect(keys).to_be_visible()
    keys.get_by_label("Keys are on").uncheck()
    keys.get_by_role("button", name="Close").click()
    page.reload()
    page.keyboard.press("p")
    expect(page.get_by_role("button", name="Blade change")).to_be_hidden()
    page.keyboard.press("/")
    expect(page).to_have_url(re.compile(stopwatch(job)))


def test_keys_rest_while_somebody_types(page_at, log_in, job, maker):
    page = open_floor(log_in(page_at(1440), maker))
    page.keyboard.press("/")
    expect(page.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("sun")
    assert page.get_by_role("searchbox").input_value() == "sun"
    page.wait_for_timeout(300)
    assert ClockEvent.objects.count() == 0


def test_the_floor_fits_and_can_be_read_by_everybody(page_at, log_in, job, maker, looks_right):
    page = log_in(page_at(390), maker)
    at_390 = [(390, "light"), (390, "dark")]
    open_floor(page, f"{stopwatch(job)}?stage={Stage.objects.get(job=job, kind__key='print').pk}")
    looks_right(page, looks=at_390)
    press(page, "Start")
    settled(page)
    fold_open(page, "Pause")
    for address in ("", reverse("jobs:floor")):
        if address:
            open_floor(page, address)
        for width in (1440, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (
                f"{address} at {width}"
            )
            assert small_targets(page) == [], f"too small for a gloved thumb at {width} px"
        looks_right(page, looks=at_390)


def test_a_page_that_is_drawn_anew_under_a_finger_still_takes_the_press(phone, job):
    box = phone.get_by_role("button", name="Start").bounding_box()
    phone.mouse.move(box["x"] + 40, box["y"] + 40)
    phone.mouse.down()
    Job.objects.filter(pk=job.pk).update(title="Van, three sides")
    phone.evaluate("import('/static/jobs/js/pack.js').then((pack) => pack.refresh({ force: true }))")
    phone.wait_for_timeout(200)
    expect(phone.get_by_role("heading", name="Van, two sides")).to_be_visible()
    phone.mouse.up()
    shows(phone, "Artwork", "Running")
    expect(phone.get_by_role("heading", name="Van, three sides")).to_be_visible()


def test_a_machine_that_is_clocked_twice_is_said_at_once_without_the_server(page_at, log_in, job, maker):
    other = a_job(job.shop, "Shop window")
    page = open_floor(log_in(page_at(390), maker), stopwatch(job))
    page.context.set_offline(True)
    for each in (job, other):
        page.evaluate("address => history.pushState({}, '', address)", stopwatch(each))
        page.evaluate("dispatchEvent(new PopStateEvent('popstate'))")
        page.locator(".floor-stage", has_text=re.compile("^\\s*Print")).click()
        press(page, "Start")
        shows(page, "Print", "Running")
        rest(page)
    notice = page.locator(".notice", has_text="is clocked on more than it takes")
    expect(notice).to_contain_text("Wide printer")
    expect(notice.get_by_role("link", name=f"Print of {job.number} {job.title}")).to_be_visible()


def test_a_job_that_is_finished_elsewhere_is_shown_as_the_server_has_it(phone, job):
    press(phone, "Start")
    settled(phone)
    with transaction.atomic():  # as a press elsewhere: nobody sees half of it
        Stage.objects.filter(job=job).update(state=StageState.FINISHED, finished_at=timezone.now())
        Job.objects.filter(pk=job.pk).update(status=JobStatus.FINISHED)
        revision_raise(job.shop_id)
    expect(phone.get_by_text("Every stage is finished.")).to_be_visible()


def test_the_last_stage_s_finish_can_be_taken_back(phone, job):
    Stage.objects.filter(job=job).exclude(kind__key="artwork").update(left_out=True)
    revision_raise(job.shop_id)
    open_floor(phone, stopwatch(job))
    press(phone, "Start")
    settled(phone)
    press(phone, "Finish")
    expect(phone.get_by_text("Every stage is finished.")).to_be_visible()
    settled(phone)
    phone.wait_for_timeout(500)  # the job has left what the device keeps
    press(phone, "Undo")
    shows(phone, "Artwork", "Running")
    settled(phone)
    shows(phone, "Artwork", "Running")
    assert job.stages.get(kind__key="artwork").state == StageState.RUNNING


def test_without_a_script_the_same_presses_are_forms(page_at, log_in, job, maker):
    page = log_in(page_at(390, java_script_enabled=False), maker)
    page.goto(reverse("jobs:floor"))
    press(page, "Start")
    expect(page.locator("[data-lead]")).to_contain_text("Artwork")
    expect(page.locator(".undo-bar")).to_contain_text("Artwork started")
    press(page, "Next: Load and set up")
    press(page, "Next: Print")
    page.locator("[data-lead] h2 a").click()
    expect(page.locator(".big-time")).to_have_text(re.compile(r"since \d\d:\d\d"))
    assert page.locator(".big-time small").bounding_box()["width"] < 300
    press(page, "Lap: Warm up")
    fold_open(page, "Pause")
    press(page, "Customer")
    expect(page.get_by_text("Customer, since")).to_be_visible()
    press(page, "Undo")
    shows(page, "Print", "Running")
    fold_open(page, "Do again")
    again = page.locator("[data-again]")
    again.locator("input[name=cause]").first.check()
    again.get_by_label("Pieces scrapped").fill("3")
    again.get_by_role("button", name="Do again").click()
    expect(page.locator(".undo-bar")).to_contain_text("Print is done again")
    assert kinds() == ["start", "next", "next", "lap", "pause", "void", "again"]
    assert ClockEvent.objects.get(kind="again").scrapped == 3
