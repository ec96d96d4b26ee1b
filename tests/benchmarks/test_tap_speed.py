"""What a tap costs, as a ratio to inserting the same rows of events by the database's own driver and nothing else.

Every insert that it is held against is committed as a tap is: one transaction for each sending. `make benchmark
ARGS="-k tap"` prints the figures; with DATABASE_URL they are those of PostgreSQL. SQLite is measured in a file with
the settings' own pragmas, and once more with each way of keeping a commit through a power cut.
"""

from __future__ import annotations

import json
import random
import statistics
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from celery import current_app
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.models import Cause, ClockEvent, Interval, JobType
from jobs.services.clock import fold_shop
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from shop.models import Machine, MachineKind, Media, Membership, Person, Process, Role, User
from shop.services import shop_create

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]

PEOPLE, JOBS, DAYS = 5, 15, 4
SINGLE, BATCH, BATCHES = 100, 50, 8
MOST_SINGLE, MOST_BATCH = 300, 300
"""Ratios that the suite holds; what is printed is far better. A tap is a transaction that also reads and folds."""


@pytest.fixture(autouse=True)
def messages_to_the_broker() -> Iterator[None]:
    """A finished stage is learned by a worker: the server's part is the message."""
    current_app.conf.task_always_eager = False
    yield
    current_app.conf.task_always_eager = True


@pytest.fixture(autouse=True)
def commits_that_last() -> Iterator[None]:
    """The suite's own database need not survive a power cut; here SQLite commits as the settings have it."""
    if connection.vendor == "sqlite":
        connection.ensure_connection()
        connection.connection.execute("PRAGMA synchronous=FULL")
    yield
    if connection.vendor == "sqlite":
        connection.connection.execute("PRAGMA synchronous=OFF")


class Floor:
    """A shop whose people clock as people do: from stage to stage of a few jobs, with pauses and a printer alone."""

    def __init__(self) -> None:
        self.rng = random.Random(7)
        self.shop = shop_create(slug="quay", name="Quay Signs")
        Media.objects.create(shop=self.shop, name="White film", width_mm=1370)
        self.printer = Machine.objects.create(
            shop=self.shop, name="Wide", kind=MachineKind.PRINTER, unattended="always"
        )
        self.people = [Person.objects.create(shop=self.shop, name=f"P{n}").pk for n in range(PEOPLE)]
        self.cause = Cause.objects.of(self.shop).filter(pauses=True).values_list("pk", flat=True)[0]
        latex = Process.objects.of(self.shop).get(name="Latex")
        kind = JobType.objects.of(self.shop).get(name="Vehicle graphics")
        self.jobs = [
            job_create(shop=self.shop, job_type=kind, title=f"Van {n}", process=latex) for n in range(JOBS)
        ]
        self.routes = [
            list(job.stages.filter(left_out=False).values_list("pk", "kind__key").order_by("position"))
            for job in self.jobs
        ]
        self.at = timezone.now() - timedelta(days=DAYS)
        self.doing: dict[int, tuple[int, int, str]] = {}  # person: job, place in its route, running or paused

    def taps(self, number: int, every: timedelta) -> list[Tap]:
        """The next presses."""
        return [self.tap(every) for _ in range(number)]

    def tap(self, every: timedelta) -> Tap:
        self.at += every * self.rng.uniform(0.5, 1.5)
        person = self.rng.choice(self.people)
        if person not in self.doing:
            job = self.rng.randrange(JOBS)
            self.doing[person] = (job, 0, "running")
            return self.press("start", job, 0, person)
        job, place, state = self.doing[person]
        route = self.routes[job]
        if state == "paused":
            self.doing[person] = (job, place, "running")
            return self.press("resume", job, place, person)
        dice = self.rng.random()
        if dice < 0.25:
            self.doing[person] = (job, place, "paused")
            return self.press("pause", job, place, person, cause=self.cause)
        if dice < 0.35:
            return self.press("lap", job, place, person)
        if place + 1 < len(route):
            self.doing[person] = (job, place + 1, "running")
            return self.press("next", job, place, person, to_stage=route[place + 1][0])
        del self.doing[person]
        return self.press("finish", job, place, person)

    def press(self, kind: str, job: int, place: int, person: int, **more: Any) -> Tap:
        stage, key = self.routes[job][place]
        machine = self.printer.pk if key == "print" and kind == "start" else None
        key_of = uuid.UUID(int=self.rng.getrandbits(128), version=4)
        return Tap(key_of, kind, stage, self.at, person=person, machine=machine, **more)

    def store(self, taps: Sequence[Tap]) -> None:
        """As a device that is right sends them."""
        now = max(timezone.now(), self.at)
        outcome = record_taps(shop=self.shop, user=None, taps=taps, sent_at=now, received_at=now, device="p")
        assert {one.status for one in outcome.results} == {"stored"}


def as_sent(taps: Sequence[Tap], now: datetime) -> str:
    names = ("kind", "stage", "to_stage", "person", "machine", "cause")
    sent = [
        {"id": str(tap.id), "at": tap.at.isoformat(), **{name: getattr(tap, name) for name in names}}
        for tap in taps
    ]
    return json.dumps({"sent_at": now.isoformat(), "device": "p", "taps": sent})


def times(each: Callable[[Any], object], of: Iterable[Any]) -> list[float]:
    """Seconds of every call."""
    found = []
    for one in of:
        begun = time.perf_counter()
        each(one)
        found.append(time.perf_counter() - begun)
    return found


