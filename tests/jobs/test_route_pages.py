"""The pages of job types, their routes, and kinds of stage."""

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import JobType, Needed, RouteEdge, StageKind
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


def log_in(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def planner(shop: Shop) -> Client:
    return log_in(shop, Role.PLANNER)


def sent(shop: Shop, *rows: tuple) -> dict:
    """What the route editor sends: (key of the kind, rows waited for, more fields) for each stage."""
    data: dict = {"stages": len(rows)}
    for i, (kind, after, *more) in enumerate(rows):
        data[f"stage-{i}-key"] = f"row{i}"
        data[f"stage-{i}-kind"] = StageKind.objects.of(shop).get(key=kind).pk
        for j, place in enumerate(after):
            data[f"stage-{i}-after-{j}"] = f"row{place}"
        for fields in more:
            data.update({f"stage-{i}-{name}": value for name, value in fields.items()})
    return data


def edges_of(job_type: JobType) -> set[tuple[str, str, str, int]]:
    edges = RouteEdge.objects.filter(before__job_type=job_type)
    return {(str(e.before), str(e.after), e.kind, e.lag_min) for e in edges}


@pytest.fixture
def lettering(shop: Shop) -> JobType:
    return JobType.objects.of(shop).get(name="Lettering")


def url_of(job_type: JobType) -> str:
    return reverse("jobs:job-type", args=[job_type.pk])


def test_a_route_is_shown_as_a_picture_and_in_words(shop, planner):
    page = planner.get(url_of(JobType.objects.of(shop).get(name="Vehicle graphics"))).content.decode()
    assert page.count('<svg class="route"') == 1
    assert "once Print runs alone" in page
    assert "when the process has a hold" in page
    assert "style=" not in page


def test_a_route_is_saved_with_branches_moments_and_waits(shop, planner, lettering):
    data = sent(
        shop,
        ("print", []),
        ("template", [0], {"moment-0": "attended", "name": "Mark out"}),
        ("cut", [0], {"lag-0": "90", "needed": Needed.PRINTED}),
        ("install", [1, 2]),
    )
    assert planner.post(url_of(lettering), data).status_code == 302
    assert edges_of(lettering) == {
        ("Print", "Mark out", "attended", 0),
        ("Print", "Cut", "finish", 90),
        ("Mark out", "Install", "finish", 0),
        ("Cut", "Install", "finish", 0),
    }
    assert lettering.route.get(kind__key="cut").needed == Needed.PRINTED


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([("cut", [1]), ("weed", [0])], "wait for each other in a circle"),
        ([("cut", []), ("cut", [])], "Two stages are called Cut"),
        ([("cut", []), ("weed", [0], {"lag-0": "-4"})], "no number of minutes"),
        ([("cut", []), ("weed", [0, 0])], "twice"),
    ],
)
def test_a_route_that_makes_no_sense_is_said_and_not_saved(shop, planner, lettering, rows, says):
    before = edges_of(lettering)
    response = planner.post(url_of(lettering), sent(shop, *rows))
    assert response.status_code == 422
    assert says in response.content.decode()
    assert 'role="alert"' in response.content.decode()
    assert edges_of(lettering) == before


def test_what_no_page_of_ours_sends_is_refused(shop, planner, lettering):
    other = shop_create(slug="hill", name="Hill Signs")
    theirs = StageKind.objects.of(other).first().pk
    data = {"stages": "1", "stage-0-kind": theirs}
    assert planner.post(url_of(lettering), data).status_code == 422
    assert planner.post(url_of(lettering), {"stages": "9999"}).status_code == 422
    assert planner.post(url_of(lettering), {"stages": "x"}).status_code == 422
    assert lettering.route.exists()


def test_a_stage_added_on_the_page_comes_between_and_is_not_saved_yet(shop, planner, lettering):
    trim = StageKind.objects.of(shop).get(key="trim").pk
    data = sent(shop, ("cut", []), ("weed", [0]))
    page = planner.post(url_of(lettering), {**data, "add": "1", "add-kind": trim, "add-after": "row0"})
    html = page.content.decode()
    assert page.status_code == 200
    assert "not saved yet" in html
    assert html.index("<strong>Cut</strong>") < html.index("<strong>Trim</strong>") < html.index("after Trim")
    assert not lettering.route.filter(kind=trim).exists()
    page = planner.post(url_of(lettering), {**data, "add": "1", "add-kind": ""})
    assert "Choose the kind of stage" in page.content.decode()


def test_a_stage_removed_on_the_page_closes_up(shop, planner, lettering):
    data = sent(shop, ("cut", []), ("weed", [0]), ("mask", [1]))
    html = planner.post(url_of(lettering), {**data, "remove": "1"}).content.decode()
    assert "<strong>Weed</strong>" not in html
    assert "after Cut" in html


