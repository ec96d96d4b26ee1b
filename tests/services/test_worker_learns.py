"""Real Celery workers on Redis and PostgreSQL learn what the stopwatch finished: each stage exactly once."""

import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from django.db import connection

from analytics import tasks
from analytics.models import ModelState, PooledState, Sample
from analytics.selectors.samples import stages_to_learn
from analytics.services.learning import learn_shop
from jobs.models import Stage
from jobs.signals import stages_folded
from shop.models import Shop
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish, learned_rows

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]

WAITING = """
    SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'
"""
Workers = Callable[[int], list[subprocess.Popen[bytes]]]


def finished_stages(shop: Shop, count: int) -> list[Stage]:
    jobs = [a_job(shop), a_job(shop, "Window graphics")]
    return [
        finish(
            jobs[n % 2], ("weed", "hemming")[n % 2], 10 + n, MONDAY + n * timedelta(hours=1), area_m2=1.0 + n
        )
        for n in range(count)
    ]


def wait_until(done: Callable[[], bool], seconds: float = 300.0) -> None:
    """Wait for it; fail if it does not come."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "The workers did not do it in time."
        time.sleep(0.1)


@contextmanager
def nobody_can_write_what_they_learn() -> Iterator[Callable[[], bool]]:
    """Another connection holds the rows that whoever learns locks; gives what says whether anybody waits for them."""
    other = connection.copy()
    other.set_autocommit(False)
    with other.cursor() as cursor:
        cursor.execute(f"SELECT 1 FROM {PooledState._meta.db_table} FOR UPDATE")  # noqa: S608 - our own table

        def somebody_waits() -> bool:
            cursor.execute("SELECT pg_stat_clear_snapshot()")
            cursor.execute(WAITING)
            return bool(cursor.fetchone()[0])

        yield somebody_waits
    other.rollback()
    other.close()


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
    ids = [stage.pk for stage in finished_stages(shop, 40)]
    stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=ids[:5])
    wait_until(lambda: Sample.objects.count() == 5)
    with nobody_can_write_what_they_learn() as somebody_waits:
        stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=ids[5:])
        wait_until(somebody_waits)
        worker.kill()
        worker.wait(timeout=120)
        tasks.learn_stage.app.control.purge()  # all messages that were waiting are lost
    assert Sample.objects.count() == 5
    workers(1)
    tasks.sweep.delay()
    wait_until(lambda: not stages_to_learn(shop))
    as_learned = learned_rows(shop)
    learn_shop(shop)
    assert learned_rows(shop) == as_learned
