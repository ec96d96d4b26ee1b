"""The demo shop: made once, the same every time, without clashes, and with something true for every page."""

import itertools
from collections import Counter, defaultdict
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest
from django.core.management import call_command
from django.db import transaction
from django.test import Client
from moment import assert_something_goes_on

from analytics.models import ModelState, Promise, Sample, StageDay
from analytics.selectors.following import following
from analytics.selectors.ledger import ledger
from analytics.selectors.ledger_quality import standing
from analytics.services.learning import learn_shop
from analytics.services.promises import promise_again, promise_standing
from analytics.services.promising import promise_compute
from fixtures.demo import known, scene
from fixtures.demo.making import FIRST_NUMBER, SEED, demo_make, demo_orders, demo_taps, span_of
from fixtures.demo.orders import FINISHED_JOBS
from fixtures.demo.tasks import ANSWER_MIN, CARRIER_MIN, STAGES_MOST
from fixtures.demo.truth import ALONE, HANDS_ON
from jobs.models import (
    ClockEvent,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    Stage,
    StageState,
    TapKind,
)
from jobs.routes import active_edges
from jobs.services.clock import fold_shop
from shop.launch import DEMO_PASSWORD, DEMO_USERS
from shop.models import Closure, Machine, Person, Role, Shop, User
from shop.selectors import closed_days, days_between

pytestmark = pytest.mark.django_db

WAITS = {"approval": ANSWER_MIN, "media-delivery": CARRIER_MIN}
WEDNESDAY = datetime(2026, 11, 25, 10, 40, tzinfo=UTC)
IN_HAND = range(FIRST_NUMBER + FINISHED_JOBS, FIRST_NUMBER + FINISHED_JOBS + 5)
"""The jobs whose date the planner chose."""

WOUND_BACK = 45
"""Which date of the year is worked out once more: with weeks behind it, and not so many that it takes long."""


@contextmanager
def made(now):
    """The demo shop as of `now`; it is gone afterwards."""
    with transaction.atomic():
        yield demo_make(now)
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    # Some futures of its year wait for longer than calendars of sixty days: those dates are worked out on longer ones.
    with pytest.MonkeyPatch.context() as short, django_db_blocker.unblock():
        short.setattr(known, "DAYS", 60)
        with made(WEDNESDAY) as shop:
            yield shop


def spans_by(shop, kind, who):
    found = defaultdict(list)
    for row in Interval.objects.of(shop).filter(kind=kind).order_by("starts_at"):
        found[getattr(row, who)].append((row.starts_at, row.ends_at or WEDNESDAY))
    return found


def test_it_has_a_year_of_finished_work_and_open_work_of_every_kind(demo):
    jobs = Counter(Job.objects.of(demo).values_list("status", flat=True))
    assert 140 <= jobs[JobStatus.FINISHED] <= 155
    assert 5 <= jobs[JobStatus.IN_HAND] <= 12
    assert (jobs[JobStatus.PROMISED], jobs[JobStatus.ENQUIRY]) == (7, 3)
    finished = Job.objects.of(demo).filter(status=JobStatus.FINISHED).order_by("finished_at")
    assert finished.first().finished_at < WEDNESDAY - timedelta(days=340)
    assert finished.last().finished_at > WEDNESDAY - timedelta(days=21)
    assert set(finished.values_list("job_type__name", flat=True)) == {
        "Vehicle graphics", "Wall graphics", "Window graphics", "Lettering", "Labels and decals", "Panel signs"
    }  # fmt: skip


def test_most_dates_were_kept_and_some_were_not(demo):
    jobs = Job.objects.of(demo).filter(status=JobStatus.FINISHED)
    kept = sum(job.finished_at <= job.due_at for job in jobs)
    assert 0.65 < kept / len(jobs) < 0.95
    assert all(job.due_at > job.created_at for job in jobs)


def test_folding_its_taps_gives_no_clash(demo):
    assert fold_shop(demo, announce=False) == []


def test_nobody_is_at_two_stages_at_once(demo):
    for mine in spans_by(demo, IntervalKind.HANDS_ON, "person_id").values():
        assert len(mine) > 50
        assert all(ends <= starts for (_, ends), (starts, _) in itertools.pairwise(mine))


