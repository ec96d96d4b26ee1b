"""Walks in the background: in slices, killed, taken over, stopped and gone on, with every case there once."""

from datetime import date, datetime, timedelta
from threading import Barrier, Thread
from typing import Any

import numpy as np
import pytest
from django.db import OperationalError, connection
from django.utils import timezone

from analytics import tasks
from analytics.engine.backtest import Walk, walk
from analytics.models import BacktestRun, ForecastCase, RunState
from analytics.selectors.history import job_records
from analytics.services import walks
from analytics.services.backtesting import Wanted
from analytics.services.learning import sweep_shop
from analytics.services.walks import WALKS
from analytics.services.walks_due import runs_due
from shop.errors import BadInput, ShopError
from shop.models import Shop
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish

pytestmark = pytest.mark.django_db

JOBS = 22


@pytest.fixture
def shop() -> Shop:
    """A shop with 22 jobs of two stages, a day apart."""
    shop = shop_create(slug="quay", name="Quay Signs")
    rng = np.random.default_rng(3)
    for n in range(JOBS):
        one_more(shop, n, float(rng.uniform(5, 60)))
    sweep_shop(shop)
    return shop


def one_more(shop: Shop, day: int, minutes: float) -> None:
    job, at = a_job(shop, ("Lettering", "Window graphics")[day % 2]), MONDAY + day * timedelta(days=1)
    finish(job, "hemming", minutes, at)
    finish(job, "welding", minutes / 2, at + timedelta(hours=3))