def test_stages_move_up_and_down_on_the_page(shop, planner, lettering):
    data = sent(shop, ("cut", []), ("weed", [0]))
    for press in ({"up": "1"}, {"down": "0"}):
        html = planner.post(url_of(lettering), {**data, **press}).content.decode()
        assert html.index("<strong>Weed</strong>") < html.index("<strong>Cut</strong>")
    for press in ({"up": "0"}, {"down": "1"}, {"up": "77"}, {"remove": "x"}):
        html = planner.post(url_of(lettering), {**data, **press}).content.decode()
        assert html.index("<strong>Cut</strong>") < html.index("<strong>Weed</strong>")


def test_a_job_type_is_made_copied_renamed_retired_and_offered_again(shop, planner, lettering):
    made = planner.post(reverse("jobs:job-types"), {"name": "Boat names", "like": lettering.pk})
    boats = JobType.objects.of(shop).get(name="Boat names")
    assert made["Location"] == url_of(boats)
    assert edges_of(boats) == edges_of(lettering)
    assert planner.post(reverse("jobs:job-types"), {"name": "lettering"}).status_code == 422
    rename = reverse("jobs:job-type-rename", args=[boats.pk])
    assert (
        "already is a job type" in planner.post(rename, {"name": "Lettering"}, follow=True).content.decode()
    )
    planner.post(rename, {"name": "Boats"})
    retire = reverse("jobs:job-type-retire", args=[boats.pk])
    assert "Offer again" in planner.post(retire, {"active": "0"}, follow=True).content.decode()
    planner.post(retire, {"active": "1"})
    boats.refresh_from_db()
    assert (boats.name, boats.active) == ("Boats", True)


def test_an_empty_route_says_what_to_do(shop, planner):
    planner.post(reverse("jobs:job-types"), {"name": "Boats"})
    page = planner.get(url_of(JobType.objects.of(shop).get(name="Boats"))).content.decode()
    assert "No stages yet. Add the first one." in page


def test_a_kind_of_stage_is_made_and_changed(shop, planner):
    facts = {"name": "Cure", "category": "hold", "attendance": "nobody", "people": "1", "hold_hours": "1.5"}
    assert planner.post(reverse("jobs:stage-kind-new"), facts).status_code == 302
    cure = StageKind.objects.of(shop).get(name="Cure")
    assert cure.hold_min == 90
    assert "1 h 30 min" in planner.get(reverse("jobs:stage-kinds")).content.decode()
    url = reverse("jobs:stage-kind", args=[cure.pk])
    assert 'value="1.5"' in planner.get(url).content.decode()
    wrong = planner.post(url, {**facts, "attendance": "throughout"})
    assert wrong.status_code == 422
    assert "A hold needs nobody" in wrong.content.decode()
    assert "field-error" in planner.post(url, {**facts, "people": "9"}).content.decode()
    assert planner.post(url, {**facts, "hold_hours": ""}).status_code == 302
    cure.refresh_from_db()
    assert cure.hold_min is None


@pytest.mark.parametrize("role", [Role.MAKER, Role.VIEWER])
def test_makers_and_viewers_read_routes_and_change_none(shop, role, lettering):
    client = log_in(shop, role)
    assert "Save the route" not in client.get(url_of(lettering)).content.decode()
    assert client.get(reverse("jobs:job-types")).status_code == 200
    assert client.get(reverse("jobs:stage-kinds")).status_code == 200
    kind = StageKind.objects.of(shop).first().pk
    for url in (
        url_of(lettering),
        reverse("jobs:job-types"),
        reverse("jobs:job-type-rename", args=[lettering.pk]),
        reverse("jobs:job-type-retire", args=[lettering.pk]),
        reverse("jobs:stage-kind", args=[kind]),
        reverse("jobs:stage-kind-new"),
    ):
        assert client.post(url, {"name": "x"}).status_code == 403


def test_another_shops_routes_and_kinds_are_not_found(shop, planner):
    other = shop_create(slug="hill", name="Hill Signs")
    theirs = JobType.objects.of(other).first()
    for name, pk in (
        ("jobs:job-type", theirs.pk),
        ("jobs:stage-kind", StageKind.objects.of(other).first().pk),
    ):
        assert planner.get(reverse(name, args=[pk])).status_code == 404
    assert planner.post(reverse("jobs:job-types"), {"name": "Copy", "like": theirs.pk}).status_code == 422


@pytest.mark.parametrize(
    ("length", "hours", "kept", "said"),
    [
        ("set", "2", 120, ""),
        ("took", "", None, ""),
        ("set", "", 90, "Give the hours of the hold"),
        ("took", "2", 90, "Empty the hours"),
    ],
)
def test_a_hold_lasts_as_set_or_as_it_took(shop, planner, length, hours, kept, said):
    facts = {"name": "Cure", "category": "hold", "attendance": "nobody", "people": "1"}
    planner.post(reverse("jobs:stage-kind-new"), {**facts, "hold_hours": "1.5", "hold_length": "set"})
    cure = StageKind.objects.of(shop).get(name="Cure")
    url = reverse("jobs:stage-kind", args=[cure.pk])
    answer = planner.post(url, {**facts, "hold_hours": hours, "hold_length": length})
    cure.refresh_from_db()
    assert cure.hold_min == kept
    assert said in answer.content.decode()
    assert "a solvent print must be dry" in planner.get(url).content.decode()
