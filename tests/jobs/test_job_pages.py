"""The pages of jobs: who may see and do what, and what is said when it cannot be done."""

import csv
import io
from datetime import UTC, datetime

import pytest
from django.test import Client
from django.urls import reverse

from jobs.drivers import ItemSize
from jobs.models import Customer, Job, JobStatus, JobType, StageState
from jobs.selectors.jobs import plain_cell
from jobs.services.jobs import job_create
from jobs.stock import LOCAL_RULES
from shop.models import Finish, Media, Membership, Process, Role, Shop, Units, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    return shop


def log_in(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def planner(shop: Shop) -> Client:
    return log_in(shop, Role.PLANNER)


def make(shop: Shop, title: str = "Van, two sides", job_type: str = "Vehicle graphics", **more) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name=job_type),
        title=title,
        process=Process.objects.of(shop).get(name="Solvent"),
        finish=Finish.objects.of(shop).get(name="Bare"),
        items=more.pop("items", [ItemSize(1200, 600, 2, name="side")]),
        **more,
    )


def sent(shop: Shop, *rows: dict, **more) -> dict:
    """What the form of a job sends."""
    data = {
        "title": "Van",
        "customer": "Harbour Bakery",
        "process": Process.objects.of(shop).get(name="Solvent").pk,
        "finish": Finish.objects.of(shop).get(name="Bare").pk,
        "items-TOTAL_FORMS": len(rows),
        "items-INITIAL_FORMS": 0,
        **more,
    }
    blank = {"name": "", "width_mm": "", "height_mm": "", "count": "1", "cut_m": "", "ink_build": "colour"}
    for i, row in enumerate(rows):
        data.update({f"items-{i}-{key}": value for key, value in {**blank, **row}.items()})
    return data


def test_a_shop_without_jobs_is_told_what_to_do_next(shop, planner):
    page = planner.get(reverse("jobs:job-list")).content.decode()
    assert "No jobs yet" in page
    assert "Make the first enquiry" in page


def test_the_list_shows_open_jobs_by_due_date_and_what_is_in_hand(shop, planner):
    later, sooner, undated = make(shop, "Later"), make(shop, "Sooner"), make(shop, "Undated")
    done = make(shop, "Done", status=JobStatus.FINISHED)
    Job.objects.filter(pk=later.pk).update(due_at=datetime(2999, 2, 2, tzinfo=UTC))
    Job.objects.filter(pk=sooner.pk).update(due_at=datetime(2020, 1, 7, 23, 30, tzinfo=UTC))
    sooner.stages.filter(kind__key="artwork").update(state=StageState.RUNNING)
    page = planner.get(reverse("jobs:job-list")).content.decode()
    places = [page.index(f">{title}<") for title in ("Sooner", "Later", "Undated")]
    assert places == sorted(places)
    assert ">Done<" not in page
    assert "Artwork running" in page
    assert "Wednesday 8 January 2020, 00:30" in page  # 23:30 UTC is half past midnight in Berlin in winter
    assert page.count(">late<") == 1
    assert "Next: Artwork" in page
    assert undated.title in page
    assert done.title in planner.get(reverse("jobs:job-list"), {"status": "all"}).content.decode()


def test_the_list_is_searched_by_customer_type_and_number(shop, planner):
    make(shop, "One", customer_name="Harbour Bakery")
    make(shop, "Two", customer_name="Hill Garage", job_type="Wall graphics")
    wall = JobType.objects.of(shop).get(name="Wall graphics").pk

    def titles(**query) -> list[str]:
        page = planner.get(reverse("jobs:job-list"), query).content.decode()
        return [title for title in ("One", "Two") if f">{title}<" in page]

    assert titles(q="harbour") == ["One"]
    assert titles(q="2") == ["Two"]
    assert titles(type=wall) == ["Two"]
    assert titles(q="nobody") == []
    assert titles(type="x", status="x", page="x") == ["One", "Two"]
    assert "No job matches" in planner.get(reverse("jobs:job-list"), {"q": "nobody"}).content.decode()


