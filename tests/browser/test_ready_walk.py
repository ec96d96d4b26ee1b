"""Before the first job, in a real browser on a phone: machines got ready, a recipe kept, a re-make recorded."""

import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Page, expect

from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, JobType, StageKind, TapKind
from jobs.services.jobs import job_create
from jobs.services.readiness import checks_add_usual
from jobs.services.taps import Tap, record_taps
from shop.models import (
    CheckResult,
    Machine,
    Media,
    Membership,
    Person,
    ReadinessCheck,
    Recipe,
    Role,
    Shop,
    User,
)
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(autouse=True)
def media_of_its_own(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs")
    Person.objects.create(shop=shop, name="Ada")
    Media.objects.create(shop=shop, name="White cast", width_mm=1370, price_per_m2="9.80")
    checks_add_usual(Machine.objects.create(shop=shop, name="Cutter", kind="cutter"))
    printer = Machine.objects.create(shop=shop, name="Printer", kind="printer")
    ReadinessCheck.objects.create(shop=shop, machine=printer, name="Nozzle check")
    return shop


@pytest.fixture
def job(shop: Shop) -> Job:
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Labels and decals"),
        title="Jar labels",
        media=Media.objects.get(),
        items=[ItemSize(90, 50, 100)],
        status=JobStatus.PROMISED,
    )
    now, ada = timezone.now(), Person.objects.get().pk
    taps = [
        Tap(uuid4(), kind, job.stages.get(kind__key="cut").pk, now - timedelta(minutes=ago), person=ada)
        for kind, ago in ((TapKind.START, 40), (TapKind.FINISH, 5))
    ]
    record_taps(shop=shop, user=None, taps=taps, sent_at=now, received_at=now)
    return job


def user_of(shop: Shop, role: Role) -> User:
    user = User.objects.create_user(role.value)
    Membership.objects.create(user=user, shop=shop, role=role)
    return user


def assert_fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), page.url


def test_a_machine_is_got_ready_with_a_photo_and_a_time(page_at, log_in, assert_accessible, shop, tmp_path):
    page = log_in(page_at(390), user_of(shop, Role.MAKER))
    page.goto("/ready/")
    check = page.locator("article.check").filter(has_text="Cut test")
    expect(check).to_contain_text("No record that it ran or was checked")
    assert_accessible(page)
    assert_fits(page)
    sizes = check.locator(".verdicts .tap").evaluate_all(
        "(all) => all.map((b) => [b.offsetWidth, b.offsetHeight])"
    )
    assert len(sizes) == 3
    assert min(min(size) for size in sizes) >= 48

    check.get_by_text("Minutes, note, photo").click()
    check.get_by_role("button", name="Time it").click()
    expect(check.get_by_role("button", name=re.compile(r"Stop 0:0\d:(?!00)\d\d"))).to_be_visible()
    Image.new("RGB", (3000, 2000), "white").save(tmp_path / "torn.png")
    check.get_by_label("Photo").set_input_files(tmp_path / "torn.png")
    check.get_by_label("Note").fill("Corners torn")
    check.get_by_role("button", name="Not good").click()

    expect(page.locator("article.check.is-bad")).to_contain_text("What to do:")
    assert_accessible(page)
    result = CheckResult.objects.get()
    assert result.minutes is not None
    assert 0 < result.minutes < 10
    page.get_by_role("button", name="Good Cut test", exact=True).click()
    expect(page.get_by_role("heading", name=re.compile("Cutter")).get_by_text("Ready")).to_be_visible()
    page.get_by_role("link", name="What was found at Cutter").click()
    photo = page.get_by_role("img", name=re.compile("Photo of Cut test"))
    expect(photo).to_be_visible()
    assert photo.evaluate("async (image) => { await image.decode(); return image.naturalWidth; }") == 2000
    assert_accessible(page)
    assert_fits(page)


