"""Every page of the program, found through its addresses: who gets in, and never into another shop.

A new page is taken in by itself. One whose address names a row needs an entry in `ROWS` only if its argument
has a name that is not there yet.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from analytics.models import BacktestRun, Listener, OpenAddress, OrderSearch, Promise, Replay
from analytics.services.addresses import address_make
from jobs.drivers import ItemSize
from jobs.models import (
    Cause,
    ClockEvent,
    Customer,
    Driver,
    Element,
    ImportDraft,
    Interval,
    Job,
    JobType,
    Stage,
    StageKind,
)
from jobs.services.importing import draft_make
from jobs.services.jobs import job_create
from shop.models import (
    CheckResult,
    Closure,
    Device,
    Machine,
    Media,
    Membership,
    Person,
    Purpose,
    ReadinessCheck,
    Recipe,
    Role,
    Shop,
    Skill,
    User,
)
from shop.services import shop_create, weekday_hours_create
from shop.services.devices import device_invite

pytestmark = pytest.mark.django_db

OPEN_TO_ALL = {
    "login",
    "logout",
    "password-choose",
    "shop:home",
    "shop:setup",
    "jobs:worker",
    "jobs:manifest",
    "healthz",
    "shop:join",
    "analytics:calendar",
    "analytics:customer-page",
}
OWN = {"shop:account", "shop:own-pin", "password-change"}  # one's own password and PIN, whatever one's role
# Addresses for programs, which have tests of their own, and of the scripts that they are described with.
NOT_PAGES = ("api/", "__", "static/")


@dataclass(frozen=True)
class Place:
    """One address: its name, and the names of the arguments in it."""

    name: str
    arguments: tuple[str, ...]


def places(resolver: URLResolver | None = None, prefix: str = "", path: str = "") -> Iterator[Place]:
    for entry in (resolver or get_resolver()).url_patterns:
        here = path + str(entry.pattern)
        if here.startswith(NOT_PAGES):
            continue
        if isinstance(entry, URLResolver):
            space = f"{entry.namespace}:" if entry.namespace else ""
            yield from places(entry, prefix + space, here)
        elif isinstance(entry, URLPattern) and entry.name:
            names = tuple(entry.pattern.converters) or tuple(entry.pattern.regex.groupindex)
            yield Place(prefix + entry.name, names)


PAGES = sorted((place for place in places() if place.name not in OPEN_TO_ALL), key=lambda place: place.name)

ROWS: dict[str, Callable[[Shop], Any]] = {
    "address_id": lambda shop: OpenAddress.objects.of(shop).get().pk,
    "cause_id": lambda shop: Cause.objects.of(shop)[0].pk,
    "check_id": lambda shop: ReadinessCheck.objects.of(shop).get().pk,
    "closure_id": lambda shop: Closure.objects.of(shop).get().pk,
    "customer_id": lambda shop: Customer.objects.of(shop).get().pk,
    "device_id": lambda shop: Device.objects.of(shop).get().pk,
    "draft_id": lambda shop: ImportDraft.objects.of(shop).get().pk,
    "driver_id": lambda shop: Driver.objects.of(shop)[0].pk,
    "element_id": lambda shop: Element.objects.of(shop)[0].pk,
    "ending": lambda shop: "csv",
    "job_type_id": lambda shop: JobType.objects.of(shop)[0].pk,
    "key": lambda shop: StageKind.objects.of(shop)[0].key,
    "kind_id": lambda shop: StageKind.objects.of(shop)[0].pk,
    "listener_id": lambda shop: Listener.objects.of(shop).get().pk,
    "login_id": lambda shop: shop.memberships.get(role=Role.VIEWER).pk,
    "machine_id": lambda shop: Machine.objects.of(shop).get().pk,
    "number": lambda shop: Job.objects.of(shop).get().number,
    "person_id": lambda shop: Person.objects.of(shop).get().pk,
    "promise_id": lambda shop: Promise.objects.of(shop).get().pk,
    "recipe_id": lambda shop: Recipe.objects.of(shop).get().pk,
    "replay_id": lambda shop: Replay.objects.of(shop).get().pk,
    "result_id": lambda shop: CheckResult.objects.of(shop).get().pk,
    "row_id": lambda shop: Machine.objects.of(shop).get().pk,
    "run_id": lambda shop: BacktestRun.objects.of(shop).get().pk,
    "search_id": lambda shop: OrderSearch.objects.of(shop).get().pk,
    "stage_id": lambda shop: Job.objects.of(shop).get().stages.all()[0].pk,
    "things": lambda shop: "machines",
    "what": lambda shop: "add",
}

# Arguments that say the same in every shop.
WORDS = {"ending", "key", "things"}

# Pages that ask for rows after the question mark.
QUERIES: dict[str, dict[str, str]] = {"analytics:dashboard-jobs": {"kind": "kind_id", "type": "job_type_id"}}


LOG = b"job,job_type,stage,started_at,finished_at\nA1,Van,Print,2026-03-02T09:00Z,2026-03-02T10:00Z\n"


def a_shop(slug: str, number: int) -> Shop:
    shop = shop_create(slug=slug, name=slug.title())
    weekday_hours_create(shop)
    for role in Role:
        user = User.objects.create_user(f"{role.value}-{slug}")
        Membership.objects.create(user=user, shop=shop, role=role)
    machine = Machine.objects.create(shop=shop, name="Print-and-cut", kind="print_and_cut")
    film = Media.objects.create(shop=shop, name=f"Film of {slug}", width_mm=1370)
    at = datetime(2030, 1, 3, 12, tzinfo=UTC)
    Recipe.objects.create(shop=shop, machine=machine, media=film, force_gf=110, at=at)
    check = ReadinessCheck.objects.create(shop=shop, machine=machine, name=f"Cut test of {slug}")
    CheckResult.objects.create(
        id=uuid4(),
        shop=shop,
        check_done=check,
        at=at,
        outcome="good",
        received_at=at,
        photo=ContentFile(b"a picture", f"{slug}.jpg"),
    )
    Person.objects.create(shop=shop, name="Ada").skills.set(Skill.objects.of(shop))
    by = shop.memberships.get(role=Role.OWNER).user
    device_invite(
        shop=shop, name="Tablet", purpose=Purpose.FLOOR, by=by, now=datetime(2030, 1, 1, tzinfo=UTC)
    )
    Closure.objects.create(shop=shop, starts_on=date(2030, 1, 1), ends_on=date(2030, 1, 1))
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Lettering"),
        title=f"Sign of {slug}",
        customer_name=f"Customer of {slug}",
        items=[ItemSize(400, 300, 1)],
    )
    Job.objects.filter(pk=job.pk).update(number=number)
    at = datetime(2030, 1, 4, 12, tzinfo=UTC)
    Promise.objects.create(
        shop=shop,
        job=job,
        made_at=at,
        promised_at=at,
        confidence=0.8,
        quantiles={},
        quote={},
        seed=1,
        runs=1,
        model_version="1",
        backlog_digest="",
        snapshot=b"",
    )
    address_make(shop, job, by=by, now=at)
    draft_make(shop, by, f"Log of {slug}.csv", LOG)
    BacktestRun.objects.create(shop=shop, asked_at=at)
    OrderSearch.objects.create(shop=shop, asked_at=at, seed=1)
    Replay.objects.create(shop=shop, asked_at=at, seed=1, starts_on=at, ends_on=at)
    Listener.objects.create(shop=shop, kind="email", email=f"planner@{slug}.example", made_at=at)
    return shop


@pytest.fixture
def quay() -> Shop:
    return a_shop("quay", 11)


@pytest.fixture
def hill(quay: Shop) -> Shop:
    return a_shop("hill", 22)


def client_of(shop: Shop, role: Role) -> Client:
    client = Client(raise_request_exception=True)
    client.force_login(shop.memberships.get(role=role).user, "django.contrib.auth.backends.ModelBackend")
    return client


def address(place: Place, shop: Shop) -> str:
    missing = [name for name in place.arguments if f"{place.name} {name}" not in ROWS and name not in ROWS]
    if missing:
        pytest.fail(f"{place.name} takes {missing}: add how to find one to ROWS in {__name__}.")
    rows = {name: ROWS.get(f"{place.name} {name}", ROWS.get(name)) for name in place.arguments}
    path = reverse(place.name, kwargs={name: find(shop) for name, find in rows.items() if find})
    query = {key: ROWS[argument](shop) for key, argument in QUERIES.get(place.name, {}).items()}
    return f"{path}?{urlencode(query)}" if query else path


def names_rows(place: Place) -> bool:
    return place.name in QUERIES or any(name not in WORDS for name in place.arguments)


def test_somebody_not_logged_in_gets_the_log_in_page_everywhere(quay):
    wrong = []
    for place, method in itertools.product(PAGES, ("get", "post")):
        answer = getattr(Client(), method)(address(place, quay))
        to_log_in = answer.status_code == 302 and answer.url.startswith(reverse("login"))
        if not to_log_in and answer.status_code != 405:  # 405: not a way to ask for this page at all
            wrong.append(f"{method} {place.name}: {answer.status_code}")
    assert wrong == []


def test_another_shops_owner_finds_nothing_anywhere(quay, hill):
    client, wrong, before = client_of(hill, Role.OWNER), [], rows_of(quay)
    for place, method in itertools.product((p for p in PAGES if names_rows(p)), ("get", "post")):
        answer = getattr(client, method)(address(place, quay), follow=True)
        if answer.status_code not in {404, 405} or b"of quay" in answer.content:
            wrong.append(f"{method} {place.name}: {answer.status_code}")
    assert wrong == []
    assert rows_of(quay) == before


def test_a_viewer_changes_nothing_anywhere(quay):
    client, wrong, before = client_of(quay, Role.VIEWER), [], rows_of(quay)
    for place in PAGES:
        if place.name in OWN:
            assert client.get(address(place, quay)).status_code == 200
            continue
        # Refused for the role (403), or a page that takes nothing (405). A redirect would say that it was done.
        answer = client.post(address(place, quay))
        if answer.status_code not in {403, 405}:
            wrong.append(f"{place.name}: {answer.status_code}")
    assert wrong == []
    assert rows_of(quay) == before


def test_no_page_fails_for_an_owner(quay):
    client, wrong = client_of(quay, Role.OWNER), []
    for place in PAGES:
        answer = client.get(address(place, quay))
        if answer.status_code not in {200, 302, 405}:
            wrong.append(f"{place.name}: {answer.status_code}")
    assert wrong == []


def test_every_page_is_looked_at():
    found = {place.name for place in PAGES}
    assert {"shop:settings", "jobs:job-list", "jobs:job", "analytics:enquiry"} <= found
    assert OPEN_TO_ALL - {"healthz"} <= {place.name for place in places()}


KEPT = (
    OpenAddress,
    Cause,
    CheckResult,
    ClockEvent,
    Closure,
    Customer,
    Device,
    Element,
    ImportDraft,
    Interval,
    Job,
    JobType,
    Listener,
    Machine,
    Membership,
    Person,
    Promise,
    ReadinessCheck,
    Recipe,
    Replay,
    Stage,
    StageKind,
)


def rows_of(shop: Shop) -> list[Any]:
    """What the shop has, row by row, as it is stored."""
    kept: list[Any] = [Shop.objects.filter(pk=shop.pk).values().get()]
    for model in KEPT:
        kept.extend(model._default_manager.filter(shop=shop).order_by("pk").values())
    return kept
