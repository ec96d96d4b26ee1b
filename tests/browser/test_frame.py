"""The frame of every page in a real browser: nothing refused by the content policy, nothing missing, theme kept.

Accessibility rules: axe-core, run in the page.
"""

import re

import pytest
from playwright.sync_api import Page, expect

from shop.models import User
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(autouse=True)
def a_shop_that_was_set_up() -> None:
    shop_create(
        slug="quay", name="Quay Signs", time_zone="Europe/Berlin", owner=User.objects.create_user("owner")
    )


def listen(page: Page) -> list[str]:
    """What goes wrong on the page from now on: refusals, script errors, missing files."""
    wrong: list[str] = []
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("requestfailed", lambda request: wrong.append(request.url))
    return wrong


def ground(page: Page) -> str:
    return page.evaluate("getComputedStyle(document.body).backgroundColor")


def test_the_log_in_fits_and_follows_the_accessibility_rules(page_at, looks_right):
    page = page_at(390)
    wrong = listen(page)
    page.goto("/login/")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_text("This field is required.")).to_have_count(2)
    looks_right(page, looks=[(width, scheme) for width in (390, 820, 1440) for scheme in ("light", "dark")])
    assert wrong == []


def test_a_chosen_theme_is_kept_until_it_is_the_device_s_own_again(page_at):
    page = page_at(1440, color_scheme="light")
    page.goto("/login/")
    light = ground(page)
    page.get_by_role("button", name="Dark theme").click()
    dark = ground(page)
    assert dark != light
    page.reload()
    assert ground(page) == dark
    page.get_by_role("button", name="Light theme").click()
    assert ground(page) == light
    page.emulate_media(color_scheme="dark")
    assert ground(page) == dark


def test_the_first_press_of_tab_offers_to_skip_to_the_content(page_at):
    page = page_at(1440)
    page.goto("/no-such-page/")
    expect(page.get_by_role("heading", level=1)).to_have_text("There is no such page")
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the page's content")
    expect(skip).to_be_focused()
    skip.press("Enter")
    expect(page.locator("#main")).to_be_focused()


def test_running_times_tick_from_the_server_s_clock_though_the_device_s_is_wrong(page_at):
    page = page_at(1440)
    # The device believes that it is three hours later than it is.
    page.add_init_script("const true_ = Date.now; Date.now = () => true_() + 3 * 3600e3;"
                         "const origin = performance.timeOrigin + 3 * 3600e3;"
                         "Object.defineProperty(performance, 'timeOrigin', { get: () => origin });")  # fmt: skip
    page.goto("/login/")
    page.evaluate(
        """() => {
          const time = document.createElement("p");
          time.id = "time";
          time.dataset.ticking = "";
          time.dataset.baseSeconds = "3600";
          time.dataset.since = String(Number(document.documentElement.dataset.now) - 65000);
          document.querySelector("main").append(time);
        }"""
    )
    # An hour, 65 seconds, and the few that have passed: a whole one more than the first that is seen.
    time = page.locator("#time")
    expect(time).to_have_text(re.compile(r"^1:0[1-5]:\d\d$"))
    first = time.inner_text()
    expect(time).not_to_have_text(first)
    expect(time).to_have_text(re.compile(r"^1:0[1-5]:\d\d$"))
    assert time.inner_text() > first
