"""A log is brought in on a phone, and taken out again, in a real browser."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from jobs.models import DraftState, ImportDraft, Job
from shop.models import Membership, Role, User
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LOG = """Order No,Type of job,Step,Start,End,Initials,Area [m²]
A-101,Van,Print,2026-03-02T09:00Z,2026-03-02T10:05Z,MO,4.25
A-101,Van,Hand hemming,2026-03-02T10:10Z,2026-03-02T10:40Z,JB,4.25
B-7,Window,Print,2026-03-03T09:30Z,2026-03-03T10:00Z,MO,2.5
"""


@pytest.fixture
def planner() -> User:
    shop = shop_create(slug="quay", name="Quay Signs")
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    return user


def assert_fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), page.url


def look_at(page: Page, path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    page.goto("/import/")
    page.get_by_label("File").set_input_files(path)
    page.get_by_role("button", name="Look at it").click()
    page.wait_for_url("**/import/*/")


def test_a_log_is_looked_at_put_right_and_brought_in_on_a_phone(
    page_at, log_in, assert_accessible, planner, tmp_path
):
    page = log_in(page_at(390), planner)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto("/shop/")
    page.get_by_role("link", name="Bring in a log").click()
    assert_accessible(page)
    assert_fits(page)
    look_at(page, tmp_path / "log.csv", LOG.replace("10:40Z", "10:04Z"))
    expect(page.get_by_text("1 of 3 rows is wrong")).to_be_visible()
    expect(page.get_by_role("row", name="line 3 Column End")).to_contain_text("is before Start")
    expect(page.get_by_role("button", name="Bring it in")).to_have_count(0)
    assert_accessible(page)
    assert_fits(page)

    look_at(page, tmp_path / "log.csv", LOG)
    assert_accessible(page)
    assert_fits(page)
    page.get_by_label("Initials", exact=True).select_option(label="Person")
    page.get_by_role("button", name="Read it like this").click()
    expect(page.get_by_text("2 new people: MO, JB")).to_be_visible()
    heights = page.locator("select, main .button").evaluate_all("(all) => all.map((one) => one.offsetHeight)")
    assert min(heights) >= 48
    page.get_by_role("button", name="Bring it in").click()
    expect(page.get_by_text("Brought in: 3 rows.")).to_be_visible()
    assert_accessible(page)
    assert_fits(page)
    assert Job.objects.count() == 2

    look_at(page, tmp_path / "log.csv", LOG)
    expect(page.get_by_text("Read as last time:")).to_be_visible()
    expect(page.get_by_text("all 3 rows have been brought in before")).to_be_visible()
    assert_fits(page)

    page.goto("/import/")
    page.get_by_role("link", name="log.csv").nth(1).click()
    page.get_by_role("link", name="Take it back").click()
    expect(page.get_by_role("heading", name="What goes")).to_be_visible()
    assert_accessible(page)
    assert_fits(page)
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_text("Taken back: 3 rows, 2 jobs and 3 stages, by planner")).to_be_visible()
    assert_accessible(page)
    assert_fits(page)
    assert Job.objects.count() == 0

    american = LOG.replace("2026-03-02T", "03/02/2026 ").replace("2026-03-03T", "03/03/2026 ")
    look_at(page, tmp_path / "log.csv", american)
    page.get_by_label("The month: 03/02/2026").check()
    assert_accessible(page)
    page.get_by_role("button", name="Read it like this").click()
    expect(page.get_by_text("were read with the month first")).to_be_visible()
    expect(page.get_by_role("cell", name="2026-03-02 09:00")).to_be_visible()
    assert_fits(page)
    assert wrong == []


def test_progress_comes_by_itself_and_without_scripts_by_looking_again(page_at, log_in, planner, tmp_path):
    page = log_in(page_at(390), planner)
    look_at(page, tmp_path / "log.csv", LOG)
    where = page.url
    ImportDraft.objects.update(state=DraftState.RUNNING, step="Writing: 3 rows")
    plain = log_in(page_at(390, java_script_enabled=False), planner)
    plain.goto(where)
    page.reload()
    for each in (page, plain):
        expect(each.locator("[aria-current=step]")).to_contain_text("Writing")
    written = {"rows": 3, "new_rows": 3, "jobs": 2, "stages": 3, "clashes": 0, "made": []}
    ImportDraft.objects.update(state=DraftState.DONE, step="", result={"kind": "CSV", "written": written})
    expect(page.get_by_text("Brought in: 3 rows.")).to_be_visible()
    expect(plain.get_by_text("Brought in: 3 rows.")).to_have_count(0)
    plain.get_by_role("link", name="Look again").click()
    expect(plain.get_by_text("Brought in: 3 rows.")).to_be_visible()


def test_a_file_that_is_dropped_is_looked_at(page_at, log_in, planner):
    page = log_in(page_at(1440), planner)
    page.goto("/import/")
    page.evaluate(
        """(text) => {
          const all = new DataTransfer();
          all.items.add(new File([text], "dropped.csv", { type: "text/csv" }));
          const form = document.querySelector("[data-drop]");
          form.dispatchEvent(new DragEvent("drop", { dataTransfer: all, bubbles: true, cancelable: true }));
        }""",
        LOG,
    )
    expect(page.get_by_role("heading", name="dropped.csv")).to_be_visible()


def test_times_are_taken_out_on_a_phone(page_at, log_in, assert_accessible, planner, tmp_path):
    page = log_in(page_at(390, accept_downloads=True), planner)
    page.goto("/export/")
    expect(page.get_by_text("nothing to take out")).to_be_visible()
    look_at(page, tmp_path / "log.csv", LOG)
    page.get_by_role("button", name="Bring it in").click()
    expect(page.get_by_text("Brought in: 3 rows.")).to_be_visible()
    page.goto("/export/")
    assert_accessible(page)
    assert_fits(page)
    page.get_by_label("Finished from").fill("2026-03-03")
    with page.expect_download() as download:
        page.get_by_role("button", name="CSV").click()
    rows = list(csv.DictReader(io.StringIO(download.value.path().read_text(encoding="utf-8"))))
    assert [(row["job"], row["stage"]) for row in rows] == [("B-7", "Print")]
    with page.expect_download() as download:
        page.get_by_role("button", name="XES").click()
    assert download.value.suggested_filename == "timings-quay.xes"
    assert "<trace>" in download.value.path().read_text(encoding="utf-8")
