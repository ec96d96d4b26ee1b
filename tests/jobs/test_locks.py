"""Who locks a job, a stage or a job type locks the shop before it, as taps do: else each could wait for the other."""

from datetime import UTC, datetime
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Job, JobType, Stage, TapKind
from jobs.services.estimates import estimate_set
from jobs.services.jobs import job_cancel, job_create, job_update
from jobs.services.routes import route_replace
from jobs.services.stages import stage_leave_out
from jobs.services.taps import Tap, record_taps
from shop.models import Person, Shop
from shop.services import shop_create

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(
        not connection.features.has_select_for_update,
        reason="SQLite has no locks of rows: one writes at a time.",
    ),
]

NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def tapped(job: Job, stage: Stage) -> None:
    person = Person.objects.create(shop=job.shop, name="Ann")
    tap = Tap(id=uuid4(), kind=TapKind.START, stage=stage.pk, at=NINE, person=person.pk)
    record_taps(shop=job.shop, user=None, taps=[tap], sent_at=NINE, received_at=NINE)


@pytest.mark.parametrize(
    "write",
    [
        tapped,
        lambda job, _: job_update(job, title="Other"),
        lambda job, _: job_cancel(job),
        lambda _, stage: stage_leave_out(stage),
        lambda _, stage: estimate_set(stage, 30.0),
        lambda job, _: route_replace(job.job_type, [], []),
    ],
    ids=["tap", "update", "cancel", "leave out", "estimate", "route"],
)
def test_the_shop_is_locked_first(write):
    shop: Shop = shop_create(slug="quay", name="Quay Signs")
    job = job_create(shop=shop, job_type=JobType.objects.of(shop).get(name="Lettering"), title="Van")
    stage = Stage.objects.filter(job=job, left_out=False).select_related("shop", "job", "kind").first()
    with CaptureQueriesContext(
        connection,
    ) as asked:
        write(job, stage)
    locks = [query["sql"] for query in asked if "FOR UPDATE" in query["sql"]]
    assert 'FROM "shop_shop"' in locks[0]
    assert len(locks) > 1
