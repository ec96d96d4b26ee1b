"""What would save a date, where work may come in too."""

from datetime import timedelta

import pytest
from quay import enquiry, make_quay, past
from watch_worlds import MONDAY, promise_by

from analytics.services.saving import futures_of
from analytics.services.watching import watch_shop
from jobs.drivers import ItemSize

pytestmark = pytest.mark.django_db


def test_longer_hours_are_looked_at_where_work_may_come_in():
    shop = make_quay()
    past(shop, 40, lead=timedelta(days=1))
    job = enquiry(shop, items=[ItemSize(1000, 1000, 20)])
    promise = promise_by(job, MONDAY + timedelta(days=1))
    promise_by(enquiry(shop), MONDAY + timedelta(days=14))
    assert futures_of(shop, MONDAY).book.coming is not None
    (slip,) = watch_shop(shop, MONDAY)
    assert slip.promise_id == promise.pk
    assert {"longer_days"} <= {one["what"] for one in slip.savers}
