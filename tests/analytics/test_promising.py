"""The promise, from an enquiry to the record: hand-addable shops and what must always hold."""

import json
from datetime import UTC, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from quay import enquiry, make_quay

from analytics.engine.book import from_bytes, run, to_bytes
from analytics.models import Promise
from analytics.selectors.backlog import book_of
from analytics.selectors.job_forecast import job_forecast, jobs_to_forecast
from analytics.services.promises import promise_accept, promise_again, promise_standing, promise_take_back
from analytics.services.promising import promise_compute, rounded_up
from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, Stage, StageKind
from shop.errors import BadInput, ShopError
from shop.models import Machine, MachineKind, OpeningHours, Person

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


@pytest.fixture
def shop():
    return make_quay()


def fixed_holds_only(shop, job, minutes):
    """Make every stage of the job a hold of fixed length, so that the finish can be added up by hand."""
    approval = StageKind.objects.of(shop).get(key="approval")
    Stage.objects.filter(job=job).update(kind=approval, hold_min=minutes)
    return Job.objects.prefetch_related("stages__kind").get(pk=job.pk)


def test_holds_add_up_through_closed_hours(shop):
    job = fixed_holds_only(shop, enquiry(shop), 600)
    stages = sum(not stage.left_out for stage in job.stages.all())
    outlook = promise_compute(shop, job, now=MONDAY, runs=50)
    # A hold runs nights and weekends too: n stages of 600 minutes, one after the other.
    assert set(outlook.quantiles.values()) == {MONDAY + timedelta(minutes=600 * stages)}


def test_the_same_shop_in_another_database_has_the_same_futures(shop):
    """What is drawn is named by the job's number and the kind's own name, not by where their rows are kept."""
    twin = make_quay("twin")
    here, there = (promise_compute(one, enquiry(one), now=MONDAY, runs=100) for one in (shop, twin))
    assert here.job.pk != there.job.pk
    assert here.curve == there.curve


def test_a_solvent_print_waits_a_day_more_than_a_uv_print(shop):
    uv = promise_compute(shop, enquiry(shop, "UV"), now=MONDAY, runs=1000)
    solvent = promise_compute(shop, enquiry(shop, "Solvent"), now=MONDAY, runs=1000)
    assert solvent.quantiles[0.5] - uv.quantiles[0.5] >= timedelta(hours=16)
    assert "Outgas" in [stage.name for stage in solvent.stages]


def test_the_finish_lies_in_opening_hours_and_rises_with_the_odds(shop):
    outlook = promise_compute(shop, enquiry(shop), now=MONDAY, runs=1000)
    finishes = [outlook.quantiles[p] for p in sorted(outlook.quantiles)]
    assert finishes == sorted(finishes)
    assert all(9 <= at.hour < 17 or (at.hour, at.minute) == (17, 0) for at in finishes)
    assert outlook.promised_at >= outlook.quantiles[0.8]


def test_a_stage_takes_as_long_beside_its_date_as_on_its_own_page(shop):
    """Of a print, set up by hand and then left alone, the middle of the sum and not the sum of the middles."""
    job = enquiry(shop)
    said = {
        stage.name: (stage.p50, stage.p80) for stage in promise_compute(shop, job, now=MONDAY, runs=50).stages
    }
    rows = job_forecast(jobs_to_forecast(shop).get(pk=job.pk), MONDAY).rows
    assert any(len(row.parts) == 2 for row in rows)
    for row in rows:  # the page knows the machine too where only one can do it, and so is a little less sure
        assert said[row.stage.name] == pytest.approx((row.forecast.p50, row.forecast.p80), rel=0.03)


def test_the_same_question_has_the_same_answer(shop):
    job = enquiry(shop)
    one, two = (promise_compute(shop, job, now=MONDAY, runs=500) for _ in range(2))
    assert one.quantiles == two.quantiles
    assert one.book.digest == two.book.digest


def test_a_promised_job_goes_before_a_new_one_and_makes_it_later(shop):
    alone = promise_compute(shop, enquiry(shop), now=MONDAY, runs=500)
    for _ in range(6):
        ahead = enquiry(shop, items=[ItemSize(1000, 1000, 10)])
        promise_accept(promise_compute(shop, ahead, now=MONDAY, runs=200), user=None)
    behind = promise_compute(shop, enquiry(shop), now=MONDAY, runs=500)
    assert behind.jobs_ahead == 6
    assert behind.quantiles[0.5] > alone.quantiles[0.5]


def test_the_way_to_the_finish_adds_up_to_its_mean(shop):
    outlook = promise_compute(shop, enquiry(shop), now=MONDAY, runs=400)
    futures = run(outlook.book, runs=400, seed=outlook.seed)
    assert sum(drive.minutes for drive in outlook.drives) == pytest.approx(futures.finish.mean())


def test_accepting_keeps_what_the_date_was_made_from_and_gives_the_same_again(shop):
    job = enquiry(shop, "Solvent")
    outlook = promise_compute(shop, job, now=MONDAY)
    promise = promise_accept(outlook, user=None)
    job.refresh_from_db()
    assert (job.status, job.due_at) == (JobStatus.PROMISED, outlook.promised_at)
    assert promise.backlog_digest == from_bytes(bytes(promise.snapshot)).digest
    assert promise.quote["items"][0]["count"] == 10
    # The shop and the backlog move on; the record does not.
    Machine.objects.all().delete()
    enquiry(shop)
    assert promise_again(Promise.objects.get()) == promise.quantiles


