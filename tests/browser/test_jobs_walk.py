"""A planner's walk through jobs and routes in a real browser, at a phone's width."""

import re

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from jobs.drivers import ItemSize
from jobs.models import Job, JobType, RouteEdge
from jobs.services.jobs import job_create
from shop.models import Finish, Media, Membership, Process, Role, User
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def job() -> Job:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        customer_name="Harbour Bakery",
        process=Process.objects.of(shop).get(name="Solvent"),
        finish=Finish.objects.of(shop).get(name="Gloss laminate"),
        items=[ItemSize(1200, 600, 2, name="side")],
    )


@pytest.fixture
def planner(job: Job) -> User:
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=job.shop, role=Role.PLANNER)
    return user


def test_a_job_is_found_changed_split_and_cancelled_on_a_phone(page_at, log_in, planner, job):
    page = log_in(page_at(390), planner)
    page.goto(reverse("jobs:job-list"))
    page.get_by_label("Customer, title or number").fill("harbour")
    page.get_by_role("button", name="Show").click()
    page.get_by_role("link", name="Van, two sides").click()
    expect(page.get_by_role("img", name=re.compile("Route of job 1"))).to_be_visible()

    page.get_by_role("button", name="Leave out Weed").click()
    expect(page.get_by_text("Weed is left out")).to_be_visible()
    page.get_by_role("button", name="Take in Weed").click()
    expect(page.get_by_text("Weed is taken in")).to_be_visible()

    page.get_by_role("link", name="Change", exact=True).click()
    page.locator("#id_items-0-width_mm").fill("3 m")
    page.locator("#id_items-0-height_mm").fill("2000")
    page.get_by_role("button", name="Save").last.click()
    page.get_by_role("button", name=re.compile("Split it: 6 panels")).click()
    expect(page.locator("#id_items-0-width_mm")).to_have_value("1006.7")
    page.get_by_role("button", name="Save").last.click()
    expect(page.get_by_text("Job 1 is saved")).to_be_visible()
    assert job.items.get().count == 6

    page.get_by_role("link", name="Cancel the job").click()
    page.get_by_role("button", name="Cancel the job").click()
    page.get_by_role("button", name="Reopen it").click()
    expect(page.get_by_text("Job 1 is open again")).to_be_visible()


def test_only_finishes_that_go_with_the_process_are_offered(page_at, log_in, planner, job):
    page = log_in(page_at(1440), planner)
    page.goto(reverse("jobs:job-edit", args=[job.number]))
    page.get_by_label("Cut only").check()
    finish = page.get_by_label("Finish")
    expect(finish).to_have_value("")
    assert [option.is_disabled() for option in finish.locator("option").all()] == [False, False, True, True]


def test_a_route_with_a_circle_is_refused_without_scripts(page_at, log_in, planner, job):
    page = log_in(page_at(390, java_script_enabled=False), planner)
    lettering = JobType.objects.of(job.shop).get(name="Lettering")
    before = set(RouteEdge.objects.filter(before__job_type=lettering).values_list("pk", flat=True))
    page.goto(reverse("jobs:job-type", args=[lettering.pk]))
    page.locator("summary", has_text="Cut").first.click()
    page.locator("#after-2-1").select_option(label="Mask")
    page.get_by_role("button", name="Save the route").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("wait for each other in a circle")
    for name in ("Cut", "Weed", "Mask"):
        expect(alert).to_contain_text(name)
    assert set(RouteEdge.objects.filter(before__job_type=lettering).values_list("pk", flat=True)) == before

    page.locator("summary", has_text="Cut").first.click()
    page.locator("#after-2-1").select_option(label="–")
    page.get_by_label("Stage", exact=True).last.select_option(label="Trim")
    page.get_by_label("After", exact=True).select_option(label="Cut")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.get_by_text("not saved yet")).to_be_visible()
    page.get_by_role("button", name="Save the route").click()
    expect(page.get_by_text("The route of Lettering is saved")).to_be_visible()
    order = [str(stage) for stage in lettering.route.all() if stage.kind.key != "media-delivery"]
    assert order == ["Artwork", "Approval", "Cut", "Trim", "Weed", "Mask", "Pack"]


def test_the_pages_fit_and_can_be_read_by_everybody(page_at, log_in, planner, job, looks_right):
    vehicle, kind = job.job_type, job.stages.first().kind
    urls = [
        reverse("jobs:job-list"),
        reverse("jobs:job", args=[job.number]),
        reverse("jobs:job-edit", args=[job.number]),
        reverse("jobs:job-cancel", args=[job.number]),
        reverse("jobs:job-types"),
        reverse("jobs:job-type", args=[vehicle.pk]),
        reverse("jobs:stage-kinds"),
        reverse("jobs:stage-kind", args=[kind.pk]),
        reverse("jobs:customer-list"),
        reverse("jobs:customer", args=[job.customer_id]),
    ]
    page = log_in(page_at(390), planner)
    for url in urls:
        page.goto(url)
        looks_right(page, looks=[(390, "light"), (390, "dark"), (820, "dark"), (1440, "light")])
