"""How long a quote takes against a full shop, beside the simulation of the same book alone.

Run with `pytest -m benchmark -s`. A quote reads the open work, places the job, draws until the date is exact enough or
the page's time is over, and says what it found. CPU time of the whole process; the least of several rounds.
"""

import time
from datetime import UTC, datetime

import pytest
from backlogs import make_busy_shop, promise_many

from analytics.engine.book import draws, look
from analytics.services.promising import promise_compute
from analytics.services.running_totals import BUDGET, THREADS, Wish
from jobs.drivers import ItemSize
from jobs.models import JobType
from jobs.services.jobs import job_create
from shop.models import Process

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db]

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)
ROUNDS = 4


@pytest.mark.parametrize("jobs", [50, 200, 400])
def test_a_quote_against_a_full_shop(jobs):
    shop = make_busy_shop()
    promise_many(shop, jobs, NOW)
    asked = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van",
        process=Process.objects.of(shop).get(name="UV"),
        items=[ItemSize(300, 200, 10)],
    )
    whole, engine, walls, found = [], [], [], None
    for _ in range(ROUNDS):
        cpu, wall = time.process_time(), time.perf_counter()
        until = wall + BUDGET
        found = promise_compute(
            shop, asked, now=NOW, wish=Wish(go_on=lambda until=until: time.perf_counter() < until)
        )
        walls.append(time.perf_counter() - wall)
        runs = found.runs
        whole.append((time.process_time() - cpu) / runs)
        minutes = draws(found.book, runs=runs, seed=found.seed)
        cpu = time.process_time()
        look(found.book, minutes, threads=THREADS)
        engine.append((time.process_time() - cpu) / runs)
    ratio = min(whole) / min(engine)
    print(
        f"\nquote against {jobs} jobs: {min(walls) * 1000:.0f} ms, {found.runs} futures, to "
        f"{found.error_min:.0f} working minutes; CPU {ratio:.1f} × the simulation alone "
        f"({min(whole) * 1e6:.0f} µs a future)"
    )
    # Reading, placing, drawing, the futures without the job, and words: together a few simulations' worth.
    assert ratio < 12