def test_no_machine_has_two_stages_at_once(demo):
    by_machine = spans_by(demo, IntervalKind.MACHINE, "machine_id")
    assert len(by_machine) == len(scene.MACHINES)
    for mine in by_machine.values():
        assert all(ends <= starts for (_, ends), (starts, _) in itertools.pairwise(mine))


def test_people_work_in_opening_hours_on_open_days(demo):
    closed = closed_days(demo, WEDNESDAY.date() - timedelta(days=370), WEDNESDAY.date())
    rows = Interval.objects.of(demo).filter(kind=IntervalKind.HANDS_ON, ends_at__isnull=False)
    for starts, ends in rows.values_list("starts_at", "ends_at"):
        start, end = demo.local(starts), demo.local(ends)
        opens, closes = scene.HOURS[start.weekday()][0]
        assert start.date() == end.date()
        assert start.date() not in closed
        assert opens <= start.time()
        # Somebody may stay on for the last few minutes of a stage.
        late = datetime.combine(start.date(), closes) + timedelta(minutes=5)
        assert end.replace(tzinfo=None) <= late


def test_nobody_works_while_away(demo):
    worked = Interval.objects.of(demo).filter(kind=IntervalKind.HANDS_ON, starts_at__lt=WEDNESDAY)
    days = {(person, demo.local(at).date()) for person, at in worked.values_list("person", "starts_at")}
    absences = Closure.objects.of(demo).filter(person__isnull=False, ends_on__lt=WEDNESDAY.date())
    away = {
        (absence.person_id, day)
        for absence in absences
        for day in days_between(absence.starts_on, absence.ends_on)
    }
    assert len(away) > 10
    assert not days & away


def test_some_prints_run_on_when_everybody_has_gone_and_only_on_the_machine_that_may(demo):
    runs = Interval.objects.of(demo).filter(kind=IntervalKind.MACHINE, ends_at__isnull=False)
    late = []
    for run in runs.select_related("machine"):
        start = demo.local(run.starts_at)
        closing = datetime.combine(start.date(), scene.HOURS[start.weekday()][0][1], demo.zone)
        if run.ends_at > closing + timedelta(minutes=10):
            late.append(run.machine.name)
    assert len(late) >= 5
    assert set(late) == {scene.SOLVENT_PRINTER}


def test_solvent_prints_lie_for_a_day_before_they_are_laminated_or_cut(demo):
    held = Stage.objects.of(demo).filter(kind__key="outgas", job__status=JobStatus.FINISHED, left_out=False)
    assert len(held) > 20
    for hold in held.select_related("job"):
        printed = hold.job.stages.get(kind__key="print").finished_at
        after = hold.job.stages.filter(kind__key__in=("laminate", "cut"), left_out=False)
        assert all(stage.started_at - printed >= timedelta(hours=24) for stage in after)


def test_a_finished_stage_was_begun_before_it_was_finished_and_after_what_it_waits_for(demo):
    redone = set(Interval.objects.of(demo).filter(again=True).values_list("stage", flat=True))
    for job in Job.objects.of(demo).filter(status=JobStatus.FINISHED):
        stages = list(job.stages.prefetch_related("out_edges"))
        kept = {stage.pk: stage for stage in stages if not stage.left_out}
        assert all(job.created_at <= s.started_at <= s.finished_at <= WEDNESDAY for s in kept.values())
        for link in active_edges(stages, [edge for stage in stages for edge in stage.out_edges.all()]):
            if link.kind == "finish" and link.before_id not in redone:  # done again, it is finished once more
                assert kept[link.before_id].finished_at <= kept[link.after_id].started_at
    assert not ClockEvent.objects.of(demo).filter(stage__left_out=True).exists()


def test_work_is_paused_for_many_causes_and_put_aside(demo):
    events = ClockEvent.objects.of(demo)
    causes = set(events.filter(kind=TapKind.PAUSE).values_list("cause__key", flat=True))
    assert {"break", "customer", "fetch-material", "nozzle-clean", "re-measure"} <= causes
    assert None not in causes
    assert events.filter(kind=TapKind.ASIDE).count() > 30
    assert events.filter(kind=TapKind.NEXT).count() > 100


def test_at_this_moment_one_works_one_waits_and_a_printer_runs_alone(demo):
    assert_something_goes_on(demo, WEDNESDAY)


