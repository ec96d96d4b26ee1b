"""Stages that are being done right now bear on the forecasts of those to come."""

from datetime import timedelta

import pytest
from quay import enquiry, make_quay

from analytics.selectors.backlog import stage_inputs
from analytics.selectors.models import learned
from analytics.selectors.running import knowing_running
from jobs.models import Stage
from tests.analytics.derived import MONDAY

pytestmark = pytest.mark.django_db


@pytest.fixture
def weed() -> Stage:
    job = enquiry(make_quay())
    return Stage.objects.select_related("kind", "job__job_type").get(job=job, kind__key="weed")


@pytest.mark.parametrize(("minutes", "longer"), [(0.0, False), (0.1, False), (90.0, True)])
def test_what_runs_long_makes_the_next_one_longer_and_what_has_just_begun_does_not(weed, minutes, longer):
    known, inputs = learned(weed.shop), stage_inputs(weed.job, weed)
    after = knowing_running(known, [(weed, inputs, minutes, 0.0)], MONDAY + timedelta(hours=1))
    before, now = (float(k.forecast("weed", "hands_on", *inputs).quantile(0.5)) for k in (known, after))
    assert (now > 1.05 * before) is longer
    assert now == pytest.approx(before, rel=1e-3) or longer
    assert known.states.keys() <= after.states.keys()
    assert float(known.forecast("weed", "hands_on", *inputs).quantile(0.5)) == before
