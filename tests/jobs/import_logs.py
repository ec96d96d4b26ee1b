"""Logs of an invented shop for tests of the import, and all that an import could change as plain values."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from jobs.models import (
    ClockEvent,
    DraftState,
    Driver,
    ImportDraft,
    Interval,
    Job,
    JobType,
    RouteStage,
    Stage,
    StageEdge,
    StageKind,
    StageState,
)
from jobs.services.importing import draft_bring_in, draft_make, draft_want
from jobs.services.taking_back import import_take_back, import_taken_back
from jobs.services.taps import Tap, record_taps
from shop.models import Machine, Person, Shop
from tests.analytics.derived import learned_rows

HEADER = "job,job_type,stage,started_at,finished_at,person,machine,area_m2,Film colour\n"
FIRST = datetime(2026, 3, 2, 9, tzinfo=UTC)


def log_of(
    jobs: int, *, letter: str = "J", stages: tuple[str, ...] = ("Print", "Hand hemming"), day: int = 0
) -> str:
    """A log of so many jobs, a day each, with a sitting at each of the stages."""
    lines = []
    for n in range(jobs):
        at = FIRST + timedelta(days=day + n)
        for i, stage in enumerate(stages):
            start, minutes = at + timedelta(hours=i), 20 + (7 * n + 11 * i) % 17
            end = start + timedelta(minutes=minutes)
            who, colour = ("Mira", "Jon")[n % 2], ("red", "blue")[n % 2]
            lines.append(
                f"{letter}{n},Banner,{stage},{start:%Y-%m-%d %H:%M},{end:%Y-%m-%d %H:%M},{who},Large printer,"
                f"{1 + n % 5},{colour}\n"
            )
    return HEADER + "".join(lines)


def brought_in(shop: Shop, text: str, name: str = "log.csv") -> ImportDraft:
    """An import as its page brings it in."""
    draft = draft_make(shop, None, name, text.encode())
    draft_want(draft)
    draft_bring_in(draft.pk)
    draft.refresh_from_db()
    assert draft.state == DraftState.DONE, draft.result
    return draft


def taken_back(draft: ImportDraft) -> ImportDraft:
    """The import as its page takes it back."""
    import_take_back(draft, None)
    import_taken_back(draft.pk)
    draft.refresh_from_db()
    return draft


def everything(shop: Shop) -> dict[str, Any]:
    """All that an import could have changed in a shop: facts, times and what was learned."""
    facts = {
        model.__name__: list(model.objects.of(shop).order_by("pk").values(*names))
        for model, names in (
            (Job, ("pk", "number", "reference", "title", "status", "started_at", "finished_at")),
            (Stage, ("pk", "job", "kind", "position", "drivers", "state", "finished_at", "fold_digest")),
            (StageEdge, ("before", "after")),
            (ClockEvent, ("pk", "stage", "kind", "at")),
            (StageKind, ("pk", "name")),
            (JobType, ("pk", "name")),
            (RouteStage, ("job_type", "kind")),
            (Person, ("pk", "name")),
            (Machine, ("pk", "name")),
            (Driver, ("pk", "key", "levels")),
        )
    }
    spans = Interval.objects.of(shop).order_by("stage", "kind", "starts_at", "ends_at")
    return {
        **facts,
        "Interval": list(spans.values("stage", "kind", "starts_at", "ends_at")),
        **learned_rows(shop),
    }


def press(shop: Shop, stage: Stage, kind: str = "start", key: UUID | None = None) -> None:
    """A tap by somebody of the shop at this stage, now."""
    person = Person.objects.get_or_create(shop=shop, name="Ada")[0]
    at = datetime(2026, 6, 1, 10, tzinfo=UTC)
    tap = Tap(key or uuid4(), kind, stage.pk, at, person=person.pk)
    done = record_taps(shop=shop, user=None, taps=[tap], sent_at=at, received_at=at)
    assert [one.status for one in done.results] == ["stored"], done.results


def waiting_job(shop: Shop) -> Stage:
    """A stage of a job that somebody here made, to be clocked on."""
    kind = StageKind.objects.of(shop).get(key="print")
    number = (Job.objects.of(shop).order_by("-number").values_list("number", flat=True).first() or 0) + 1
    job = Job.objects.create(
        shop=shop, number=number, title="By hand", job_type=JobType.objects.of(shop).earliest("pk")
    )
    return Stage.objects.create(shop=shop, job=job, kind=kind, name=kind.name, state=StageState.WAITING)
