"""A shop with a job on the floor, and what the tests without a connection do and look at in the browser."""

import re
import time

from django.urls import reverse
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Job, JobStatus, JobType
from jobs.services.jobs import job_create
from shop.models import Finish, Machine, MachineKind, Membership, Person, Process, Role, Unattended, User
from shop.services import shop_create
from tests.browser.thumb import rest

STORE = 'import("/static/jobs/js/store.js")'


def van_job() -> Job:
    """A promised job of a shop with an owner, a maker who is Ada, a printer and a cutter."""
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    Membership.objects.create(user=User.objects.create_user("owner"), shop=shop, role=Role.OWNER)
    user = User.objects.create_user("maker")
    Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
    Person.objects.create(shop=shop, name="Ada", user=user)
    for name, kind in (("Wide printer", MachineKind.PRINTER), ("Cutter", MachineKind.CUTTER)):
        Machine.objects.create(shop=shop, name=name, kind=kind, unattended=Unattended.OPEN_HOURS)
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        customer_name="Harbour Bakery",
        process=Process.objects.of(shop).get(name="Latex"),
        finish=Finish.objects.of(shop).get(name="Bare"),
    )
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED)
    return job


def stopwatch(job: Job) -> str:
    return reverse("jobs:stopwatch", args=[job.number])


def press(page: Page, word: str) -> None:
    """A press, once the page's own scripts take it: before, it is a form. A thumb takes its time before the next."""
    expect(page.locator("[data-floor][data-ready]")).to_be_attached()
    page.get_by_role("button", name=re.compile(f"^{word}")).first.click()
    rest(page)


def shows(page: Page, stage: str, state: str) -> None:
    expect(page.locator("[data-stage-name]")).to_have_text(stage)
    expect(page.locator("[data-state-word]")).to_have_text(state)


def kept_for_later(page: Page) -> None:
    """The browser has the service worker, the floor's page and the pack."""
    page.evaluate(
        """async () => {
          await navigator.serviceWorker.ready;
          const has = async () => (await caches.keys()).some((name) => name.startsWith("lapwright-shell"))
            && Boolean(await caches.match("/floor/shell/"));
          for (let i = 0; i < 600 && !(await has()); i += 1) await new Promise((done) => setTimeout(done, 50));
          if (!(await has())) throw new Error("the floor's page is not kept");
        }"""
    )
    expect(page.locator("[data-floor][data-ready]")).to_be_attached()


def waiting(page: Page) -> int:
    return page.evaluate(f"{STORE}.then((store) => store.waitingTaps()).then((taps) => taps.length)")


def all_sent(page: Page, seconds: float = 90) -> None:
    until = time.monotonic() + seconds
    while waiting(page):
        assert time.monotonic() < until, "the taps were not sent"
        page.wait_for_timeout(50)


def kinds() -> list[str]:
    return list(ClockEvent.objects.order_by("at").values_list("kind", flat=True))