def test_taking_a_promise_back_leaves_an_enquiry(shop):
    job = enquiry(shop)
    promise_take_back(promise_accept(promise_compute(shop, job, now=MONDAY, runs=200), user=None))
    job.refresh_from_db()
    assert (job.status, job.due_at) == (JobStatus.ENQUIRY, None)
    assert Promise.objects.get().withdrawn_at is not None


def test_a_date_that_was_worked_out_before_the_one_that_stands_is_not_given(shop):
    """The newest stands: given after it, this one would be the job's date and yet not the promise that counts."""
    job = enquiry(shop)
    early = promise_compute(shop, job, now=MONDAY, runs=200, confidence=0.95)
    late = promise_compute(shop, job, now=MONDAY + timedelta(minutes=5), runs=200)
    given = promise_accept(late, user=None)
    with pytest.raises(ShopError, match="another date since this one was worked out"):
        promise_accept(early, user=None, why_changed="customer")
    assert (promise_standing(job), Job.objects.get().due_at) == (given, given.promised_at)


def test_a_book_survives_storage_to_the_last_bit(shop):
    book = book_of(shop, enquiry(shop), MONDAY)
    again = from_bytes(to_bytes(book))
    assert again.digest == book.digest
    assert (run(again, runs=300, seed=3).finish == run(book, runs=300, seed=3).finish).all()


def test_a_shop_that_never_opens_is_told_where_to_give_hours(shop):
    OpeningHours.objects.all().delete()
    with pytest.raises(BadInput, match="opening hours under Shop"):
        promise_compute(shop, enquiry(shop), now=MONDAY)


def test_a_stage_without_a_machine_is_named_with_the_remedy(shop):
    Machine.objects.filter(kind=MachineKind.CUTTER).delete()
    with pytest.raises(BadInput, match="'Cut of job 1': it needs a cutter"):
        promise_compute(shop, enquiry(shop), now=MONDAY)


def test_a_stage_that_nobody_can_do_is_named_with_the_remedy(shop):
    Person.objects.get().skills.clear()
    with pytest.raises(BadInput, match="nobody can do artwork"):
        promise_compute(shop, enquiry(shop), now=MONDAY)


def test_a_job_type_without_history_rests_on_trade_defaults_and_says_so(shop):
    outlook = promise_compute(shop, enquiry(shop), now=MONDAY, runs=200)
    assert {stage.key for stage in outlook.defaults} >= {"artwork", "print", "cut", "weed"}


def test_an_instant_is_said_at_the_next_half_hour():
    at = datetime(2026, 12, 3, 15, 31, tzinfo=UTC)
    assert rounded_up(at) == datetime(2026, 12, 3, 16, 0, tzinfo=UTC)
    assert rounded_up(rounded_up(at)) == rounded_up(at)


def quote(tmp_path, **facts):
    asked = {
        "job_type": "Labels and decals",
        "process": "Solvent",
        "items": [{"width_mm": 300, "height_mm": 200, "count": 4}],
        "confidence": 0.9,
    }
    file = tmp_path / "quote.json"
    file.write_text(json.dumps({**asked, **facts}))
    return str(file)


def test_the_command_prints_the_contract_and_keeps_nothing(shop, tmp_path):
    out = StringIO()
    call_command("promise", quote(tmp_path), "--json", stdout=out)
    said = json.loads(out.getvalue())
    assert set(said["finish"]) == {"0.5", "0.8", "0.9", "0.95"}
    assert said["promise"]["confidence"] == 0.9
    assert {"0.5", "0.8"} == set(said["stages"][0]["minutes"])
    assert {"media_length_m", "ink_ml", "cost", "drives"} <= said.keys()
    assert not Job.objects.exists()


@pytest.mark.parametrize(
    ("facts", "place"),
    [
        ({"job_type": "Kites"}, "job_type"),
        ({"items": [{"width_mm": -3, "height_mm": 200}]}, "items.0.width_mm"),
        ({"confidence": 8}, "confidence"),
        ({"colour": "red"}, "colour"),
        ({"ready_from": "soon"}, "ready_from"),
        ({"ready_from": "9999-12-31T23:59:00-12:00"}, "ready_from"),  # no date of the shop's
        ({"items": [{"width_mm": 300, "height_mm": 200, "count": 1.5}]}, "items.0.count"),
        ({"items": [{"width_mm": 300, "height_mm": 200, "count": 10**400}]}, "items.0.count"),
        ({"items": [{"width_mm": 300, "height_mm": 200, "count": float("nan")}]}, "items.0.count"),
        ({"drivers": [1]}, "drivers"),
        ({"drivers": {"passes": [2]}}, "drivers.passes"),
        ({"drivers": {"passes": 10**400}}, "drivers.passes"),
    ],
)
def test_a_wrong_quote_is_told_its_place(shop, tmp_path, facts, place):
    with pytest.raises(CommandError, match=place):
        call_command("promise", quote(tmp_path, **facts))
    assert not Job.objects.exists()
