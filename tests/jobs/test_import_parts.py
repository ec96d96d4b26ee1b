"""A large log goes in a few whole jobs at a time: taps come in between, a kill costs nothing, a failure too."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from analytics.models import Sample
from analytics.services.learning import sweep_shop
from jobs.importing import writing
from jobs.models import (
    ClockEvent,
    DraftState,
    Driver,
    ImportDraft,
    ImportedStage,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    Stage,
    StageState,
)
from jobs.services import importing
from jobs.services.clock import fold_shop
from jobs.services.import_claims import STALE
from jobs.services.importing import draft_bring_in, draft_make, draft_read_as, draft_want, drafts_sweep
from shop.errors import ShopError
from shop.models import Shop
from shop.services import shop_create
from tests.jobs.import_logs import brought_in, everything, log_of, press, waiting_job

pytestmark = pytest.mark.django_db(transaction=True)


class Killed(BaseException):
    """As SIGKILL: nobody catches it."""


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


@pytest.fixture
def in_parts(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], None]], None]:
    """Parts of four rows, which are two jobs; what is given is done between them."""
    monkeypatch.setattr(writing, "ROWS_AT_ONCE", 4)
    return lambda between: monkeypatch.setattr(importing, "breathe", between)


def wanted(shop: Shop, text: str) -> ImportDraft:
    draft = draft_make(shop, None, "log.csv", text.encode())
    draft_want(draft)
    return draft


def from_another_device(do: Callable[[], None]) -> None:
    """Do it in a connection of its own that waits for no lock at all: it works or fails at once."""
    wrong: list[BaseException] = []

    def run() -> None:
        try:
            with connection.cursor() as cursor:
                cursor.execute(
                    "PRAGMA busy_timeout = 0" if connection.vendor == "sqlite" else "SET lock_timeout = '1ms'"
                )
            do()
        except BaseException as error:
            wrong.append(error)
        finally:
            connection.close()

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    if wrong:
        raise wrong[0]


def test_a_tap_is_taken_in_between_the_parts(shop: Shop, in_parts: Any) -> None:
    stages = [waiting_job(shop) for _ in range(2)]
    there: list[int] = []

    def between() -> None:
        there.append(Job.objects.of(shop).filter(imported__isnull=False).count())
        if stages:
            from_another_device(lambda: press(shop, stages.pop()))

    in_parts(between)
    draft = wanted(shop, log_of(6))
    draft_bring_in(draft.pk)
    assert there == [2, 4]
    assert not stages
    assert ClockEvent.objects.of(shop).filter(imported=None).count() == 2
    assert (
        Stage.objects.of(shop).filter(state=StageState.RUNNING).count() == 1
    )  # Ada went from the one to the other
    draft.refresh_from_db()
    assert (draft.state, draft.result["written"]["jobs"]) == (DraftState.DONE, 6)
    rows = (
        Interval.objects.of(shop)
        .order_by("stage", "kind", "starts_at")
        .values("stage", "kind", "starts_at", "ends_at")
    )
    before = list(rows)
    fold_shop(shop, announce=False)
    assert list(rows) == before


def test_no_job_is_ever_half_there_and_nothing_is_learned_before_the_last(shop: Shop, in_parts: Any) -> None:
    seen: list[tuple[set[str], int, int]] = []

    def between() -> None:
        jobs = Job.objects.of(shop).filter(imported__isnull=False)
        at_work = Interval.objects.of(shop).filter(kind=IntervalKind.HANDS_ON, stage__job__in=jobs)
        sweep_shop(shop)
        seen.append((set(jobs.values_list("status", flat=True)), at_work.count(), Sample.objects.count()))

    in_parts(between)
    draft_bring_in(wanted(shop, log_of(6)).pk)
    assert seen == [({JobStatus.FINISHED}, 4, 0), ({JobStatus.FINISHED}, 8, 0)]
    assert Sample.objects.count() == 12


def test_in_parts_or_whole_the_same_is_made(shop: Shop, in_parts: Any) -> None:
    other = shop_create(slug="hill", name="Hill Signs")
    brought_in(other, log_of(7))
    in_parts(lambda: None)
    brought_in(shop, log_of(7))

    def said(of: Shop) -> list[Any]:
        stages = Stage.objects.of(of).order_by("job__number", "position")
        names = ("job__number", "job__reference", "kind__key", "position", "drivers", "state", "finished_at")
        samples = Sample.objects.of(of).order_by("stage__job__number", "stage__position")
        return [
            *stages.values(*names),
            *samples.values("hands_on_min", "drivers", "categories", "pit", "weight"),
        ]

    assert said(shop) == said(other)


@pytest.mark.parametrize("after", [1, 2])
def test_killed_on_the_way_it_goes_on_and_makes_everything_once(
    shop: Shop, in_parts: Any, after: int, settings: Any
) -> None:
    settings.EMBEDDED = False
    left = [after]

    def die() -> None:
        left[0] -= 1
        if not left[0]:
            raise Killed

    in_parts(die)
    draft = wanted(shop, log_of(6))
    with pytest.raises(Killed):
        draft_bring_in(draft.pk)
    assert Job.objects.of(shop).count() == 2 * after
    drafts_sweep(timezone.now())
    assert Job.objects.of(shop).count() == 2 * after  # its worker may live still
    drafts_sweep(timezone.now() + 2 * STALE)
    draft.refresh_from_db()
    written = draft.result["written"]
    assert (draft.state, written["jobs"], written["stages"], written["new_rows"]) == (
        DraftState.DONE,
        6,
        12,
        12,
    )
    assert ["categories", 1, ["Film colour"]] in written["made"]
    assert Driver.objects.of(shop).filter(name__startswith="Film").count() == 1
    assert ImportedStage.objects.filter(imported=draft, is_new=True).count() == Sample.objects.count() == 12


def test_a_worker_that_was_taken_to_be_dead_writes_nothing_more(shop: Shop, in_parts: Any) -> None:
    draft = wanted(shop, log_of(6))
    others: list[int] = []

    def between() -> None:
        if not others:
            others.append(1)
            ImportDraft.objects.filter(pk=draft.pk).update(state=DraftState.WANTED)
            draft_bring_in(draft.pk)  # another one has it now, and brings it to its end

    in_parts(between)
    draft_bring_in(draft.pk)
    draft.refresh_from_db()
    assert (draft.state, draft.result["written"]["jobs"], Job.objects.of(shop).count()) == (
        DraftState.DONE,
        6,
        6,
    )


def test_what_fails_on_the_way_is_taken_out_again_but_for_what_people_did_with_it(
    shop: Shop, in_parts: Any
) -> None:
    brought_in(shop, log_of(2, letter="K"), "kept.csv")
    before = everything(shop)
    clock_on = [False, True]

    def between() -> None:
        """Somebody says meanwhile that a job which is still to come is of another type."""
        if not Job.objects.of(shop).filter(reference="J5").exists():
            job = waiting_job(shop).job
            Job.objects.filter(pk=job.pk).update(reference="J5")
        if clock_on[0]:
            press(shop, Stage.objects.of(shop).filter(job__reference="J0").earliest("pk"))
            clock_on[0] = False

    in_parts(between)
    for clocked in clock_on:
        clock_on[0] = clocked
        draft = wanted(shop, log_of(6))
        asked = draft.columns
        draft_bring_in(draft.pk)
        draft.refresh_from_db()
        assert draft.state == DraftState.FAILED
        assert "in the shop of type" in draft.result["failed"]
        assert draft.columns == asked  # it can be tried again as it was
        left = Job.objects.of(shop).filter(imported=draft)
        if clocked:
            assert left.get().reference == "J0"
            assert "1 of its jobs stay" in draft.result["failed"]
        else:
            assert not left.exists()
            Stage.objects.filter(job__reference="J5").delete()
            Job.objects.filter(reference="J5").delete()
            assert everything(shop) == before


def test_a_command_that_was_killed_is_gone_on_with_by_the_same_file(
    shop: Shop, in_parts: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "log.csv").write_text(log_of(6), encoding="utf-8")
    command = ("import_timings", str(tmp_path / "log.csv"), "--define-drivers")

    def die() -> None:
        raise Killed

    in_parts(die)
    with monkeypatch.context() as patch:
        patch.setattr("jobs.services.import_files.import_give_up", lambda *_: None)  # it has no time for that
        with pytest.raises(Killed):
            call_command(*command)
    assert Job.objects.of(shop).count() == 2
    drafts_sweep(timezone.now() + timedelta(minutes=1))
    assert Job.objects.of(shop).count() == 2  # the command may be at work still
    in_parts(lambda: None)
    call_command(*command)
    draft = ImportDraft.objects.get()
    assert (draft.state, draft.result["written"]["jobs"]) == (DraftState.DONE, 6)
    assert ClockEvent.objects.filter(imported=draft).count() == 24


def test_a_command_that_is_stopped_takes_out_what_it_brought(
    shop: Shop, in_parts: Any, tmp_path: Path
) -> None:
    brought_in(shop, log_of(2, letter="K"), "kept.csv")
    before = everything(shop)
    (tmp_path / "log.csv").write_text(log_of(6), encoding="utf-8")

    def stop() -> None:
        raise KeyboardInterrupt

    in_parts(stop)
    with pytest.raises(KeyboardInterrupt):
        call_command("import_timings", str(tmp_path / "log.csv"), "--define-drivers")
    assert everything(shop) == before
    assert ImportDraft.objects.get(name="log.csv").state == DraftState.FAILED


def test_columns_that_were_being_looked_at_do_not_take_a_file_from_its_worker(shop: Shop) -> None:
    draft = draft_make(shop, None, "log.csv", log_of(3).encode())
    slow = ImportDraft.objects.get(pk=draft.pk)
    draft_want(draft)
    wanted = ImportDraft.objects.get(pk=draft.pk)
    with pytest.raises(ShopError, match="being brought in"):
        draft_read_as(slow, {})
    now = ImportDraft.objects.get(pk=draft.pk)
    assert (now.state, now.columns, now.result) == (DraftState.WANTED, wanted.columns, wanted.result)
