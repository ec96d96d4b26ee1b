"""What importing and learning a log costs, as a ratio to inserting the same rows and nothing else."""

import time
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command
from django.db import transaction

from analytics.models import Sample
from jobs.models import ClockEvent, Interval
from shop.services import shop_create

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]

JOBS, STAGES, SITTINGS = 120, 6, 4
MOST = 25
"""The import also parses, checks, folds and learns; so many times the raw inserts are still seconds."""


def log(path: Path) -> Path:
    """A log of JOBS × STAGES × SITTINGS rows."""
    rng = np.random.default_rng(1)
    at = datetime(2026, 1, 5, 8, tzinfo=UTC)
    lines = ["job,job_type,stage,started_at,finished_at,person,pieces"]
    for job in range(JOBS):
        for stage in range(STAGES):
            for _ in range(SITTINGS):
                end = at + timedelta(minutes=float(rng.lognormal(2.5, 0.7)))
                lines.append(
                    f"J{job},Type {job % 4},Step {stage},{at.isoformat()},{end.isoformat()},P{job % 5},{stage}"
                )
                at = end + timedelta(minutes=5)
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_importing_costs_a_few_times_the_raw_inserts(tmp_path: Path) -> None:
    shop = shop_create(slug="quay", name="Quay Signs")
    path = log(tmp_path / "log.csv")
    begun = time.perf_counter()
    call_command("import_timings", str(path), stdout=StringIO())
    imported = time.perf_counter() - begun
    events, intervals = list(ClockEvent.objects.of(shop)), list(Interval.objects.of(shop))
    assert Sample.objects.count() == JOBS * STAGES
    Interval.objects.all().delete()
    ClockEvent.objects.all()._raw_delete("default")
    begun = time.perf_counter()
    with transaction.atomic():
        ClockEvent.objects.bulk_create(events, batch_size=2000)
        Interval.objects.bulk_create(intervals, batch_size=2000)
    raw = time.perf_counter() - begun
    print(
        f"\n{JOBS * STAGES * SITTINGS:,} rows: import and learning {imported:.2f} s, raw inserts {raw:.2f} s, "
        f"ratio {imported / raw:.1f}"
    )
    assert imported < MOST * raw
