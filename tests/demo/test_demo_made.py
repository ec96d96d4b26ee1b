"""Making the demo shop at odd hours, and refusing to."""

from datetime import UTC, datetime

import pytest
from django.core.management import CommandError, call_command
from moment import assert_something_goes_on

from fixtures.demo import making
from jobs.models import Job
from jobs.services.clock import fold_shop
from shop.models import Shop, User

pytestmark = pytest.mark.django_db

# Within the hour in which summer time begins in the shop's zone, which is also a closed night.
SUNDAY_NIGHT = datetime(2027, 3, 28, 1, 20, tzinfo=UTC)


def test_something_goes_on_in_the_dead_of_a_sunday_night_too(monkeypatch):
    monkeypatch.setattr(making, "dates_write", lambda *_: {})  # the year's dates take a third of the time
    shop = making.demo_make(SUNDAY_NIGHT)
    assert_something_goes_on(shop, SUNDAY_NIGHT)
    assert fold_shop(shop, announce=False) == []


def test_log_ins_that_are_taken_are_named_and_nothing_is_written():
    User.objects.create_user("maker", password="x")
    with pytest.raises(CommandError, match="named maker"):
        call_command("load_demo")
    assert not Shop.objects.exists()
    assert not Job.objects.exists()