def test_without_scripts_one_press_still_records_a_result(page_at, log_in, shop):
    page = log_in(page_at(390, java_script_enabled=False), user_of(shop, Role.MAKER))
    page.goto("/ready/")
    expect(page.locator("[data-time]").first).to_be_hidden()
    page.get_by_role("button", name="Good Cut test", exact=True).click()
    expect(page.get_by_text("Cutter, Cut test: good.")).to_be_visible()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_text("taken back. It stays on record")).to_be_visible()


def test_what_worked_is_kept_and_stands_on_the_stopwatch_the_next_time(
    page_at, log_in, assert_accessible, shop, job
):
    page = log_in(page_at(390), user_of(shop, Role.MAKER))
    cut = job.stages.get(kind__key="cut")
    page.goto(f"/floor/{job.number}/?stage={cut.pk}")
    expect(page.locator("[data-part]")).to_contain_text("Nothing is kept for this film")
    expect(page.locator("[data-part]")).not_to_contain_text("before it runs")  # it has run
    page.goto(f"/floor/{job.number}/?stage={job.stages.get(kind__key='print').pk}")
    expect(page.locator("[data-part]")).to_contain_text("Printer, before it runs: ")
    page.goto(f"/floor/{job.number}/?stage={cut.pk}")
    page.get_by_role("link", name="Record what worked on Cutter").click()
    expect(page.get_by_label("Film")).to_have_value(str(job.media_id))
    assert_accessible(page)
    assert_fits(page)
    page.get_by_label("Cutting force, gf").fill("11000")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("11,000 gf is out of range")).to_be_visible()
    page.get_by_label("Cutting force, gf").fill("110")
    page.get_by_label("Blade").fill("45°")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("110 gf (1.08 N), 45° blade: worked")).to_be_visible()
    assert Recipe.objects.get().job_number == job.number
    page.goto(f"/floor/{job.number}/?stage={cut.pk}")
    expect(page.locator("[data-part]")).to_contain_text("110 gf (1.08 N), 45° blade: worked")
    assert_accessible(page)
    page.goto("/recipes/")
    assert_accessible(page)
    assert_fits(page)


def test_a_remake_is_recorded_afterwards_and_the_lists_are_edited(
    page_at, log_in, assert_accessible, shop, job
):
    page = log_in(page_at(390), user_of(shop, Role.PLANNER))
    page.goto("/again/")
    page.get_by_label("Job", exact=True).fill(str(job.number))
    page.get_by_role("button", name="Go on").click()
    page.get_by_label("Noticed at").select_option(label="Cut")
    page.get_by_label("Cause").select_option(label="Cut wrong or off the marks")
    page.get_by_label("Film wasted, m").fill("1.5")
    assert_accessible(page)
    page.get_by_role("button", name="Record it").click()
    expect(page.locator("#again")).to_contain_text("Cut: cut wrong or off the marks, 1.5 m of film")
    assert_accessible(page)
    page.goto("/again/")
    expect(page.get_by_role("img", name=re.compile("hands-on"))).to_be_visible()
    assert_accessible(page)
    assert_fits(page)

    page.goto("/causes/")
    page.get_by_role("button", name="Move Blade change up").click()
    names = page.locator(".kept-about strong")
    expect(names.nth(1)).to_have_text("Blade change")
    page.get_by_label("Name").last.fill("Power cut")
    page.get_by_role("button", name="Add it").click()
    expect(names.last).to_have_text("Power cut")
    assert_accessible(page)
    assert_fits(page)
    page.goto(f"/stage-kinds/{StageKind.objects.get(key='cut').pk}/")
    page.get_by_label("New element").fill("Peel test")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(names.last).to_have_text("Peel test")
    assert_accessible(page)
    assert_fits(page)
    page.goto(f"/shop/machines/{Machine.objects.get(name='Cutter').pk}/checks/")
    expect(page.locator(".kept-row")).to_contain_text("Cut test")
    assert_accessible(page)
    assert_fits(page)
