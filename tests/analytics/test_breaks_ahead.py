"""The breaks that people keep, in the dates that are given: who rests at noon is not counted on at noon."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import pytest

from analytics.engine.plan import PersonSpec
from analytics.selectors import habits
from analytics.selectors.premises import shop_spec
from analytics.services.promising import promise_compute
from analytics.words.promise import say_breaks, say_follows
from jobs.models import Interval, IntervalKind, Job, Stage
from shop.models import Person, Shop
from tests.analytics.quay import enquiry, make_quay

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
NOON, HALF_PAST = time(12), time(12, 30)


@pytest.fixture
def quay(monkeypatch: pytest.MonkeyPatch) -> Shop:
    """One person, Ines, and 9 to 17 on weekdays. Twenty days she clocked from 9 to 12 and from 12:30 to 17."""
    monkeypatch.setattr(habits, "_kept", {})
    shop = make_quay()
    stage, ines = Stage.objects.filter(job=enquiry(shop)).first(), Person.objects.get(shop=shop)
    Interval.objects.bulk_create(
        Interval(
            shop=shop,
            stage=stage,
            kind=IntervalKind.HANDS_ON,
            person=ines,
            starts_at=MONDAY - timedelta(days=day, hours=-starts),
            ends_at=MONDAY - timedelta(days=day, hours=-ends),
        )
        for day in range(10, 30)
        for starts, ends in ((0, 3), (3.5, 8))
    )
    return shop


def hand_work(shop: Shop) -> Job:
    """A job of which the artwork alone is left: Ines's own work, of some minutes more or less."""
    job = enquiry(shop, process="UV")
    Stage.objects.filter(job=job).exclude(kind__key="artwork").update(left_out=True)
    return job


def test_a_break_that_the_clock_shows_is_no_time_for_work(quay: Shop) -> None:
    assert [person.breaks for person in shop_spec(quay, MONDAY).people] == [((NOON, HALF_PAST),)]
    job = hand_work(quay)
    at = MONDAY + timedelta(hours=2, minutes=50)
    rested = promise_compute(quay, job, now=at, runs=400)
    done = {instant for instant in rested.curve if instant.date() == MONDAY.date()}
    # From 11:50 some futures reach into the break: they end after it, and none within.
    assert all(instant.time() <= NOON or instant.time() > HALF_PAST for instant in done)
    assert any(instant.time() > HALF_PAST for instant in done)
    Interval.objects.all().delete()
    habits._kept.clear()
    through = promise_compute(quay, job, now=at, runs=400)
    # The very same futures: who is done by noon is done as soon, whoever is not is done half an hour later.
    today = [
        (end, later - end)
        for end, later in zip(through.curve, rested.curve, strict=True)
        if later.date() == MONDAY.date()
    ]
    assert {wait for end, wait in today if end.time() <= NOON} == {timedelta(0)}
    beyond = [wait for end, wait in today if end.time() > NOON]
    assert beyond
    assert all(abs(wait - timedelta(minutes=30)) < timedelta(seconds=1) for wait in beyond)


def test_of_today_nothing_is_told_before_midnight(quay: Shop) -> None:
    """All dates that are given on one day rest on the same breaks."""
    then = MONDAY - timedelta(days=19)
    Interval.objects.filter(starts_at__gte=MONDAY - timedelta(days=20)).delete()
    before = habits.breaks_ahead(quay, then)
    Interval.objects.all().delete()
    assert habits.breaks_ahead(quay, then + timedelta(hours=5)) == before != {}
    assert habits.breaks_ahead(quay, then + timedelta(days=1)) == {}


def test_what_is_reckoned_with_is_said() -> None:
    kim = PersonSpec(1, "Kim", breaks=((time(10), time(10, 15)), (NOON, HALF_PAST)))
    assert say_breaks([PersonSpec(2, "Dov")]) == ""
    assert say_breaks([kim, PersonSpec(2, "Dov")]).endswith("shows: Kim 10:00 to 10:15 and 12:00 to 12:30.")
    assert say_follows(0.8, 0.8) == ""
    assert "where 93 in 100 of the futures are done" in say_follows(0.93, 0.8)