def test_the_list_as_a_file_holds_no_formula(shop, planner):
    make(shop, "=HYPERLINK(1)", customer_name="+49 shop")
    response = planner.get(reverse("jobs:job-csv"))
    header, row = csv.reader(io.StringIO(response.content.decode()))
    cells = dict(zip(header, row, strict=True))
    assert cells["title"] == "'=HYPERLINK(1)"
    assert cells["customer"] == "'+49 shop"
    assert cells["stages_finished"] == "0"
    assert "attachment" in response["Content-Disposition"]


# OWASP, 'CSV Injection': cells beginning with = + - @, tab or carriage return (from memory).
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_a_cell_that_begins_like_a_formula_is_taken_for_text(start):
    assert plain_cell(f"{start}1") == f"'{start}1"
    assert plain_cell(f"a{start}1") == f"a{start}1"


def test_a_job_page_shows_its_facts_items_route_and_cautions(shop, planner):
    job = make(shop, customer_name="Harbour Bakery", drivers={"height_m": 3.5})
    page = planner.get(reverse("jobs:job", args=[job.number])).content.decode()
    for text in (
        "Harbour Bakery",
        "1,200 mm",
        "3.5 m",
        "<svg",
        "Outgas",
        "24 h",
        "Take care",
        "Once Print runs alone",
    ):
        assert text in page
    assert "style=" not in page
    assert "<script>" not in page
    assert page.count(LOCAL_RULES) == 1
    assert "A broken arrow" in page


def test_a_page_belongs_to_the_place_that_leads_to_it(planner):
    for name, place in (
        ("again", "Jobs"),
        ("stage-kinds", "Jobs"),
        ("recipes", "Get ready"),
        ("causes", "Shop"),
    ):
        page = planner.get(reverse(f"jobs:{name}")).content.decode()
        nav = page.partition('class="site-nav"')[2].partition("</nav>")[0]
        assert nav.count("aria-current") == 1
        assert f'aria-current="page">{place}</a>' in nav


def test_an_imperial_shop_reads_and_types_inches_and_feet(shop, planner):
    Shop.objects.filter(pk=shop.pk).update(units=Units.IMPERIAL)
    job = make(shop, items=[ItemSize(48 * 25.4, 24 * 25.4, cut_m=3.048)], drivers={"height_m": 3.048})
    page = planner.get(reverse("jobs:job", args=[job.number])).content.decode()
    assert "48 in" in page
    assert "10 ft" in page
    edit = planner.get(reverse("jobs:job-edit", args=[job.number])).content.decode()
    assert 'value="48"' in edit
    data = sent(shop, {"width_mm": "36", "height_mm": "1 ft", "cut_m": "2"}, **{"driver-height_m": "20"})
    assert planner.post(reverse("jobs:job-edit", args=[job.number]), data).status_code == 302
    item = job.items.get()
    assert (item.width_mm, item.height_mm) == pytest.approx((914.4, 304.8))
    assert item.cut_m == pytest.approx(0.6096)
    job.refresh_from_db()
    assert job.drivers["height_m"] == pytest.approx(6.096)


def test_a_job_is_changed_with_its_items_and_stages(shop, planner):
    job = make(shop)
    uv = Process.objects.of(shop).get(name="UV").pk
    gloss = Finish.objects.of(shop).get(name="Gloss laminate").pk
    data = sent(
        shop,
        {"name": "door", "width_mm": "1.2 m", "height_mm": "600", "count": "4"},
        {},
        {"name": "gone", "width_mm": "10", "height_mm": "10", "DELETE": "on"},
        process=uv,
        finish=gloss,
        requested=["travel"],
        ready_date="2026-07-01",
        ready_time="09:00",
    )
    response = planner.post(reverse("jobs:job-edit", args=[job.number]), data, follow=True)
    page = response.content.decode()
    assert response.status_code == 200
    for told in ("Outgas left out.", "Laminate taken in.", "Travel taken in."):
        assert told in page
    job.refresh_from_db()
    assert [(i.name, i.width_mm, i.count) for i in job.items.all()] == [("door", 1200, 4)]
    assert job.ready_from == datetime(2026, 7, 1, 7, tzinfo=UTC)  # Berlin is two hours ahead in summer


