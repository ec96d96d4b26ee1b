"""What the tests of faults ask of the program from inside it, in its own environment.

Run as `python -m tests.services.inside shop`.

`shop` makes a shop to clock in and prints its keys as JSON. `twin` reads taps as JSON, each once and in order, and
makes a second shop of them. `compare` prints what both shops came to, row by row and without keys, to be compared.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import chain
from typing import Any
from uuid import UUID, uuid5

import django

DEVICES, JOBS = 3, 6
PEOPLE = ("Ada", "Ben", "Cleo")
AT_ONCE = 100
OTHER_IDS = UUID(
    "3f1c3f86-4a3c-4a65-9d8e-2b4a6d0a7c11"
)  # ids of the twin's taps come of these and the first's


def make_shop(slug: str) -> dict[str, Any]:
    """A shop with people, machines and jobs, and a log-in for each device; its keys."""
    from django.test import Client

    from jobs.drivers import ItemSize
    from jobs.models import Cause, JobStatus, JobType
    from jobs.services.jobs import job_create
    from shop.models import Finish, Machine, Membership, Person, Process, Role, User
    from shop.services import shop_create, weekday_hours_create

    shop = shop_create(slug=slug, name=f"{slug.capitalize()} Signs", time_zone="Europe/Berlin")
    weekday_hours_create(shop)
    people = [Person.objects.create(shop=shop, name=name) for name in PEOPLE]
    machines = [
        Machine.objects.create(shop=shop, name=name, kind=kind, unattended=alone)
        for name, kind, alone in (("Printer", "printer", "always"), ("Cutter", "cutter", "no"))
    ]
    jobs = [
        job_create(
            shop=shop,
            job_type=JobType.objects.of(shop).get(name=("Vehicle graphics", "Lettering")[n % 2]),
            title=f"Job {n}",
            process=Process.objects.of(shop).get(name=("Solvent", "Cut only")[n % 2]),
            finish=Finish.objects.of(shop).get(name="Bare"),
            items=[ItemSize(400.0 + 100 * n, 300.0, 1 + n)],
            status=JobStatus.PROMISED,
        )
        for n in range(JOBS)
    ]
    sessions = []
    for n in range(DEVICES):
        user = User.objects.create_user(f"maker-{slug}-{n}")
        Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
        client = Client()
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        sessions.append(client.cookies["sessionid"].value)
    return {
        "shop": shop.pk,
        "sessions": sessions,
        "people": [person.pk for person in people],
        "machines": [machine.pk for machine in machines],
        "causes": list(
            Cause.objects.of(shop).filter(pauses=True).order_by("key").values_list("pk", flat=True)
        ),
        "jobs": [list(job.stages.filter(left_out=False).values_list("pk", flat=True)) for job in jobs],
    }


def make_twin(given: dict[str, Any]) -> dict[str, Any]:
    """A second shop in which the first one's taps happen once, in order, with nothing going wrong."""
    from jobs.services.taps import Tap, record_taps
    from shop.models import Shop

    first, second = given["shop"], make_shop("hill")
    shop = Shop.objects.get(pk=second["shop"])
    stages = dict(zip(chain(*first["jobs"]), chain(*second["jobs"]), strict=True))
    keys = {"stage": stages, "to_stage": stages}
    for name, many in (("person", "people"), ("machine", "machines"), ("cause", "causes")):
        keys[name] = dict(zip(first[many], second[many], strict=True))
    taps = [_twin_tap(tap, keys, Tap) for tap in given["taps"]]
    for i in range(0, len(taps), AT_ONCE):
        now = datetime.fromisoformat(given["now"])
        outcome = record_taps(shop=shop, user=None, taps=taps[i : i + AT_ONCE], sent_at=now, received_at=now)
        assert {one.status for one in outcome.results} == {"stored"}, outcome.results
    return second


def _twin_tap(tap: dict[str, Any], keys: dict[str, dict[int, int]], make: Callable[..., Any]) -> Any:
    facts = {name: keys[name][tap[name]] for name in keys if tap.get(name) is not None}
    corrects = tap.get("corrects")
    return make(
        id=uuid5(OTHER_IDS, tap["id"]),
        kind=tap["kind"],
        at=datetime.fromisoformat(tap["at"]),
        offset=timedelta(milliseconds=tap["offset_ms"]),
        corrects=uuid5(OTHER_IDS, corrects) if corrects else None,
        **facts,
    )


def compare(pair: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What the two shops' clocks came to; and the first one's again after everything was folded anew."""
    from jobs.services.clock import fold_shop
    from shop.models import Shop

    found = [_amounts(keys) for keys in pair]
    fold_shop(Shop.objects.get(pk=pair[0]["shop"]), announce=False)
    return [*found, _amounts(pair[0])]


def _amounts(keys: dict[str, Any]) -> dict[str, Any]:
    from jobs.models import Interval, Lap, Stage

    place = {key: n for n, key in enumerate(chain(*keys["jobs"]))}
    names = {
        "person_id": {key: n for n, key in enumerate(keys["people"])},
        "machine_id": {key: n for n, key in enumerate(keys["machines"])},
    }

    def plain(row: dict[str, Any]) -> list[str]:
        said = {name: names[name].get(value) if name in names else value for name, value in row.items()}
        return [str(place[said.pop("stage_id")]), *(str(value) for value in said.values())]

    mine = {"shop": keys["shop"]}
    spans = Interval.objects.filter(**mine).values(
        "stage_id", "kind", "person_id", "machine_id", "cause__key", "starts_at", "ends_at", "again"
    )
    laps = Lap.objects.filter(**mine).values("stage_id", "person_id", "starts_at", "ends_at", "seconds")
    stages = Stage.objects.filter(pk__in=place).values_list("pk", "state", "started_at", "finished_at")
    return {
        "intervals": sorted(plain(row) for row in spans),
        "laps": sorted(plain(row) for row in laps),
        "stages": sorted([str(place[pk]), state, str(a), str(b)] for pk, state, a, b in stages),
    }


if __name__ == "__main__":
    django.setup()
    what = sys.argv[1]
    if what == "shop":
        answer: Any = make_shop("quay")
    else:
        answer = {"twin": make_twin, "compare": compare}[what](json.load(sys.stdin))
    json.dump(answer, sys.stdout, default=str)