class Raw:
    """The driver's own connection to the same database."""

    def __init__(self) -> None:
        connection.ensure_connection()
        self.sqlite = connection.vendor == "sqlite"
        self.driver = connection.connection
        self.columns = [field.column for field in ClockEvent._meta.concrete_fields]
        names = ", ".join(f'"{name}"' for name in self.columns)
        places = ", ".join(["?" if self.sqlite else "%s"] * len(self.columns))
        self.insert = f"INSERT INTO {ClockEvent._meta.db_table} ({names}) VALUES ({places})"  # noqa: S608

    def rows(self, keys: Sequence[uuid.UUID]) -> list[tuple[Any, ...]]:
        """The events as the driver has them, taken out of the table."""
        names = ", ".join(f'"{name}"' for name in self.columns)
        place = "?" if self.sqlite else "%s"
        found = []
        for key in keys:
            said = key.hex if self.sqlite else key
            cursor = self.driver.execute(
                f"SELECT {names} FROM {ClockEvent._meta.db_table} WHERE id = {place}",  # noqa: S608
                (said,),
            )
            found.append(tuple(cursor.fetchone()))
        ClockEvent.objects.filter(pk__in=keys)._raw_delete("default")
        return found

    def write(self, rows: Sequence[tuple[Any, ...]]) -> None:
        """One transaction."""
        if self.sqlite:
            self.driver.execute("BEGIN IMMEDIATE")
            self.driver.executemany(self.insert, rows)
            self.driver.execute("COMMIT")
        else:
            with self.driver.transaction(), self.driver.cursor() as cursor:
                cursor.executemany(self.insert, rows)


def test_a_tap_costs_a_small_multiple_of_a_raw_insert() -> None:
    floor = Floor()
    for _ in range(2):
        floor.store(floor.taps(300, timedelta(minutes=8)))
    user = User.objects.create_user("maker")
    Membership.objects.create(user=user, shop=floor.shop, role=Role.MAKER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")

    def post(taps: Sequence[Tap]) -> None:
        sent = as_sent(taps, timezone.now())
        answer = client.post(reverse("api-taps"), sent, content_type="application/json")
        assert answer.status_code == 200
        assert {one["status"] for one in answer.json()["results"]} == {"stored"}

    raw = Raw()
    lines = [what_is_measured(floor)]
    for size, number, most in ((1, SINGLE, MOST_SINGLE), (BATCH, BATCHES, MOST_BATCH)):
        sent = [floor.taps(size, timedelta(seconds=20)) for _ in range(number * 2)]
        post(floor.taps(1, timedelta(seconds=20)))  # the first one makes connections and caches
        service, posted = times(floor.store, sent[:number]), times(post, sent[number:])
        keys = [[tap.id for tap in taps] for taps in sent]
        rows = [raw.rows(some) for some in keys]
        inserted = times(raw.write, rows)
        base = statistics.median(inserted)
        for name, taken in (("record_taps", service), ("POST", posted)):
            one = statistics.median(taken)
            lines.append(
                f"{name}, {size} at a time: {one * 1e3:.1f} ms against {base * 1e3:.3f} ms raw: "
                f"ratio {one / base:.0f} ({size / one:,.0f} taps/s)"
            )
            assert one < most * base
    print("\n" + "\n".join(lines))
    before = list(
        Interval.objects.of(floor.shop).order_by("stage", "starts_at", "kind").values_list("stage", "ends_at")
    )
    fold_shop(floor.shop, announce=False)
    after = list(
        Interval.objects.of(floor.shop).order_by("stage", "starts_at", "kind").values_list("stage", "ends_at")
    )
    assert before == after


def what_is_measured(floor: Floor) -> str:
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA synchronous")
            how = f"synchronous={cursor.fetchone()[0]} in {connection.settings_dict['NAME']}"
        else:
            cursor.execute("SELECT current_setting('fsync'), current_setting('synchronous_commit')")
            how = "fsync={}, synchronous_commit={}".format(*cursor.fetchone())
    events = ClockEvent.objects.of(floor.shop).count()
    stages = sum(len(route) for route in floor.routes)
    return (
        f"{connection.vendor} ({how}); {events} events before, {PEOPLE} people, {JOBS} jobs, {stages} stages"
    )


@pytest.mark.skipif("sqlite" not in connection.settings_dict["ENGINE"], reason="SQLite's own question")
def test_what_a_commit_that_survives_a_power_cut_costs() -> None:
    floor = Floor()
    floor.store(floor.taps(300, timedelta(minutes=8)))
    raw = Raw()
    lines = []
    for how in ("FULL", "NORMAL", "FULL", "NORMAL"):
        raw.driver.execute(f"PRAGMA synchronous={how}")
        taps = [[floor.tap(timedelta(seconds=20))] for _ in range(100)]
        taken = times(floor.store, taps)
        inserted = times(raw.write, [raw.rows([tap.id for tap in one]) for one in taps])
        lines.append(
            f"synchronous={how}: record_taps {statistics.median(taken) * 1e3:.2f} ms, raw insert and commit "
            f"{statistics.median(inserted) * 1e3:.3f} ms (p95 {sorted(inserted)[95] * 1e3:.2f})"
        )
    print("\n" + "\n".join(lines))
    assert len(lines) == 4