@pytest.mark.parametrize(
    ("row", "more", "says"),
    [
        ({"width_mm": "-5", "height_mm": "10"}, {}, "its width is -5 mm"),
        ({"width_mm": "wide", "height_mm": "10"}, {}, "“wide” is not a length"),
        ({"width_mm": "10"}, {}, "Give its height"),
        ({"width_mm": "10", "height_mm": "10", "count": "0"}, {}, "0 pieces"),
        ({"width_mm": "3000", "height_mm": "2000"}, {}, "3 panels of 1,006.7 mm"),
        ({"width_mm": "10", "height_mm": "10"}, {"title": " "}, "Give the job a title"),
        ({"width_mm": "10", "height_mm": "10"}, {"process": ""}, "Choose how it is made"),
        ({"width_mm": "10", "height_mm": "10"}, {"finish": ""}, "Choose the finish. With Solvent"),
        ({"width_mm": "10", "height_mm": "10"}, {"ready_time": "09:00"}, "Give the date too"),
        (
            # The last Sunday of March: Berlin's clocks go from 02:00 to 03:00.
            {"width_mm": "10", "height_mm": "10"},
            {"ready_date": "2026-03-29", "ready_time": "02:30"},
            "The clocks skip that hour",
        ),
        ({"width_mm": "10", "height_mm": "10"}, {"driver-height_m": "-3"}, "Give a number of 0 or more"),
        ({}, {}, "Add at least one item"),
        ({"width_mm": "10", "height_mm": "10"}, {"items-TOTAL_FORMS": "9999"}, "at most 200"),
        ({"width_mm": "1e400", "height_mm": "10"}, {}, "is not a length"),
    ],
)
def test_what_does_not_add_up_is_said_at_its_field_and_nothing_is_saved(shop, planner, row, more, says):
    job = make(shop)
    before = Job.objects.values().get()
    data = {**sent(shop, row), **more}
    response = planner.post(reverse("jobs:job-edit", args=[job.number]), data)
    assert response.status_code == 422
    assert says in response.content.decode()
    assert Job.objects.values().get() == before
    assert [item.name for item in job.items.all()] == ["side"]
    assert not Customer.objects.exists()


def test_a_row_is_added_and_an_item_split_without_a_script(shop, planner):
    job = make(shop)
    url = reverse("jobs:job-edit", args=[job.number])
    wide = {"name": "wall", "width_mm": "3000", "height_mm": "2000", "count": "2"}
    page = planner.post(url, {**sent(shop, wide), "title": "", "add_row": "1"})
    assert page.status_code == 200
    assert 'name="items-1-width_mm"' in page.content.decode()
    assert "field-error" not in page.content.decode()
    page = planner.post(url, {**sent(shop, wide), "split": "0"})
    html = page.content.decode()
    assert page.status_code == 200
    assert 'value="1006.7"' in html
    assert 'value="6"' in html
    assert 'value="wall, panel"' in html
    assert job.items.get().name == "side"
    for nonsense in ("7", "x", ""):
        assert planner.post(url, {**sent(shop, wide), "split": nonsense}).status_code == 200


def test_a_job_is_cancelled_after_asking_and_reopened(shop, planner):
    job = make(shop)
    asked = planner.get(reverse("jobs:job-cancel", args=[job.number])).content.decode()
    assert "Keep it" in asked
    page = planner.post(reverse("jobs:job-cancel", args=[job.number]), follow=True).content.decode()
    assert "Reopen it" in page
    page = planner.post(reverse("jobs:job-reopen", args=[job.number]), follow=True).content.decode()
    assert "is open again" in page
    job.refresh_from_db()
    assert job.status == JobStatus.ENQUIRY