@pytest.fixture
def each_job(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write after every job."""
    monkeypatch.setattr(walks, "BEAT", 0.0)


def wanted(shop: Shop, **asked: Any) -> BacktestRun:
    return walks.run_want(shop, Wanted(**asked), None, timezone.now())


def to_its_end(run: BacktestRun, seconds: float = 60.0) -> int:
    """Carry a run on until there is nothing to do; in how many slices."""
    slices = 1
    while WALKS.carry_on(run.pk, seconds):
        slices += 1
    run.refresh_from_db()
    return slices


def told(run: BacktestRun) -> list[tuple[Any, ...]]:
    """The cases of a run, whatever run it is."""
    rows = ForecastCase.objects.filter(run=run).order_by("job", "stage")
    return list(
        rows.values_list("job", "stage", "kind", "quantiles", "pit", "crps", "crps_mean", "crps_past")
    )


def test_a_run_keeps_every_forecast_once_and_the_scores_of_the_command(shop: Shop) -> None:
    run = wanted(shop)
    to_its_end(run)
    assert (run.state, run.done, run.total, run.checkpoint) == (RunState.DONE, JOBS, JOBS, {})
    rows: list[Any] = []
    assert run.result == walk(job_records(shop), on_forecast=rows.append).to_dict()
    assert len(rows) == 3 * (JOBS - 5)
    kept = {(case.job_id, case.stage_id): case for case in run.cases.select_related("job", "kind")}
    assert len(kept) == run.cases.count() == len(rows)
    for row in rows:
        case = kept[row.job_row, row.stage_row]
        assert tuple(case.quantiles) == row.quantiles
        assert (case.pit, case.crps, case.actual_min) == (row.pit, row.crps, row.actual_min)
        assert (case.kind.name if case.kind else "job total") == row.stage
        assert case.job.reference == row.job or str(case.job.number) == row.job


def test_a_run_in_slices_is_the_same_as_one_in_one_go(shop: Shop, each_job: None) -> None:
    one, other = wanted(shop), None
    assert to_its_end(one) == 1
    other = wanted(shop)
    assert to_its_end(other, seconds=0.0) == JOBS
    assert told(one) == told(other)
    assert one.result == other.result


@pytest.mark.parametrize("when", [0, 4, 11])
def test_one_that_is_killed_goes_on_from_its_checkpoint(
    shop: Shop, each_job: None, monkeypatch: pytest.MonkeyPatch, when: int
) -> None:
    whole = wanted(shop)
    to_its_end(whole)
    run, steps, real = wanted(shop), 0, Walk.step

    def step(self: Walk) -> list[Any]:
        nonlocal steps
        steps += 1
        if steps > when:
            raise SystemExit("killed")
        return real(self)

    with monkeypatch.context() as patch:
        patch.setattr(Walk, "step", step)
        with pytest.raises(SystemExit):
            WALKS.carry_on(run.pk, 60.0)
    run.refresh_from_db()
    assert (run.state, run.done) == (RunState.RUNNING, when)
    assert not WALKS.carry_on(run.pk)  # its beat is fresh: somebody may be at it
    now = timezone.now()
    assert run.pk not in WALKS.waiting(now)
    assert run.pk in WALKS.waiting(now + timedelta(minutes=2))
    BacktestRun.objects.filter(pk=run.pk).update(beat_at=now - timedelta(minutes=2))
    tasks.sweep()
    run.refresh_from_db()
    assert run.state == RunState.DONE
    assert told(run) == told(whole)
    assert run.result == whole.result


def test_a_failing_write_leaves_neither_cases_nor_a_checkpoint(
    shop: Shop, each_job: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = wanted(shop)
    for _ in range(8):
        WALKS.carry_on(run.pk, 0.0)
    before = (BacktestRun.objects.get(pk=run.pk).checkpoint, told(run))
    with monkeypatch.context() as patch:
        patch.setattr(walks, "_case", lambda *_: 1 / 0)
        assert not WALKS.carry_on(run.pk, 0.0)
    run.refresh_from_db()
    assert run.state == RunState.FAILED
    assert "ZeroDivisionError" in run.error
    assert (run.checkpoint, told(run)) == before
    WALKS.go_on(run, timezone.now())
    to_its_end(run)
    assert (run.state, run.error, run.cases.count()) == (RunState.DONE, "", 3 * (JOBS - 5))


def test_of_two_workers_at_one_run_the_one_that_is_late_leaves_it(
    shop: Shop, each_job: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one worker is at a job for so long that the run looks left, another does all of it."""
    run, real, taken = wanted(shop), Walk.step, []

    def step(self: Walk) -> list[Any]:
        if self.done == 9 and not taken:
            taken.append(True)
            BacktestRun.objects.filter(pk=run.pk).update(beat_at=timezone.now() - timedelta(minutes=2))
            assert not WALKS.carry_on(run.pk, 60.0)
        return real(self)

    monkeypatch.setattr(Walk, "step", step)
    assert not WALKS.carry_on(run.pk, 60.0)
    run.refresh_from_db()
    assert taken
    assert (run.state, run.cases.count()) == (RunState.DONE, 3 * (JOBS - 5))
    assert len(set(told_keys(run))) == run.cases.count()


def told_keys(run: BacktestRun) -> list[tuple[Any, ...]]:
    return list(run.cases.values_list("job", "stage"))


@pytest.mark.django_db(transaction=True)
def test_of_workers_that_take_a_run_at_the_same_moment_one_gets_it() -> None:
    shop, now = shop_create(slug="hill", name="Hill Signs"), timezone.now()
    run = BacktestRun.objects.create(shop=shop, asked_at=now)
    gate, got = Barrier(5), []

    def take() -> None:
        gate.wait()
        try:
            got.append(claimed() is not None)
        finally:
            connection.close()

    def claimed() -> BacktestRun | None:
        while True:
            try:
                return WALKS.claimed(run.pk, now)
            except OperationalError:  # SQLite in memory does not wait for a lock as a file does
                continue

    threads = [Thread(target=take) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(got) == [False] * 4 + [True]
    assert WALKS.claimed(run.pk, now) is None


def test_a_person_stops_it_and_lets_it_go_on(shop: Shop, each_job: None) -> None:
    run = wanted(shop)
    for _ in range(9):
        assert WALKS.carry_on(run.pk, 0.0)
    WALKS.stop(run)
    assert not WALKS.carry_on(run.pk)
    run.refresh_from_db()
    assert (run.state, run.done) == (RunState.STOPPED, 9)
    WALKS.go_on(run, timezone.now())
    assert to_its_end(run, 0.0) == JOBS - 9
    assert run.result == walk(job_records(shop)).to_dict()
    with pytest.raises(ShopError, match="nothing to stop"):
        WALKS.stop(run)
    with pytest.raises(ShopError, match="cannot go on"):
        WALKS.go_on(run, timezone.now())


def test_one_that_is_deleted_while_it_runs_leaves_nothing(
    shop: Shop, each_job: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, real = wanted(shop), Walk.step

    def step(self: Walk) -> list[Any]:
        if self.done == 9:
            BacktestRun.objects.get(pk=run.pk).delete()
        return real(self)

    monkeypatch.setattr(Walk, "step", step)
    assert not WALKS.carry_on(run.pk, 60.0)
    assert not ForecastCase.objects.exists()


def test_where_the_history_changed_it_begins_again_and_says_so(shop: Shop, each_job: None) -> None:
    run = wanted(shop)
    for _ in range(9):
        WALKS.carry_on(run.pk, 0.0)
    one_more(shop, -3, 12.0)  # finished before all the others, and came late
    sweep_shop(shop)
    to_its_end(run)
    assert "began again" in run.error
    assert (run.total, run.cases.count()) == (JOBS + 1, 3 * (JOBS - 4))
    assert run.result == walk(job_records(shop)).to_dict()


def test_what_finishes_while_it_runs_is_walked_too(shop: Shop, each_job: None) -> None:
    run = wanted(shop)
    WALKS.carry_on(run.pk, 0.0)
    one_more(shop, JOBS + 1, 12.0)
    sweep_shop(shop)
    to_its_end(run)
    assert (run.error, run.done, run.cases.count()) == ("", JOBS + 1, 3 * (JOBS - 4))


def test_days_are_the_shops_own_and_drivers_are_left_out(shop: Shop) -> None:
    first = shop.local(MONDAY + timedelta(days=10)).date()
    run = wanted(shop, scored_from=first, scored_to=first + timedelta(days=2), leave_out=("job_type",))
    to_its_end(run)
    days = {shop.local(at).date() for at in run.cases.values_list("finished_at", flat=True)}
    assert days == {first + timedelta(days=n) for n in range(3)}
    assert run.total == 13


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"scored_from": date(2026, 5, 2), "scored_to": date(2026, 5, 1)}, "is after the last"),
        ({"leave_out": ("moon",)}, "No stage knows a driver 'moon'.*job_type"),
        ({"scored_from": date(2036, 1, 1)}, "no finished job in those days"),
        ({"first": JOBS}, "has 22 finished jobs"),
    ],
)
def test_a_wish_that_makes_no_sense_is_refused_in_words(
    shop: Shop, asked: dict[str, Any], words: str
) -> None:
    with pytest.raises(BadInput, match=words):
        wanted(shop, **asked)
    assert not BacktestRun.objects.exists()


