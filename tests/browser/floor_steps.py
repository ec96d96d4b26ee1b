"""A small shop and what a hand does on its floor pages, for the tests that walk them."""

from __future__ import annotations

import re

from django.urls import reverse
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Element, Job, JobStatus, JobType, StageKind
from jobs.services.jobs import job_create
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
from shop.services import shop_create
from tests.browser.thumb import rest


def a_shop() -> Shop:
    """A shop with a log-in 'maker' for Ada, Ben, a printer and a cutter that run alone, and elements of printing."""
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    user = User.objects.create_user("maker")
    Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
    Person.objects.create(shop=shop, name="Ada", user=user)
    Person.objects.create(shop=shop, name="Ben")
    for name, kind in (("Wide printer", MachineKind.PRINTER), ("Cutter", MachineKind.CUTTER)):
        Machine.objects.create(shop=shop, name=name, kind=kind, unattended=Unattended.OPEN_HOURS)
    printing = StageKind.objects.of(shop).get(key="print")
    Element.objects.of(shop).filter(kind=printing).delete()
    for position, name in enumerate(("Warm up", "First metre")):
        Element.objects.create(shop=shop, kind=printing, name=name, position=position)
    return shop


def a_job(shop: Shop, title: str = "Van, two sides") -> Job:
    """A promised job without a hold behind its print."""
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title=title,
        customer_name="Harbour Bakery",
        process=Process.objects.of(shop).get(name="Latex"),
        finish=Finish.objects.of(shop).get(name="Bare"),
    )
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED)
    return job


def stopwatch(job: Job) -> str:
    """The address of a job's stopwatch."""
    return reverse("jobs:stopwatch", args=[job.number])


def ready(page: Page) -> None:
    """The page is drawn from what the device keeps."""
    expect(page.locator("[data-floor][data-ready]")).to_be_attached()


def open_floor(page: Page, address: str = "/floor/") -> Page:
    """Open a floor page and wait for it."""
    page.goto(address)
    ready(page)
    return page


def press(page: Page, word: str) -> None:
    """Press the first button whose words begin so."""
    page.get_by_role("button", name=re.compile(f"^{re.escape(word)}")).first.click()


def fold_open(page: Page, word: str) -> None:
    """Open what lies folded under this word."""
    page.locator("summary", has_text=word).first.click()


def settled(page: Page) -> None:
    """The server has all presses, and a thumb is ready for the next."""
    page.evaluate(
        """async () => {
          const { waitingTaps } = await import("/static/jobs/js/store.js");
          const pause = () => new Promise((done) => setTimeout(done, 50));
          for (let i = 0; (await waitingTaps()).length && i < 600; i += 1) await pause();
          if ((await waitingTaps()).length) throw new Error("the presses were not sent");
        }"""
    )
    rest(page)


def shows(page: Page, stage: str, state: str) -> None:
    """The stopwatch shows this stage in this state."""
    expect(page.locator("[data-stage-name]")).to_have_text(stage)
    expect(page.locator("[data-floor] article [data-state-word]")).to_have_text(state)


def kinds() -> list[str]:
    """What the server has been told, in order."""
    return list(ClockEvent.objects.order_by("at").values_list("kind", flat=True))


def small_targets(page: Page) -> list[str]:
    """What can be pressed on the page's floor part and is less than 48 px high or wide.

    WCAG 2.2 asks for 24 px (2.5.8, level AA) or 44 px (2.5.5, level AAA); 48 px is the program's own, for gloves.
    """
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll("main :is(a, button, summary, label.tap, input:not([type=radio]))")]
          .filter((one) => one.checkVisibility() && !one.closest(".visually-hidden"))
          .map((one) => [one.textContent.trim() || one.id, one.getBoundingClientRect()])
          .filter(([, box]) => box.height < 47.9 || box.width < 47.9)
          .map(([name, box]) => `${name} ${Math.round(box.width)}x${Math.round(box.height)}`)"""
    )
    return found


def slow_network(page: Page) -> None:
    """From now on an answer takes most of a second, and little goes through at a time."""
    network = page.context.new_cdp_session(page)
    network.send("Network.enable")
    slow = {"offline": False, "latency": 700, "downloadThroughput": 20_000, "uploadThroughput": 20_000}
    network.send("Network.emulateNetworkConditions", slow)


def press_through(page: Page) -> None:
    """Eight presses by a finger, from the first stage of `a_job` on; each shows before the next is made."""
    for word, stage, state in (
        ("Start", "Artwork", "Running"),
        ("Next: Load", "Load and set up", "Running"),
        ("Next: Print", "Print", "Running"),
        ("Lap: Warm up", "Print", "Running"),
        ("Next: Cut", "Cut", "Running"),
        ("Next: Weed", "Weed", "Running"),
        ("Undo", "Cut", "Running"),
        ("Finish", "Weed", "Ready"),
    ):
        page.get_by_role("button", name=re.compile(f"^{word}")).first.tap()
        shows(page, stage, state)
        rest(page)
