"""Real Celery workers on Redis and PostgreSQL learn what the stopwatch finished: each stage exactly once."""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from urllib.parse import quote

import pytest
from django.conf import settings
from django.db import connection

from analytics import tasks
from analytics.models import ModelState, Sample
from analytics.selectors.samples import stages_to_learn
from analytics.services.learning import learn_shop
from jobs.models import Stage
from jobs.signals import stages_folded
from shop.models import Shop
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish, learned_rows

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]

Workers = Callable[[int], list[subprocess.Popen[bytes]]]


def database_url() -> str:
    """The address of the test database, for another process."""
    facts = connection.settings_dict
    login = f"{quote(facts['USER'])}:{quote(facts['PASSWORD'])}@" if facts["USER"] else ""
    return f"postgres://{login}{quote(facts['HOST'] or '', safe='')}:{facts['PORT'] or 5432}/{facts['NAME']}"


@pytest.fixture
def workers(monkeypatch: pytest.MonkeyPatch) -> Iterator[Workers]:
    """Start so many workers on the test database, and stop them at the end."""
    if connection.vendor != "postgresql" or not settings.REDIS_URL:
        pytest.skip("Set DATABASE_URL to PostgreSQL and REDIS_URL to Redis.")
    app = tasks.learn_stage.app
    eager, app.conf.task_always_eager = app.conf.task_always_eager, False
    app.control.purge()
    env = {**os.environ, "DATABASE_URL": database_url(), "REDIS_URL": settings.REDIS_URL, "HTTPS": "0"}
    celery = (sys.executable, "-m", "celery", "-A", "shop.celery", "worker")
    options = ("--pool=threads", "--concurrency=4", "--loglevel=WARNING")
    running: list[subprocess.Popen[bytes]] = []

    def start(count: int) -> list[subprocess.Popen[bytes]]:
        begun = [
            subprocess.Popen([*celery, *options, f"--hostname=test{len(running) + n}@%h"], env=env)
            for n in range(count)
        ]
        running.extend(begun)
        return begun

    yield start
    for process in running:
        process.terminate()
    for process in running:
        process.wait(timeout=30)
    app.control.purge()
    app.conf.task_always_eager = eager


def finished_stages(shop: Shop, count: int) -> list[Stage]:
    jobs = [a_job(shop), a_job(shop, "Window graphics")]
    return [
        finish(
            jobs[n % 2], ("weed", "hemming")[n % 2], 10 + n, MONDAY + n * timedelta(hours=1), area_m2=1.0 + n
        )
        for n in range(count)
    ]


def wait_until(done: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait for it; fail if it does not come."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "The workers did not do it in time."
        time.sleep(0.1)


def test_a_finished_stage_is_learned_by_a_real_worker(workers: Workers) -> None:
    shop = shop_create(slug="quay", name="Quay Signs")
    workers(1)
    (stage,) = finished_stages(shop, 1)
    stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=[stage.pk])
    wait_until(lambda: Sample.objects.filter(stage=stage, used=True).exists())
    assert ModelState.objects.get(kind=stage.kind, part="hands_on").n == 1


def test_two_workers_with_every_message_twice_count_nothing_twice(workers: Workers) -> None:
    shop = shop_create(slug="quay", name="Quay Signs")
    stages = finished_stages(shop, 24)
    ids = [stage.pk for stage in stages]
    for order in (ids, ids[::-1]):
        stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=order)
    workers(2)
    wait_until(lambda: Sample.objects.count() == len(ids) and not stages_to_learn(shop))
    time.sleep(2)  # the second copies of the messages may still be under way
    as_learned = learned_rows(shop)
    assert sum(row["n"] for row in as_learned["ModelState"] if row["part"] == "hands_on") == len(ids)
    learn_shop(shop)
    assert learned_rows(shop) == as_learned


def test_what_a_killed_worker_held_is_found_by_the_sweep(workers: Workers) -> None:
    shop = shop_create(slug="quay", name="Quay Signs")
    (worker,) = workers(1)
    stages = finished_stages(shop, 40)
    stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=[stage.pk for stage in stages])
    wait_until(lambda: Sample.objects.exists())
    worker.kill()
    worker.wait(timeout=30)
    tasks.learn_stage.app.control.purge()  # all messages that were waiting are lost
    assert Sample.objects.count() < len(stages)
    workers(1)
    tasks.sweep.delay()
    wait_until(lambda: not stages_to_learn(shop))
    as_learned = learned_rows(shop)
    learn_shop(shop)
    assert learned_rows(shop) == as_learned
