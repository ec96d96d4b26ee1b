"""The frame of every page in a real browser: nothing refused by the content policy, nothing missing, theme kept.

Accessibility rules: axe-core, run in the page.
"""

import pytest
from axe_playwright_python.sync_playwright import Axe
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


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 820, 1440])
def test_the_log_in_fits_and_follows_the_accessibility_rules(browser, live_server, width, scheme):
    page = browser.new_page(viewport={"width": width, "height": 844}, color_scheme=scheme)
    wrong = listen(page)
    page.goto(f"{live_server.url}/login/")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_text("This field is required.")).to_have_count(2)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert Axe().run(page).response["violations"] == []
    assert wrong == []
    page.close()


def test_a_chosen_theme_is_kept_until_it_is_the_device_s_own_again(browser, live_server):
    page = browser.new_page(color_scheme="light")
    page.goto(f"{live_server.url}/login/")
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
    page.close()


def test_the_first_press_of_tab_offers_to_skip_to_the_content(browser, live_server):
    page = browser.new_page()
    page.goto(f"{live_server.url}/no-such-page/")
    expect(page.get_by_role("heading", level=1)).to_have_text("There is no such page")
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the page's content")
    expect(skip).to_be_focused()
    skip.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.close()


def test_running_times_tick_from_the_server_s_clock_though_the_device_s_is_wrong(browser, live_server):
    page = browser.new_page()
    # The device believes that it is three hours later than it is.
    page.add_init_script("const true_ = Date.now; Date.now = () => true_() + 3 * 3600e3;"
                         "const origin = performance.timeOrigin + 3 * 3600e3;"
                         "Object.defineProperty(performance, 'timeOrigin', { get: () => origin });")  # fmt: skip
    page.goto(f"{live_server.url}/login/")
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
    expect(page.locator("#time")).to_have_text(
        "1:01:07"
    )  # an hour, 65 seconds, and the two that are waited for
    page.close()