def test_the_same_seed_and_moment_give_the_same_events(demo):
    span = span_of(demo, WEDNESDAY)
    jobs = list(
        Job.objects.of(demo).order_by("number").prefetch_related("stages__kind__skill", "stages__out_edges")
    )
    again = demo_taps(demo, span, demo_orders(span, SEED), jobs, SEED)
    stored = ClockEvent.objects.of(demo).values_list(
        "kind", "stage__job__number", "stage__position", "at", "person__name", "cause__key"
    )
    assert sorted(
        (k, n * STAGES_MOST + p, at, who or "", why or "") for k, n, p, at, who, why in stored
    ) == sorted(
        (
            tap.kind,
            tap.stage,
            span.origin + timedelta(seconds=round(tap.at * 60)),
            tap.person or "",
            tap.cause or "",
        )
        for tap in again
    )
    other = demo_taps(demo, span, demo_orders(span, SEED), jobs, SEED + 1)
    assert [tap.at for tap in other] != [tap.at for tap in again]


def test_a_second_call_says_so_and_changes_nothing(demo, capsys):
    before = (ClockEvent.objects.count(), Job.objects.count(), Shop.objects.get(pk=demo.pk).revision)
    assert demo_make(WEDNESDAY + timedelta(days=1)) is None
    call_command("load_demo")
    assert "there already; nothing was changed" in capsys.readouterr().out
    assert before == (ClockEvent.objects.count(), Job.objects.count(), Shop.objects.get(pk=demo.pk).revision)


def test_each_promise_can_be_computed_again(demo):
    promises = list(Promise.objects.of(demo).select_related("job").order_by("made_at", "pk"))
    today = [one for one in promises if one.made_at == WEDNESDAY]
    assert [one.job.status for one in today] == [JobStatus.PROMISED] * 7
    for promise in today:
        assert promise.promised_at == promise.job.due_at > WEDNESDAY
    for promise in (today[0], promises[0], promises[100]):
        assert promise_again(promise) == promise.quantiles


def test_every_date_is_on_record_with_the_forecast_that_it_was_read_off(demo):
    given = Promise.objects.of(demo).select_related("job", "replaces")
    last = given.filter(replaced_by=None, withdrawn_at=None)
    dated = Job.objects.of(demo).filter(due_at__isnull=False)
    assert sorted(last.values_list("job", "promised_at")) == sorted(dated.values_list("pk", "due_at"))
    chosen = {*dated.filter(number__in=IN_HAND).values_list("pk", flat=True)}
    assert len(chosen) == len(IN_HAND)
    for one in given:
        read_off = datetime.fromisoformat(one.quantiles[f"{one.level:g}"])
        if one.job_id not in chosen and one.why_changed != "customer":
            assert timedelta(0) <= one.promised_at - read_off < timedelta(minutes=30)
    assert {0.8, 0.95} == {one.confidence for one in given}
    assert given.filter(withdrawn_at__isnull=False).count() == 1


def test_some_dates_were_moved_by_the_customer_and_some_by_the_shop_and_keep_their_history(demo):
    moved = list(Promise.objects.of(demo).filter(replaces__isnull=False).select_related("replaces"))
    assert {"customer", "shop"} <= {one.why_changed for one in moved}
    for one in moved:
        assert one.job_id == one.replaces.job_id
        assert one.replaces.made_at < one.made_at < one.replaces.promised_at
        assert (one.promised_at < one.replaces.promised_at) == (one.why_changed == "sooner")


def test_a_date_of_the_past_is_the_one_that_the_program_would_have_given_on_that_day(demo):
    """The year is wound back to that moment: later taps, jobs and dates are gone, and the shop learns anew."""
    promise = (
        Promise.objects.of(demo).filter(replaces=None, withdrawn_at=None).order_by("made_at")[WOUND_BACK]
    )
    at = promise.made_at
    with transaction.atomic():
        wind_back(demo, at)
        job = Job.objects.get(pk=promise.job_id)
        assert job.status == JobStatus.ENQUIRY
        demo.expects_arrivals = False  # on the simulated floor whoever comes first is served first
        found = promise_compute(demo, job, now=at, confidence=promise.confidence, runs=promise.runs)
        transaction.set_rollback(True)
    demo.expects_arrivals = True
    assert found.jobs_ahead > 1
    assert found.promised_at == promise.promised_at
    assert {f"{p:g}": when.isoformat() for p, when in found.quantiles.items()} == promise.quantiles


