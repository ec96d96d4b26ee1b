"""Dates given: each keeps what it was made from, and none is ever deleted."""

from __future__ import annotations

from datetime import datetime
from math import isfinite

from django.db import transaction
from django.utils import timezone

from analytics.engine.book import from_bytes, instant_of, run, to_bytes
from analytics.models import Promise, WhyChanged
from analytics.services.promising import Outlook
from analytics.services.running_totals import THREADS
from jobs.models import Job, JobStatus
from jobs.services.stages import job_locked
from shop.errors import BadInput, ShopError
from shop.models import User
from shop.services import revision_raise

MODEL_VERSION = "3"
"""Raised when the duration model or the simulation would answer otherwise from the same book."""


@transaction.atomic
def promise_accept(
    outlook: Outlook,
    *,
    user: User | None,
    promised_at: datetime | None = None,
    why_changed: str = "",
    put_first: bool = False,
) -> Promise:
    """Give the date: the enquiry becomes a promised job, and what the date was made from is kept.

    promised_at: another date than the computed one, if the owner chose it. why_changed: a `WhyChanged`, where the job
    has a date already, which this one then replaces; empty: not said. put_first: given as a rush: the job keeps the
    turn that the outlook was worked out with.

    Raises ShopError where the job takes no date any more, or was given one since the outlook was worked out.
    """
    job = job_locked(outlook.job)
    if job.status not in (JobStatus.ENQUIRY, JobStatus.PROMISED, JobStatus.IN_HAND):
        raise ShopError(
            f"Job {job.number} is {job.get_status_display().lower()}; there is nothing to promise."
        )
    if why_changed and why_changed not in WhyChanged.values:
        raise BadInput(f"{why_changed!r} is no reason for another date.", field="why_changed")
    standing = promise_standing(job)
    if standing is not None and standing.made_at > outlook.made_at:  # the newest stands: this one never would
        raise ShopError(
            f"Job {job.number} was given another date since this one was worked out. Work it out again, then give it."
        )
    promise = Promise.objects.create(
        shop=job.shop,
        job=job,
        made_at=outlook.made_at,
        made_by=user,
        confidence=outlook.confidence,
        level=outlook.level,
        promised_at=promised_at or outlook.promised_at,
        error_min=outlook.error_min if isfinite(outlook.error_min) else None,
        put_first=put_first,
        replaces=standing,
        why_changed=why_changed if standing else "",
        quantiles={f"{p:g}": at.isoformat() for p, at in outlook.quantiles.items()},
        quote=quote_of(job),
        seed=outlook.seed,
        runs=outlook.runs,
        model_version=MODEL_VERSION,
        backlog_digest=outlook.book.digest,
        snapshot=to_bytes(outlook.book),
    )
    job.due_at = promise.promised_at
    if put_first:
        job.turn_at = _turn(outlook)
    if job.status == JobStatus.ENQUIRY:
        job.status = JobStatus.PROMISED
    job.save(update_fields=["due_at", "turn_at", "status"])
    revision_raise(job.shop_id)
    return promise


@transaction.atomic
def promise_take_back(promise: Promise, now: datetime | None = None) -> None:
    """Undo an acceptance whose job has not begun: the record stays, and the date before it stands again.

    Without one the job is an enquiry again. Taking back twice changes nothing. now: the present where it is None.
    """
    job = job_locked(promise.job)
    if job.status != JobStatus.PROMISED:
        raise ShopError(f"Job {job.number} is {job.get_status_display().lower()}: its promise stands.")
    promise.refresh_from_db(fields=["withdrawn_at"])
    if promise.withdrawn_at is not None:
        return
    promise.withdrawn_at = now or timezone.now()
    promise.replaces = None  # so that another can replace that one
    promise.save(update_fields=["withdrawn_at", "replaces"])
    last = promise_standing(job)
    job.due_at = last.promised_at if last else None
    if promise.put_first and not (last and last.put_first):
        job.turn_at = None
    job.status = JobStatus.PROMISED if last else JobStatus.ENQUIRY
    job.save(update_fields=["due_at", "turn_at", "status"])
    revision_raise(job.shop_id)


def _turn(outlook: Outlook) -> datetime | None:
    turn = outlook.book.jobs[outlook.book.target].turn
    return None if turn is None else instant_of(outlook.book, turn)


def promise_standing(job: Job) -> Promise | None:
    """The newest promise of a job that was not taken back."""
    return job.promises.filter(withdrawn_at=None).order_by("-made_at", "-pk").first()


def promise_again(promise: Promise) -> dict[str, str]:
    """The promise's quantiles, computed again from what was kept with it."""
    book = from_bytes(bytes(promise.snapshot))
    level = promise.confidence if promise.level is None else promise.level
    futures = run(book, runs=promise.runs, seed=promise.seed, threads=THREADS, level=level)
    return {p: instant_of(book, futures.quantile(float(p))).isoformat() for p in promise.quantiles}


def quote_of(job: Job) -> dict[str, object]:
    """What was asked, as `manage.py promise` reads it."""
    return {
        "job_type": job.job_type.name,
        "process": job.process.name if job.process else None,
        "finish": job.finish.name if job.finish else None,
        "media": job.media.name if job.media else None,
        "items": [
            {
                "name": item.name,
                "width_mm": item.width_mm,
                "height_mm": item.height_mm,
                "count": item.count,
                "cut_m": item.cut_m,
                "letter_mm": item.letter_mm,
                "ink_build": item.ink_build,
            }
            for item in job.items.all()
        ],
        "drivers": job.drivers,
        "ready_from": _iso(job.ready_from),
        "film_from": _iso(job.film_from),
        "visits": [{"from": _iso(one.starts_at), "to": _iso(one.ends_at)} for one in job.visits.all()],
        "stages": [stage.name for stage in job.stages.all() if not stage.left_out],
    }


def _iso(instant: datetime | None) -> str | None:
    return instant.isoformat() if instant else None
