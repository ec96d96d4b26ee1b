"""A shared tablet in a real browser at 820 px: let in by its code, a name and a PIN, the floor, back to the names."""

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Job, JobStatus, JobType
from jobs.services.jobs import job_create
from shop.models import Device, Machine, MachineKind, Person, Purpose, Shop, User
from shop.services.devices import device_invite, device_revoke
from shop.services.logins import owner_setup
from shop.services.pins import pin_set
from shop.shared import UNTIL

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PIN = "2580"
LEAST = 48  # CSS pixels: the project's own least size of anything to press; WCAG 2.2, 2.5.5 (AAA) asks for 44


@pytest.fixture
def owner() -> User:
    made = owner_setup(username="ada", password="three grey gulls", name="Quay Signs")
    ben = Person.objects.create(shop=made.shop, name="Ben")
    pin_set(ben, PIN)
    Machine.objects.create(shop=made.shop, name="Cutter", kind=MachineKind.CUTTER)
    job_create(
        shop=made.shop,
        job_type=JobType.objects.of(made.shop).get(name="Lettering"),
        title="Shop door",
        customer_name="Harbour Bakery",
    )
    Job.objects.update(status=JobStatus.PROMISED)  # only those are kept on a device
    return made.user


def assert_fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"{page.url} is too wide"


def assert_thumb_sized(page: Page) -> None:
    """Whatever is pressed on the page's own part is at least so wide and high."""
    small = page.evaluate(
        """(least) => [...document.querySelectorAll("main :is(button, a.tap, a.button, input:not([type=hidden]))")]
          .map((each) => [each.textContent.trim() || each.name, each.getBoundingClientRect()])
          .filter(([, box]) => box.width && (box.width < least || box.height < least))
          .map(([name, box]) => `${name}: ${box.width} × ${box.height}`)""",
        LEAST,
    )
    assert small == []


def shown(page: Page, assert_accessible) -> None:
    assert_accessible(page)
    assert_fits(page)
    assert_thumb_sized(page)


def keys(page: Page, pin: str) -> None:
    for digit in pin:
        page.get_by_role("button", name=digit, exact=True).click()


def test_a_tablet_from_its_invitation_to_its_revoking(page_at, log_in, owner, assert_accessible):
    office = log_in(page_at(1440), owner)
    office.goto("/shop/devices/")
    assert_accessible(office)
    office.get_by_label("Device’s name").fill("Bench tablet")
    office.get_by_role("button", name="Make an invitation").click()
    address = office.locator(".invitation-address").inner_text()
    assert office.locator(".qr").bounding_box()["width"] > 150
    assert_accessible(office)

    tablet = page_at(820)
    tablet.goto(address)
    shown(tablet, assert_accessible)
    tablet.get_by_role("button", name="Let this device in").click()
    expect(tablet.get_by_role("heading", name="Who presses?")).to_be_visible()
    shown(tablet, assert_accessible)
    expect(tablet.get_by_role("link", name="Jobs")).to_have_count(0)
    expect(tablet.get_by_role("button", name="Log out")).to_have_count(0)

    # The PIN by the pad: a wrong one, one rubbed out, and the right one.
    tablet.goto("/jobs/")
    expect(tablet.get_by_role("heading", name="Who presses?")).to_be_visible()
    tablet.get_by_role("link", name="Ben").click()
    field = tablet.get_by_label("Ben, your PIN")
    expect(field).to_be_focused()
    assert field.get_attribute("type") == "password"  # dots
    shown(tablet, assert_accessible)
    keys(tablet, "1357")
    tablet.get_by_role("button", name="Go on").click()
    expect(tablet.get_by_role("alert")).to_contain_text("That is not Ben’s PIN")
    shown(tablet, assert_accessible)
    keys(tablet, "259")
    tablet.get_by_role("button", name="Rub out").click()
    keys(tablet, "80")
    tablet.get_by_role("button", name="Go on").click()
    expect(tablet).to_have_url(re.compile(r"/jobs/$"))
    expect(tablet.get_by_role("heading", name="Jobs")).to_be_visible()

    # The floor knows Ben, and leads back to the names.
    tablet.goto("/floor/")
    expect(tablet.get_by_text(re.compile("Ben presses"))).to_be_visible()
    shown(tablet, assert_accessible)
    tablet.get_by_role("link", name=re.compile("Somebody else|Names")).click()
    expect(tablet.get_by_role("heading", name="Who presses?")).to_be_visible()
    tablet.get_by_role("button", name="Ada").click()  # has no PIN
    expect(tablet.get_by_text(re.compile("Ada presses"))).to_be_visible()

    # Out: what the tablet shows then.
    device_revoke(Device.objects.get(), timezone.now())
    tablet.goto("/jobs/")
    expect(tablet.get_by_role("heading", name="Bench tablet is no longer enrolled")).to_be_visible()
    shown(tablet, assert_accessible)


def a_tablet(page: Page, log_in, owner: User) -> Page:
    """The page's browser, made the shared tablet by the owner."""
    log_in(page, owner)
    page.goto("/shop/devices/")
    page.get_by_label("Device’s name").fill("Bench tablet")
    page.get_by_role("button", name="Let this device in").click()
    confirm = page.get_by_role("button", name="Make it the shop’s")
    if page.evaluate("document.querySelector('dialog') !== null"):
        confirm.click()
    expect(page.get_by_role("heading", name="Who presses?")).to_be_visible()
    return page


