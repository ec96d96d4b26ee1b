"""One promise's whole input, kept as it was, and the futures drawn from it.

A book holds the simulated shop, the open work and the laws of its minutes. It is stored with the promise, has a
digest, and gives the same answer whenever it is run again with the same seed and the same libraries.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine.forecast import PROBS
from analytics.engine.hours import Calendar, to_instant
from analytics.engine.network import (
    Edge,
    EdgeKind,
    Need,
    Operation,
    Running,
    SimShop,
    Unit,
    build_network,
    rank_by_job,
)
from analytics.engine.plan import MinutesSpec, Plan
from analytics.engine.sampling import Columns, draw
from analytics.engine.simulate import CAUSES, simulate

Floats = NDArray[np.float64]

JOB_CORR = 0.2
"""Share of the variance that the stages of one job have in common (the correlation of a job's stages)."""

LAST = 1e12
"""The rank of a job without a date: after all that have one."""


@dataclass(frozen=True, eq=False)
class BookedJob:
    """A job of the book: its lasting number, its date in minutes since the origin (None: not promised)."""

    number: int
    name: str
    due: float | None = None


@dataclass(frozen=True, eq=False)
class Book:
    """origin: aware; all minutes count from it. target: the job that is asked about, an index into jobs."""

    origin: datetime
    plan: Plan
    edges: tuple[Edge, ...]
    jobs: tuple[BookedJob, ...]
    target: int

    @property
    def digest(self) -> str:
        """SHA-256, hex, of everything that the futures hang on."""
        text, arrays = _parts(self)
        sha = hashlib.sha256(text.encode())
        for name in sorted(arrays):
            sha.update(name.encode() + np.ascontiguousarray(arrays[name]).tobytes())
        return sha.hexdigest()


@dataclass(frozen=True, eq=False)
class Futures:
    """finish: the target's finish in every future, minutes since the origin, rising, shape (runs,).

    drives: (stage index, cause, mean minutes), the largest first; they add up to the mean finish. harm: for each
    other dated job its chance of being in time without and with the target, by index of the job.
    """

    finish: Floats
    drives: tuple[tuple[int, str, float], ...]
    harm: dict[int, tuple[float, float]]

    def quantile(self, p: float) -> float:
        """The earliest finish that a share p or more of the futures meet (Hyndman & Fan's type 1)."""
        return float(np.quantile(self.finish, p, method="inverted_cdf"))


def run(book: Book, *, runs: int, seed: int, threads: int = 1) -> Futures:
    """Draw `runs` futures of the book, with and without the target.

    Raises:
        NetworkError: the work cannot be simulated; HorizonTooShort: it runs on past the calendars.

    """
    minutes = draw(_columns(book), [job.number for job in book.jobs], runs, seed)
    with_it = _simulated(book, minutes, threads, target=book.target)
    dated = [i for i, job in enumerate(book.jobs) if job.due is not None and i != book.target]
    harm: dict[int, tuple[float, float]] = {}
    if dated:
        rest = _without_target(book)
        before = _simulated(rest, minutes, threads).finish
        for i in dated:
            due = book.jobs[i].due
            harm[i] = (float(np.mean(before[:, i] <= due)), float(np.mean(with_it.finish[:, i] <= due)))
    chain = with_it.chain
    assert chain is not None  # noqa: S101 - a target was given
    drives = [
        (stage, CAUSES[cause], float(chain[stage, cause]))
        for stage, cause in zip(*np.nonzero(chain > 1e-9), strict=True)
    ]
    drives.sort(key=lambda drive: -drive[2])
    return Futures(np.sort(with_it.finish[:, book.target]), tuple((int(s), c, m) for s, c, m in drives), harm)


def instant_of(book: Book, minutes: float) -> datetime:
    """The UTC instant of minutes since the book's origin."""
    return to_instant(book.origin, minutes)


def to_bytes(book: Book) -> bytes:
    """The book as a compressed NumPy archive."""
    text, arrays = _parts(book)
    stream = io.BytesIO()
    np.savez_compressed(stream, text=np.frombuffer(text.encode(), np.uint8), **arrays)  # type: ignore[arg-type]
    return stream.getvalue()


def from_bytes(stored: bytes) -> Book:
    """The book that `to_bytes` stored."""
    with np.load(io.BytesIO(stored), allow_pickle=False) as archive:
        facts: dict[str, Any] = json.loads(archive["text"].tobytes().decode())
        calendars = [
            Calendar.of(archive[f"open{i}"], archive[f"close{i}"]) for i in range(facts["calendars"])
        ]
        quantiles, elapsed, shared = (archive[name] for name in ("quantiles", "elapsed", "shared"))
    shop = SimShop(tuple(Unit(**unit) for unit in facts["units"]), tuple(calendars))
    columns = tuple(
        MinutesSpec(row, float(e), float(s)) for row, e, s in zip(quantiles, elapsed, shared, strict=True)
    )
    plan = Plan(
        shop,
        tuple(Need(**need) for need in facts["needs"]),
        tuple(_operation(operation) for operation in facts["operations"]),
        columns,
        tuple(facts["column_job"]),
        tuple(facts["column_kind"]),
    )
    edges = tuple(Edge(**{**edge, "kind": EdgeKind(edge["kind"])}) for edge in facts["edges"])
    jobs = tuple(BookedJob(**job) for job in facts["jobs"])
    return Book(datetime.fromisoformat(facts["origin"]), plan, edges, jobs, facts["target"])


def _operation(stored: dict[str, Any]) -> Operation:
    running = stored["running"]
    if running is not None:
        running = Running(running["machine"], tuple(running["people"]))
    return Operation(**{**stored, "running": running})


def _parts(book: Book) -> tuple[str, dict[str, Floats]]:
    """The book as canonical JSON and arrays."""
    plan = book.plan
    facts = {
        "origin": book.origin.isoformat(),
        "calendars": len(plan.shop.calendars),
        "units": [asdict(unit) for unit in plan.shop.units],
        "needs": [asdict(need) for need in plan.needs],
        "operations": [asdict(operation) for operation in plan.operations],
        "edges": [asdict(edge) for edge in book.edges],
        "jobs": [asdict(job) for job in book.jobs],
        "column_job": plan.column_job,
        "column_kind": plan.column_kind,
        "target": book.target,
    }
    arrays = {
        "quantiles": np.array([c.quantiles for c in plan.columns]).reshape(-1, PROBS.size),
        "elapsed": np.array([c.elapsed for c in plan.columns], float),
        "shared": np.array([c.shared for c in plan.columns], float),
    }
    for i, calendar in enumerate(plan.shop.calendars):
        arrays[f"open{i}"], arrays[f"close{i}"] = calendar.open, calendar.close
    return json.dumps(facts, sort_keys=True, separators=(",", ":")), arrays


def _columns(book: Book) -> Columns:
    _, arrays = _parts(book)
    plan = book.plan
    return Columns(
        arrays["quantiles"],
        PROBS,
        np.array(plan.column_job, np.int64),
        np.array(plan.column_kind, np.int64),
        job_corr=JOB_CORR,
        kind_corr=np.minimum(arrays["shared"], 1.0 - JOB_CORR),
        elapsed=arrays["elapsed"],
    )


def _simulated(book: Book, minutes: Floats, threads: int, target: int = -1) -> Any:
    plan = book.plan
    network = build_network(plan.shop, plan.needs, plan.operations, book.edges, jobs=len(book.jobs))
    return simulate(
        plan.shop,
        rank_by_job(network, _ranks(book.jobs, book.target)),
        minutes,
        target=target,
        threads=threads,
    )


def _ranks(jobs: Sequence[BookedJob], target: int) -> list[float]:
    """The earliest date first, then those without one in the order of their numbers, the asked one last of all."""
    return [
        2 * LAST if i == target else job.due if job.due is not None else LAST + job.number
        for i, job in enumerate(jobs)
    ]


def _without_target(book: Book) -> Book:
    """The same book without the target's work; the columns stay, so that all other draws do."""
    kept = [i for i, operation in enumerate(book.plan.operations) if operation.job != book.target]
    place = {old: new for new, old in enumerate(kept)}
    operations = tuple(book.plan.operations[i] for i in kept)
    edges = tuple(
        replace(edge, before=place[edge.before], after=place[edge.after])
        for edge in book.edges
        if edge.before in place and edge.after in place
    )
    return replace(book, plan=replace(book.plan, operations=operations), edges=edges)
