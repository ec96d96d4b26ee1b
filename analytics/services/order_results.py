"""What is kept of a search for an order when it is done: plain JSON, with the jobs' keys."""

from __future__ import annotations

from typing import Any

from analytics.engine.book import Book, instant_of
from analytics.engine.order_effect import Effect, Estimate, JobEffect
from analytics.engine.ordering import Search
from jobs.models import Job
from shop.models import Shop


def result_of(shop: Shop, book: Book, search: Search, effect: Effect) -> dict[str, Any]:
    """The result of a search that has come to its end, as the page shows it.

    order: the jobs' keys, the first first. Pairs are before and after; triples a mean and its 95 % interval.
    """
    numbers = [job.number for job in book.jobs]
    keys = dict(Job.objects.of(shop).filter(number__in=numbers).values_list("number", "pk"))
    return {
        "better": effect.better,
        "verdict": str(effect.verdict),
        "order": [keys[numbers[j]] for j in search.best.tolist()],
        "lateness": [_triple(each) for each in effect.lateness],
        "kept": [_triple(each) for each in effect.kept],
        "saved": _triple(effect.saved),
        "more_kept": _triple(effect.more_kept),
        "dated": effect.dated,
        "runs": effect.runs,
        "tried": search.now.steps,
        "jobs": [_job(book, keys[numbers[each.job]], each) for each in effect.jobs],
    }


def _job(book: Book, key: int, job: JobEffect) -> dict[str, Any]:
    return {
        "job": key,
        "places": list(job.places),
        "moved": job.moved,
        "kept": list(job.kept) if job.kept is not None else None,
        "finish": [instant_of(book, minutes).isoformat() for minutes in job.finish],
        "why": [vars(reason) | {"name": reason.name.split(" of job ")[0]} for reason in job.why],
    }


def _triple(estimate: Estimate) -> list[float]:
    return [estimate.mean, estimate.low, estimate.high]