def test_a_pin_is_typed_on_a_keyboard_too(page_at, log_in, owner):
    tablet = a_tablet(page_at(820), log_in, owner)
    tablet.get_by_role("link", name="Ben").click()
    expect(tablet.get_by_role("button", name="7", exact=True)).to_be_visible()
    expect(tablet.get_by_label("Ben, your PIN")).to_be_focused()
    tablet.keyboard.type("25")
    tablet.get_by_role("button", name="7", exact=True).focus()  # a key of the pad has the focus
    tablet.keyboard.type("99")
    tablet.keyboard.press("Backspace")
    tablet.keyboard.press("Backspace")
    tablet.keyboard.type("80")
    tablet.get_by_label("Ben, your PIN").press("Enter")
    expect(tablet).to_have_url(re.compile(r"/floor/$"))
    expect(tablet.get_by_text(re.compile("Ben presses"))).to_be_visible()


def test_names_and_a_pin_do_without_a_script(page_at, log_in, owner):
    tablet = a_tablet(page_at(820, java_script_enabled=False), log_in, owner)
    tablet.get_by_role("link", name="Ben").click()
    expect(tablet.get_by_role("button", name="7", exact=True)).to_have_count(0)
    tablet.get_by_label("Ben, your PIN").fill(PIN)
    tablet.get_by_role("button", name="Go on").click()
    expect(tablet.get_by_text(re.compile("Ben presses"))).to_be_visible()
    tablet.get_by_role("link", name="Names").click()
    expect(tablet.get_by_role("heading", name="Who presses?")).to_be_visible()


def test_a_name_that_was_chosen_without_a_connection_gives_way_to_one_that_is_proven(page_at, log_in, owner):
    tablet = a_tablet(page_at(820), log_in, owner)
    tablet.get_by_role("button", name="Ada").click()
    expect(tablet.locator("[data-ready]")).to_be_attached()
    key = f"lapwright.who.{Shop.objects.get().pk}.{Device.objects.get().user_id}"
    tablet.evaluate(
        "([key, id]) => localStorage.setItem(key, JSON.stringify({ id }))",
        [key, Person.objects.get(name="Ada").pk],
    )
    tablet.reload()
    expect(tablet.get_by_text("no PIN asked")).to_be_visible()
    tablet.goto("/floor/names/")
    tablet.get_by_role("link", name="Ben").click()
    expect(tablet.get_by_role("button", name="7", exact=True)).to_be_visible()
    keys(tablet, PIN)
    tablet.get_by_role("button", name="Go on").click()
    expect(tablet.locator("[data-ready]")).to_be_attached()
    expect(tablet.get_by_text(re.compile("Ben presses"))).to_be_visible()
    expect(tablet.get_by_text("no PIN asked")).to_have_count(0)


def test_a_page_that_only_polls_does_not_keep_a_name(page_at, log_in, owner):
    """The floor page asks for news by itself every few seconds; the time of whoever was at it runs out all the same."""
    from django.contrib.sessions.models import Session

    tablet = a_tablet(page_at(820), log_in, owner)
    tablet.get_by_role("button", name="Ada").click()
    expect(tablet.get_by_text(re.compile("Ada presses"))).to_be_visible()

    def until() -> str:
        keys = [session.get_decoded() for session in Session.objects.all()]
        return next(found[UNTIL] for found in keys if UNTIL in found)

    tablet.wait_for_timeout(1000)
    Shop.objects.update(names_after_min=60)  # so that anything that renews would show
    before = until()
    tablet.evaluate(
        """async () => {
          const asked = ["/floor/pack.json", "/floor/", "/sw.js", "/api/v1/stages/running"];
          for (const address of asked) await fetch(address);
        }"""
    )
    assert until() == before
    tablet.goto("/floor/")
    assert until() > before


def test_taps_that_a_revoked_tablet_could_not_send_are_sent_when_it_is_let_in_again(page_at, log_in, owner):
    tablet, job = a_tablet(page_at(820), log_in, owner), Job.objects.get()
    tablet.get_by_role("button", name="Ada").click()
    tablet.goto(f"/floor/{job.number}/")
    start = tablet.get_by_role("button", name=re.compile("^Start")).first
    expect(start).to_be_visible()
    expect(tablet.locator("[data-ready]")).to_be_visible()  # drawn from what the device keeps
    device_revoke(Device.objects.get(), timezone.now())
    start.click()
    expect(tablet.get_by_text(re.compile("no longer enrolled"))).to_be_visible()
    assert not ClockEvent.objects.exists()

    facts = {"shop": job.shop, "name": "Bench tablet", "purpose": Purpose.FLOOR, "by": owner}
    code = device_invite(now=timezone.now(), **facts)[1]
    tablet.goto(f"/join/{code}/")
    tablet.get_by_role("button", name="Let this device in").click()
    tablet.get_by_role("button", name="Ada").click()
    expect(tablet.get_by_text(re.compile("Ada presses"))).to_be_visible()
    for _ in range(480):
        if ClockEvent.objects.exists():
            break
        tablet.wait_for_timeout(250)
    event = ClockEvent.objects.get()
    assert (event.kind, event.person) == ("start", Person.objects.get(name="Ada"))
    assert event.recorded_by == Device.objects.get(revoked_at=None).user
