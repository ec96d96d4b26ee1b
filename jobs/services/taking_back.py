"""A finished import taken back: what nobody has built on goes, and the shop learns as if it had never come."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.utils import timezone

from jobs.importing.obstacles import all_in_the_way, jobs_of
from jobs.models import DraftState, ImportDraft, Job, TapKind
from jobs.services.import_claims import Lost, claim, is_stale, release, say
from jobs.services.importing import MOST_TRIES, learn
from jobs.services.taking_out import Kept, take_out
from shop.errors import ShopError
from shop.models import User

log = logging.getLogger(__name__)

STEPS_BACK = ("Taking out", "Learning again")
BACKABLE = (DraftState.DONE, DraftState.PARTLY)
MOST_NAMED = 200
"""Jobs that stay which are kept for the page by name."""


@dataclass(frozen=True)
class Foreseen:
    """What taking an import back would do now. added: jobs, of the `kept` not one, that it only added stages to."""

    jobs: int = 0
    added: int = 0
    stages: int = 0
    rows: int = 0
    kept: list[Kept] = field(default_factory=list)


def taking_foreseen(record: ImportDraft) -> Foreseen:
    """What would go and what would stay. Reads only."""
    jobs = jobs_of(record)
    blocked = all_in_the_way(record, jobs)
    rows = Job.objects.of(record.shop).filter(pk__in=blocked.keys()) if blocked else Job.objects.none()
    kept = [(job.number, job.title, blocked[job.pk]) for job in rows.order_by("number")]
    stages = record.stages.filter(is_new=True)
    events = record.events.filter(kind=TapKind.SITTING)
    made = set(record.jobs.values_list("pk", flat=True))
    free = set(jobs) - blocked.keys()
    return Foreseen(
        len(made & free),
        len(free - made),
        stages.count() - stages.filter(stage__job__in=blocked.keys()).count(),
        events.count() - events.filter(stage__job__in=blocked.keys()).count(),
        kept,
    )


def is_marked(record: ImportDraft) -> bool:
    """Whether it is known what the import made: not of one that came before this was kept."""
    return record.events.exists()


def import_take_back(record: ImportDraft, user: User | None) -> None:
    """Ask for an import to be taken back. Raises ShopError where there is nothing that could go."""
    if record.state == DraftState.TAKING:
        return
    if record.state not in BACKABLE or not is_marked(record):
        raise ShopError("Nothing of this import is left that could be taken back.")
    rows = ImportDraft.objects.filter(pk=record.pk, state__in=BACKABLE)
    rows.update(state=DraftState.TAKING, step="", taken_back_by=user)


def import_taken_back(draft_id: int) -> None:
    """Take a wanted import back and have the shop learned again. Does nothing for one that nobody wants back.

    One whose worker was lost is gone on with.
    """
    record = claim(draft_id, {DraftState.TAKING: DraftState.TAKING}, timezone.now())
    if record is None:
        return
    try:
        _take_back(record)
    except Lost:
        log.warning("Import %s is with another worker now.", draft_id)


def takings_sweep(now: datetime) -> None:
    """Take back what no message told of, or what lost its worker."""
    for record in ImportDraft.objects.filter(state=DraftState.TAKING).defer("content").order_by("made_at"):
        if not record.result.get("claim") or is_stale(record, now):
            import_taken_back(record.pk)


def _take_back(record: ImportDraft) -> None:
    if record.result["tries"] > MOST_TRIES:
        record.result["stopped"] = (
            "It was tried three times and did not come to an end. The program’s log says more."
        )
        release(record, DraftState.PARTLY)
        return
    record.result.pop("stopped", None)
    out = take_out(record, lambda text: say(record, f"{STEPS_BACK[0]}: {text}"))
    learn(record, lambda text: say(record, f"{STEPS_BACK[1]}: {text}"))
    record.result["taken"] = _taken(record, out.kept, out.words)
    state = DraftState.PARTLY if out.kept else DraftState.TAKEN
    release(record, state, taken_back_at=timezone.now())


def _taken(record: ImportDraft, kept: list[Kept], words: dict[str, list[str]]) -> dict[str, Any]:
    """What has gone of all that was brought in, and what stays, as JSON keeps it for the page."""
    written = record.result["written"]
    left = {
        "jobs": record.jobs.count(),
        "stages": record.stages.filter(is_new=True).count(),
        "new_rows": record.events.filter(kind=TapKind.SITTING).count(),
    }
    gone = {name: written[name] - left[name] for name in left}
    named = [[number, title, reasons] for number, title, reasons in kept[:MOST_NAMED]]
    return {
        **gone,
        "kept": named,
        "kept_count": len(kept),
        "words": [[k, len(v), v] for k, v in words.items()],
    }