def wind_back(shop, at):
    """Leave of the shop's year only what had happened by then."""
    Promise.objects.of(shop).filter(made_at__gte=at).delete()
    ClockEvent.objects.of(shop).filter(at__gte=at).delete()
    fold_shop(shop, announce=False)
    learn_shop(shop)
    Job.objects.of(shop).filter(created_at__gte=at).update(status=JobStatus.ENQUIRY, due_at=None)
    for job in Job.objects.of(shop).filter(created_at__lt=at):
        last = promise_standing(job)
        job.due_at = last.promised_at if last else None
        job.status = JobStatus.PROMISED if last else JobStatus.ENQUIRY
        if not job.stages.filter(left_out=False).exclude(state=StageState.FINISHED).exists():
            job.status = JobStatus.FINISHED
        job.save()


def test_the_ledger_says_where_in_their_forecasts_jobs_finished_and_what_to_read_dates_off_at(demo):
    found = standing(demo, ledger(demo, WEDNESDAY), WEDNESDAY)
    assert found.placed > 130
    assert sum(part.count for part in found.parts) == found.placed
    assert all(part.count > 10 for part in found.parts)
    assert demo.confidence_follows
    assert following(demo, demo.confidence, WEDNESDAY).enough


def test_its_models_have_found_the_hidden_truth(demo):
    """Each stage's median minutes over its hidden median lie near 1, although some stages went wrong."""
    assert Sample.objects.of(demo).filter(used=True).count() > 1000
    ratios = defaultdict(list)
    for sample in Sample.objects.of(demo).filter(used=True).select_related("kind"):
        key = sample.kind.key
        if key in WAITS:
            ratios[key].append(sample.unattended_min / WAITS[key])
        else:
            ratios[key].append(sample.hands_on_min / HANDS_ON[key].median(sample.drivers))
    for key in WAITS:  # whoever comes when the shop is closed is seen when it opens
        waits = sorted(ratios.pop(key))
        assert len(waits) >= 10, key
        assert 0.8 < waits[len(waits) // 2] < 2.0, key
    assert ratios.keys() == HANDS_ON.keys()
    for key, mine in ratios.items():
        assert 0.75 < sorted(mine)[len(mine) // 2] < 1.35, key
    learned = set(ModelState.objects.of(demo).filter(n__gte=10).values_list("kind__key", "part"))
    assert {(key, "hands_on") for key in HANDS_ON} | {(key, "unattended") for key in ALONE} <= learned
    assert StageDay.objects.of(demo).count() > 500


def test_the_demo_log_ins_open_the_shop_with_their_roles(demo):
    for name in DEMO_USERS:
        user = User.objects.get(username=name)
        assert user.check_password(DEMO_PASSWORD)
        assert user.membership.role == Role(name)
        assert user.membership.shop == demo
        assert not user.password_is_one_time
    assert set(Person.objects.of(demo).filter(user=None).values_list("name", flat=True)) == {"Dov"}
    assert demo.is_demo
    assert demo.labour_per_hour > 0


def test_the_pages_have_something_to_show(demo):
    client = Client()
    client.force_login(User.objects.get(username="owner"), "django.contrib.auth.backends.ModelBackend")
    running = Stage.objects.of(demo).filter(state=StageState.RUNNING).select_related("job").first().job
    done = Job.objects.of(demo).filter(status=JobStatus.FINISHED).first()
    asked = Job.objects.of(demo).filter(status=JobStatus.ENQUIRY).first()
    for address, word in (
        ("/jobs/", running.title),
        (f"/jobs/{done.number}/", done.title),
        (f"/jobs/{done.number}/time/", "Print"),
        ("/durations/", "Vehicle graphics"),
        ("/durations/defaults/", "Weed"),
        ("/floor/", "Solvent printer"),
        (f"/floor/{running.number}/", running.title),
        (f"/jobs/{asked.number}/promise/", "eight times in ten"),
    ):
        page = client.get(address)
        assert page.status_code == 200, address
        assert word in page.content.decode(), address
    assert Machine.objects.of(demo).count() == 7
