"""A day on the floor in a real browser: a job is clocked on a phone, with a connection and without."""

import re
import statistics

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Interval, IntervalKind, Job, JobType, Stage, StageState
from jobs.services.jobs import job_create
from shop.models import Finish, Machine, MachineKind, Membership, Person, Process, Role, Unattended, User
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SOON = (
    100  # milliseconds in which a press must show; the usual bound for "at once", common practice, no source
)


@pytest.fixture
def job() -> Job:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    user = User.objects.create_user("maker")
    Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
    Person.objects.create(shop=shop, name="Ada", user=user)
    Person.objects.create(shop=shop, name="Ben")
    for name, kind in (("Wide printer", MachineKind.PRINTER), ("Cutter", MachineKind.CUTTER)):
        Machine.objects.create(shop=shop, name=name, kind=kind, unattended=Unattended.OPEN_HOURS)
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        customer_name="Harbour Bakery",
        process=Process.objects.of(shop).get(name="Latex"),
        finish=Finish.objects.of(shop).get(name="Bare"),
    )


@pytest.fixture
def maker() -> User:
    return User.objects.get(username="maker")


def press(page: Page, word: str) -> None:
    page.get_by_role("button", name=re.compile(f"^{word}")).first.click()


def settled(page: Page) -> None:
    """The server has all presses, and a thumb is ready for the next."""
    page.evaluate(
        """async () => {
          const waits = () => Object.entries(localStorage)
            .some(([key, taps]) => key.startsWith("lapwright.taps") && taps !== "[]");
          for (let i = 0; waits() && i < 100; i += 1) await new Promise((done) => setTimeout(done, 50));
          if (waits()) throw new Error("the presses were not sent");
        }"""
    )
    page.wait_for_timeout(520)


def shows(page: Page, stage: str, state: str) -> None:
    expect(page.locator("[data-stage-name]")).to_have_text(stage)
    expect(page.locator("[data-state-word]")).to_have_text(state)


def kinds() -> list[str]:
    return list(ClockEvent.objects.order_by("at").values_list("kind", flat=True))


