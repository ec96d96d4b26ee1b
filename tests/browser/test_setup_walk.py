"""An owner's first minutes in a real browser: the set-up at a phone's width, with and without scripts."""

import re

import pytest
from playwright.sync_api import Page, expect

from shop.models import Machine, Media, Membership, Person, Role, Shop
from shop.selectors import opening_hours
from shop.services.logins import owner_setup

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "three grey gulls"
SETTINGS = (
    "/shop/",
    "/shop/facts/",
    "/shop/hours/",
    "/shop/holidays/",
    "/shop/closures/",
    "/shop/log-ins/",
    "/shop/people/",
    "/shop/machines/new/",
    "/shop/processes/",
    "/account/",
    "/password/",
)


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without"])
def test_an_owner_sets_a_shop_up_on_a_phone(page_at, assert_accessible, scripts):
    page = page_at(390, java_script_enabled=scripts, timezone_id="Europe/Lisbon", locale="pt-PT")

    def look() -> None:
        if scripts:
            assert_accessible(page)
            assert fits(page)

    page.goto("/")
    expect(page.get_by_role("heading", name="Set up your shop")).to_be_visible()
    zone = page.get_by_label("Time zone")
    if scripts:
        expect(zone).to_have_value("Europe/Lisbon")
    zone.fill("Lisbon")
    expect(page.get_by_label("Country, for its holidays")).to_have_value("PT")
    expect(page.get_by_label("Currency")).to_have_value("EUR")
    page.get_by_label("Your name").fill("ada")
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("Password again").fill("three grey gull")
    page.get_by_label("Shop’s name").fill("Quay Signs")
    page.get_by_role("button", name="Set up and go on").click()
    expect(page.get_by_text("The two passwords differ")).to_be_visible()
    look()
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("Password again").fill(PASSWORD)
    page.get_by_role("button", name="Set up and go on").click()

    expect(page.get_by_role("heading", name="When do you work?")).to_be_visible()
    look()
    page.get_by_label("Saturday opens", exact=True).fill("22:00")
    page.get_by_label("Saturday closes").first.fill("02:00")
    page.get_by_role("button", name="Save and go on").click()
    expect(page.get_by_text("close Saturday at 00:00 and open Sunday from 00:00 to 02:00")).to_be_visible()
    look()
    page.get_by_label("Saturday closes").first.fill("00:00")
    page.get_by_role("button", name="Save and go on").click()

    expect(page.get_by_role("heading", name="Who works here?")).to_be_visible()
    look()
    expect(page.get_by_label("Name").first).to_have_value("Ada")
    page.get_by_role("button", name="Add a person").click()
    page.locator("#id_people-3-name").fill("Ben")
    page.get_by_role("group", name="Person 4").get_by_label("Finishing").check()
    page.get_by_role("button", name="Save and go on").click()

    expect(page.get_by_role("heading", name="What do you work with?")).to_be_visible()
    look()
    page.locator("#id_films-0-name").fill("White film")
    page.get_by_role("button", name="Save and make a first enquiry").click()
    expect(page).to_have_url(re.compile("/enquiry/$"))
    expect(page.get_by_text("Quay Signs is set up.")).to_be_visible()

    shop = Shop.objects.get()
    assert shop.time_zone == "Europe/Lisbon"
    assert 5 in opening_hours(shop)
    assert Membership.objects.get(shop=shop).role == Role.OWNER
    assert sorted(Person.objects.of(shop).values_list("name", flat=True)) == ["Ada", "Ben"]
    assert Machine.objects.of(shop).count() == 2
    assert Media.objects.get().width_mm == 1370


def test_the_settings_fit_and_are_accessible(page_at, log_in, looks_right):
    owner = owner_setup(username="ada", password=PASSWORD, name="Quay Signs", holiday_country="DE").user
    page = log_in(page_at(390), owner)
    for path in SETTINGS:
        page.goto(path)
        looks_right(page)


def test_what_was_removed_comes_back_with_one_press(page_at, log_in):
    member = owner_setup(username="ada", password=PASSWORD, name="Quay Signs")
    Machine.objects.create(shop=member.shop, name="Wide printer", kind="printer", max_width_mm=1600)
    page = log_in(page_at(390), member.user)
    page.goto("/shop/machines/")
    page.get_by_role("button", name="Remove Wide printer").click()
    expect(page.get_by_text("Wide printer is removed.")).to_be_visible()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("link", name="Wide printer", exact=True)).to_be_visible()
    assert Machine.objects.get().max_width_mm == 1600


def test_a_one_time_password_leads_to_ones_own(page_at, log_in):
    owner = owner_setup(username="ada", password=PASSWORD, name="Quay Signs").user
    page = log_in(page_at(820), owner)
    page.goto("/shop/log-ins/")
    page.get_by_label("Log-in’s name").fill("pia")
    page.get_by_label("Role", exact=True).select_option("planner")
    page.get_by_role("button", name="Make the log-in").click()
    password = page.locator(".one-time").inner_text()

    other = page_at(390)
    other.goto("/")
    other.get_by_label("Username").fill("pia")
    other.get_by_label("Password").fill(password)
    other.get_by_role("button", name="Log in").click()
    expect(other.get_by_role("heading", name="Choose your password")).to_be_visible()
    other.get_by_label("New password", exact=True).fill("nine blue kites")
    other.get_by_label("New password confirmation").fill("nine blue kites")
    other.get_by_role("button", name="Keep it and log in").click()
    expect(other.get_by_text("logged in as")).to_be_visible()