def test_stages_are_added_left_out_and_taken_in_from_the_page(shop, planner):
    job = make(shop)
    weed = job.stages.get(kind__key="weed")
    url = reverse("jobs:stage-leave-out", args=[job.number, weed.pk])
    assert "Weed is left out" in planner.post(url, follow=True).content.decode()
    url = reverse("jobs:stage-take-in", args=[job.number, weed.pk])
    assert "Weed is taken in" in planner.post(url, follow=True).content.decode()
    data = {"kind": weed.kind_id, "place": f"after:{weed.pk}", "name": "Weed again"}
    assert (
        "is added"
        in planner.post(reverse("jobs:stage-add", args=[job.number]), data, follow=True).content.decode()
    )
    assert job.stages.get(name="Weed again").position == weed.position + 1
    job.stages.filter(pk=weed.pk).update(state=StageState.FINISHED)
    url = reverse("jobs:stage-leave-out", args=[job.number, weed.pk])
    assert "Take its taps back" in planner.post(url, follow=True).content.decode()


@pytest.mark.parametrize("role", [Role.MAKER, Role.VIEWER])
def test_makers_and_viewers_read_and_change_nothing(shop, role):
    job = make(shop, customer_name="Harbour Bakery")
    client = log_in(shop, role)
    for name in ("jobs:job-list", "jobs:job-csv", "jobs:customer-list"):
        assert client.get(reverse(name)).status_code == 200
    page = client.get(reverse("jobs:job", args=[job.number]))
    assert page.status_code == 200
    assert "Leave out" not in page.content.decode()
    stage = job.stages.first().pk
    for name, args in (
        ("jobs:job-edit", [job.number]),
        ("jobs:job-cancel", [job.number]),
        ("jobs:job-reopen", [job.number]),
        ("jobs:stage-add", [job.number]),
        ("jobs:stage-leave-out", [job.number, stage]),
        ("jobs:stage-take-in", [job.number, stage]),
        ("jobs:customer", [job.customer_id]),
    ):
        assert client.post(reverse(name, args=args)).status_code == 403


def test_without_a_log_in_every_page_leads_to_it(shop):
    job = make(shop)
    for url in (reverse("jobs:job-list"), reverse("jobs:job", args=[job.number]), reverse("jobs:job-csv")):
        assert Client().get(url)["Location"].startswith("/login/")


def test_another_shops_jobs_stages_and_customers_are_not_found(shop, planner):
    other = shop_create(slug="hill", name="Hill Signs")
    theirs = make(other, "Theirs", number=77, customer_name="Their customer")
    mine = make(shop, "Mine")
    stage = theirs.stages.first()
    assert "Theirs" not in planner.get(reverse("jobs:job-list"), {"status": "all"}).content.decode()
    assert "Theirs" not in planner.get(reverse("jobs:job-csv"), {"status": "all"}).content.decode()
    assert "Their customer" not in planner.get(reverse("jobs:customer-list")).content.decode()
    for name, args in (
        ("jobs:job", [77]),
        ("jobs:job-edit", [77]),
        ("jobs:customer", [theirs.customer_id]),
    ):
        assert planner.get(reverse(name, args=args)).status_code == 404
    for number in (77, mine.number):
        url = reverse("jobs:stage-leave-out", args=[number, stage.pk])
        assert planner.post(url).status_code == 404
    data = {"kind": stage.kind_id, "place": ""}
    assert planner.post(reverse("jobs:stage-add", args=[mine.number]), data).status_code == 404
    data = sent(shop, {"width_mm": "10", "height_mm": "10"}, process=theirs.process_id)
    assert planner.post(reverse("jobs:job-edit", args=[mine.number]), data).status_code == 422


def test_a_customer_page_shows_their_jobs_and_is_changed(shop, planner):
    job = make(shop, customer_name="Harbour Bakery")
    make(shop, "Other", customer_name="Hill Garage")
    url = reverse("jobs:customer", args=[job.customer_id])
    page = planner.get(url).content.decode()
    assert ">Van, two sides<" in page
    assert ">Other<" not in page
    assert planner.post(url, {"name": "hill garage", "contact": ""}).status_code == 422
    assert planner.post(url, {"name": "Harbour Bakers", "contact": "Quay 3"}).status_code == 302
    assert Customer.objects.get(pk=job.customer_id).contact == "Quay 3"


def test_the_list_asks_the_database_the_same_few_questions_however_long(
    shop, planner, django_assert_max_num_queries
):
    for n in range(12):
        make(shop, f"Job {n}", customer_name="Harbour Bakery")
    with django_assert_max_num_queries(14):
        planner.get(reverse("jobs:job-list"))