def test_a_job_is_clocked_through_five_stages_on_a_phone(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(reverse("jobs:floor"))
    page.get_by_role("link", name=re.compile("Find a job|Van, two sides")).or_(
        page.locator("#q")
    ).first.focus()
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    shows(page, "Artwork", "Ready")
    press(page, "Start")
    shows(page, "Artwork", "Running")
    settled(page)
    page.get_by_text("Pause", exact=True).click()
    press(page, "Customer")
    shows(page, "Artwork", "Paused")
    settled(page)
    expect(page.get_by_text("Customer, since")).to_be_visible()
    press(page, "Resume")
    shows(page, "Artwork", "Running")
    settled(page)
    press(page, "Finish")
    expect(page.get_by_text("Artwork finished", exact=True)).to_be_visible()
    settled(page)
    press(page, "Undo")
    settled(page)
    shows(page, "Artwork", "Running")
    for following in ("Load and set up", "Print"):
        press(page, f"Next: {following}")
        shows(page, following, "Running")
        settled(page)
    expect(page.get_by_text("Wide printer, Ada")).to_be_visible()
    press(page, "Leave it running")
    settled(page)
    expect(page.get_by_text("Wide printer runs alone").first).to_be_visible()
    press(page, "Next: Cut")
    shows(page, "Cut", "Running")
    settled(page)
    press(page, "Next: Weed")
    settled(page)
    press(page, "Finish")
    settled(page)
    assert wrong == []
    done = job.stages.filter(state=StageState.FINISHED).values_list("kind__key", flat=True)
    assert set(done) == {"artwork", "load", "print", "cut", "weed"}
    assert kinds() == [
        "start", "pause", "resume", "finish", "void", "next", "next", "leave", "next", "next", "finish",
    ]  # fmt: skip
    alone = Interval.objects.get(stage__kind__key="print", kind=IntervalKind.MACHINE)
    assert alone.ends_at > Interval.objects.get(stage__kind__key="print", kind=IntervalKind.HANDS_ON).ends_at


def test_a_press_shows_at_once_however_slow_the_server_is(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.route("**/api/v1/taps", lambda route: None)  # the server never answers
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    took = page.evaluate(
        """async () => {
          const took = [], word = () => document.querySelector("[data-state-word]").textContent;
          const frame = () => new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
          for (const [kind, then] of [["start", "Running"], ["aside", "Put aside"], ["start", "Running"],
              ["finish", "Finished"], ["start", "Running"]]) {
            const button = [...document.querySelectorAll(`form[data-tap]:not([hidden]) input[value=${kind}]`)].at(0)
              .form.querySelector("button");
            const from = performance.now();
            button.click();
            await frame();
            took.push(performance.now() - from);
            if (word() !== then) throw new Error(`${word()} is shown after ${kind}, not ${then}`);
            await new Promise((done) => setTimeout(done, 520));
          }
          return took;
        }"""
    )
    assert statistics.median(took) < SOON


def test_a_second_touch_that_meets_the_next_button_is_the_same_press(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    page.evaluate(
        """() => {
          const main = () => document.querySelector(".taps form:not([hidden]) button");
          main().click();
          if (!main().textContent.startsWith("Next")) throw new Error("Next is not under the thumb");
          main().click();
        }"""
    )
    settled(page)
    assert kinds() == ["start"]


def test_presses_without_a_connection_are_kept_said_and_counted_once(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    page.context.set_offline(True)
    press(page, "Start")
    shows(page, "Artwork", "Running")
    expect(page.get_by_text("1 press waits on this device")).to_be_visible()
    page.wait_for_timeout(520)
    press(page, "Next: Load and set up")
    shows(page, "Load and set up", "Running")
    page.wait_for_timeout(520)
    press(page, "Finish")
    shows(page, "Load and set up", "Finished")
    expect(page.get_by_text("3 presses wait on this device")).to_be_visible()
    page.wait_for_timeout(520)
    press(page, "Undo")
    shows(page, "Load and set up", "Running")
    assert ClockEvent.objects.count() == 0
    page.context.set_offline(False)
    settled(page)
    expect(page.locator("[data-unsent]")).to_be_hidden()
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
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    press(page, "Start")
    expect(page.get_by_text("1 press waits on this device")).to_be_visible()
    assert (lost, ClockEvent.objects.count()) == ([200], 1)
    page.get_by_role("button", name="Send now").click()
    settled(page)
    assert kinds() == ["start"]


def test_a_press_that_is_refused_is_said_and_taken_off_the_queue(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    Person.objects.filter(name="Ada").delete()
    press(page, "Start")
    settled(page)
    expect(page.locator("[data-unsent]")).to_contain_text("Not counted: There is no such person")
    shows(page, "Artwork", "Ready")


def test_what_is_pressed_elsewhere_comes_to_the_page_and_leaves_open_what_is_open(
    page_at, log_in, job, maker
):
    page = log_in(page_at(820), maker)
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    press(page, "Start")
    settled(page)
    page.get_by_text("Pause", exact=True).click()
    elsewhere = log_in(page_at(390), maker)
    elsewhere.goto(
        reverse("jobs:stopwatch", args=[job.number]) + f"?stage={job.stages.get(kind__key='print').pk}"
    )
    elsewhere.get_by_text("Somebody else?").click()
    elsewhere.get_by_role("button", name="Ben").click()
    press(elsewhere, "Start")
    settled(elsewhere)
    expect(page.locator(".floor-stages li", has_text=re.compile("^\\s*Print"))).to_contain_text(
        "running", timeout=9000
    )
    expect(page.get_by_role("button", name="Blade change")).to_be_visible()


def test_the_keyboard_keeps_its_place(page_at, log_in, job, maker):
    page = log_in(page_at(1440), maker)
    page.goto(reverse("jobs:stopwatch", args=[job.number]))
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Start").focus()
    page.keyboard.press("Enter")
    shows(page, "Artwork", "Running")
    for _ in range(2):  # at once, and when the server has answered
        expect(page.get_by_role("button", name="Next: Load and set up")).to_be_focused()
        settled(page)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_floor_fits_and_can_be_read_by_everybody(page_at, log_in, job, maker, assert_accessible, scheme):
    page = log_in(page_at(390, color_scheme=scheme), maker)
    stopwatch = reverse("jobs:stopwatch", args=[job.number])
    page.goto(f"{stopwatch}?stage={Stage.objects.get(job=job, kind__key='print').pk}")
    assert_accessible(page)
    press(page, "Start")
    settled(page)
    page.get_by_text("Pause", exact=True).click()
    for address in ("", reverse("jobs:floor")):
        if address:
            page.goto(address)
        for width in (1440, 820, 390):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (
                f"{address} at {width} px"
            )
            small = page.evaluate(
                """[...document.querySelectorAll("main button, main summary, main .tap, main a.floor-stage")]
                  .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < 48)
                  .map((one) => one.textContent)"""
            )
            assert small == [], f"too small for a gloved thumb at {width} px"
        assert_accessible(page)
