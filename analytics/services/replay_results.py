"""What a replay says, as it is kept: numbers that pages, pictures and a spreadsheet read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from analytics.engine.hours import to_instant
from analytics.engine.replay import SAME, Floats, Played, check, compare
from analytics.engine.shop_changes import ShopChange
from analytics.selectors.past_shop import PastShop
from jobs.models import JobStatus

DOTS = 20
"""Dots of a strip: each stands for one job in twenty."""

MINUTES_PER_WEEK = 7 * 24 * 60


@dataclass(frozen=True, eq=False)
class Pair:
    """The same futures as it was and with the change, in rounds."""

    before: Sequence[Played]
    after: Sequence[Played]


def result_of(found: PastShop, changes: Sequence[ShopChange], pair: Pair, seed: int) -> dict[str, Any]:
    """What the replay says, as plain data. Minutes are elapsed unless they are said to be of open hours."""
    past = found.past()
    before, after = (np.vstack([one.finish for one in side]) for side in (pair.before, pair.after))
    first, last = found.span
    weeks = (last - first) / MINUTES_PER_WEEK
    came = past.arrived[past.scored]
    return {
        "weeks": weeks,
        "runs": len(before),
        "swapped": found.made_otherwise(changes),
        "check": {name: _number(value) for name, value in asdict(check(past, before)).items()},
        "comparison": asdict(compare(past, before, after, seed)),
        "dots": [_dots(side[:, past.scored] - came) for side in (before, after)],
        "waited": _rows([one.waited for one in pair.before], [one.waited for one in pair.after], weeks),
        "busy": _rows([one.busy for one in pair.before], [one.busy for one in pair.after], weeks),
        "taken_in": taken_in(found),
        "jobs": [_job(found, i, before[:, i], after[:, i]) for i in np.flatnonzero(past.scored).tolist()],
    }


def taken_in(found: PastShop) -> dict[str, Any]:
    """What of the past is in the replay beside clean minutes, what stands in for what is gone, and what is left out.

    Minutes; visits, cancelled and eased are numbers of jobs.
    """
    out = {one.job for one in found.left_out}
    played = [
        (job, stood)
        for i, (job, stood) in enumerate(zip(found.jobs, found.standing, strict=True))
        if i not in out
    ]
    again = sum(more.again for more in found.more.values())
    on_top = sum(more.hands_on + more.unattended for more in found.more.values())
    return {
        "visits": sum(bool(job.visits.all()) for job, _ in played),
        "cancelled": sum(job.status == JobStatus.CANCELLED for job, _ in played),
        "again": again,
        "held": on_top - again,
        "waits": sum(more.waits > 0 for more in found.more.values()),
        "breaks": [
            {"name": person.name, "starts": f"{starts:%H:%M}", "ends": f"{ends:%H:%M}"}
            for person in found.spec.people
            for starts, ends in person.breaks
        ],
        "stood_in": _counted(machine.name for _, stood in played for machine in stood.machines),
        "eased": sum(bool(stood.eased) for _, stood in played),
        "left_out": [
            {"number": one.number, "title": found.jobs[one.job].title, "why": one.why}
            for one in found.left_out
        ],
    }


def _counted(names: Iterable[str]) -> list[dict[str, Any]]:
    """Names in order, with how often each is there."""
    return [{"name": name, "jobs": jobs} for name, jobs in sorted(Counter(names).items())]


def _number(value: float) -> float | None:
    """None for what is not a number: JSON has no word for it."""
    return None if value != value else value


def _dots(took: Floats) -> list[float]:
    """The turnaround of every twentieth job from the quickest to the slowest, averaged over the futures."""
    at = (np.arange(DOTS) + 0.5) / DOTS
    found = np.quantile(took, at, axis=1, method="inverted_cdf").mean(axis=1)
    return [float(minutes) for minutes in found]


def _rows(
    before: Sequence[Mapping[str, float]], after: Sequence[Mapping[str, float]], weeks: float
) -> list[dict[str, Any]]:
    """Hours a week by name, before and after; None where there is no such one. In the order of the names."""
    names = sorted({name for side in (*before, *after) for name in side})
    return [
        {"name": name, "before": _mean(before, name, weeks), "after": _mean(after, name, weeks)}
        for name in names
    ]


def _mean(side: Sequence[Mapping[str, float]], name: str, weeks: float) -> float | None:
    values = [one[name] for one in side if name in one]
    return sum(values) / len(side) / 60.0 / weeks if values else None


def _job(found: PastShop, i: int, before: Floats, after: Floats) -> dict[str, Any]:
    """One job: when it came, was due and was finished, and when it is in the middle of the futures."""
    job = found.jobs[i]
    due = None if job.due_at is None else (job.due_at - found.origin).total_seconds() / 60.0
    middles = [to_instant(found.origin, float(np.median(side))).isoformat() for side in (before, after)]
    kept = [None if due is None else float(np.mean(side <= due)) for side in (before, after)]
    return {
        "number": job.number,
        "title": job.title,
        "came": found.arrived[i].isoformat(),
        "due": None if job.due_at is None else job.due_at.isoformat(),
        "finished": None if job.finished_at is None else job.finished_at.isoformat(),
        "before": middles[0],
        "after": middles[1],
        "kept_before": kept[0],
        "kept_after": kept[1],
        "later": float(np.mean(after - before > SAME)),
    }