def test_only_one_walk_of_a_shop_is_under_way(shop: Shop) -> None:
    run = wanted(shop)
    with pytest.raises(ShopError, match="under way already"):
        wanted(shop)
    WALKS.stop(run)
    wanted(shop)
    with pytest.raises(ShopError, match="Another walk"):
        WALKS.go_on(run, timezone.now())


def test_only_the_newest_runs_keep_their_cases(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(walks, "KEPT", 2)
    runs = [wanted(shop, first=JOBS - 2) for _ in range(3) if not to_its_end_of_all()]
    for run in runs:
        to_its_end(run)
    assert [run.cases.count() for run in runs] == [0, 6, 6]
    assert all(BacktestRun.objects.get(pk=run.pk).result for run in runs)


def to_its_end_of_all() -> int:
    for run in BacktestRun.objects.filter(state=RunState.WANTED):
        to_its_end(run)
    return 0


def test_a_walk_is_made_by_itself_a_day_after_the_last_if_something_finished(shop: Shop) -> None:
    now = datetime(2026, 6, 1, 9, tzinfo=MONDAY.tzinfo)
    [first] = runs_due(now)
    assert runs_due(now + timedelta(days=2)) == []  # it is still under way
    to_its_end(BacktestRun.objects.get(pk=first))
    assert runs_due(now + timedelta(days=2)) == []  # nothing finished since
    one_more(shop, JOBS + 1, 20.0)
    sweep_shop(shop)
    assert runs_due(now + timedelta(hours=20)) == []  # not so soon
    assert len(runs_due(now + timedelta(days=2))) == 1


def test_no_walk_is_made_by_itself_from_a_few_jobs() -> None:
    shop = shop_create(slug="hill", name="Hill Signs")
    for day in range(6):
        one_more(shop, day, 10.0 + day)
    sweep_shop(shop)
    assert runs_due(timezone.now()) == []
