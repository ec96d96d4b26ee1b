"""One promise's whole input, kept as it was: the simulated shop, the open work and the laws of its minutes.

A book is stored with the promise, has a digest, and gives the same answer (`book.run`) whenever it is run again with
the same seed and the same libraries.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine.forecast import PROBS
from analytics.engine.hours import Calendar, to_instant
from analytics.engine.later import Coming
from analytics.engine.network import Edge, EdgeKind, Need, Operation, Running, SimShop, Unit
from analytics.engine.plan import MinutesSpec, Plan

Floats = NDArray[np.float64]

LAST = 1e12
"""The rank of a job without a date: after all that have one."""


@dataclass(frozen=True, eq=False)
class BookedJob:
    """A job of the book: its lasting number, and in minutes since the origin its date and its place in the queue.

    due: None: not promised. turn: it takes its turn as if it were due then; None: by its date, and without one
    after all that have one. confidence: how often its date is to be kept, where it was given one.
    """

    number: int
    name: str
    due: float | None = None
    turn: float | None = None
    confidence: float | None = None


@dataclass(frozen=True, eq=False)
class Book:
    """origin: aware; all minutes count from it. target: the job that is asked about, an index into jobs, or -1.

    coming: work that may come in. A target without a turn goes last of all, behind that work too: see `placing`.
    """

    origin: datetime
    plan: Plan
    edges: tuple[Edge, ...]
    jobs: tuple[BookedJob, ...]
    target: int
    coming: Coming | None = None

    @cached_property
    def digest(self) -> str:
        """SHA-256, hex, of everything that the futures hang on."""
        text, arrays = _parts(self)
        sha = hashlib.sha256(text.encode())
        for name in sorted(arrays):
            sha.update(name.encode() + np.ascontiguousarray(arrays[name]).tobytes())
        return sha.hexdigest()


def with_turn(book: Book, job: int, turn: float | None) -> Book:
    """The book with another place in the queue for the job of that index."""
    jobs = tuple(replace(one, turn=turn) if i == job else one for i, one in enumerate(book.jobs))
    return replace(book, jobs=jobs)


def instant_of(book: Book, minutes: float) -> datetime:
    """The UTC instant of minutes since the book's origin."""
    return to_instant(book.origin, minutes)


def turn_of(job: BookedJob, asked: bool = False) -> float:
    """What jobs are ranked by: their turn, else their date, else their number; the asked one without a turn last."""
    if job.turn is not None:
        return job.turn
    if asked:
        return 2 * LAST
    return job.due if job.due is not None else LAST + job.number


def to_bytes(book: Book) -> bytes:
    """The book as a compressed NumPy archive."""
    text, arrays = _parts(book)
    stream = io.BytesIO()
    np.savez_compressed(stream, text=np.frombuffer(text.encode(), np.uint8), **arrays)  # type: ignore[arg-type]
    return stream.getvalue()


def from_bytes(stored: bytes) -> Book:
    """The book that `to_bytes` stored, now or before it knew all that it knows now."""
    with np.load(io.BytesIO(stored), allow_pickle=False) as archive:
        arrays = {name: archive[name] for name in archive.files}
    facts: dict[str, Any] = json.loads(arrays.pop("text").tobytes().decode())
    calendars = tuple(Calendar.of(arrays[f"open{i}"], arrays[f"close{i}"]) for i in range(facts["calendars"]))
    units = tuple(Unit(**unit) for unit in facts["units"])
    shop = SimShop(units, calendars, facts.get("roll_change", 0.0))
    people, machines = (dict(facts.get(name, ())) for name in ("people", "machines"))
    plan = replace(_plan(facts, arrays, shop, ""), people=people, machines=machines)
    jobs = tuple(BookedJob(**job) for job in facts["jobs"])
    coming = None
    if "coming" in facts:
        later = facts["coming"]
        law = tuple(later["leads"]), later["gap"], later["until"], later["spread"]
        hours = (
            Calendar.of(arrays["coming_open"], arrays["coming_close"]) if "coming_open" in arrays else None
        )
        coming = Coming(_plan(later, arrays, shop, "coming_"), _edges(later), *law, hours)
    origin = datetime.fromisoformat(facts["origin"])
    return Book(origin, plan, _edges(facts), jobs, facts["target"], coming)


def _plan(facts: Mapping[str, Any], arrays: Mapping[str, Floats], shop: SimShop, prefix: str) -> Plan:
    quantiles, elapsed, shared = (arrays[prefix + name] for name in ("quantiles", "elapsed", "shared"))
    apart = arrays.get(prefix + "apart", np.zeros(len(quantiles)))
    columns = tuple(
        MinutesSpec(row, float(e), float(s), bool(a))
        for row, e, s, a in zip(quantiles, elapsed, shared, apart, strict=True)
    )
    needs = tuple(
        Need(**{**need, "relief": tuple(map(tuple, need.get("relief", ())))}) for need in facts["needs"]
    )
    operations = tuple(_operation(operation) for operation in facts["operations"])
    return Plan(shop, needs, operations, columns, tuple(facts["column_job"]), tuple(facts["column_kind"]))


def _edges(facts: Mapping[str, Any]) -> tuple[Edge, ...]:
    return tuple(Edge(**{**edge, "kind": EdgeKind(edge["kind"])}) for edge in facts["edges"])


def _operation(stored: dict[str, Any]) -> Operation:
    running = stored["running"]
    if running is not None:
        running = Running(running["machine"], tuple(running["people"]))
    windows = tuple((opens, closes) for opens, closes in stored.get("windows", ()))
    return Operation(**{**stored, "running": running, "windows": windows})


def _parts(book: Book) -> tuple[str, dict[str, Floats]]:
    """The book as canonical JSON and arrays. What was not there in older books is left out where it says nothing."""
    shop = book.plan.shop
    facts = {
        "origin": book.origin.isoformat(),
        "calendars": len(shop.calendars),
        "units": [_facts(unit) for unit in shop.units],
        "jobs": [_facts(job) for job in book.jobs],
        "target": book.target,
        **_plan_facts(book.plan, book.edges),
    }
    arrays = _plan_arrays(book.plan, "")
    if shop.roll_change_minutes:
        facts["roll_change"] = shop.roll_change_minutes
    for name in ("people", "machines"):
        if units := getattr(book.plan, name):
            facts[name] = list(units.items())
    if book.coming is not None:
        later = book.coming
        law = {name: getattr(later, name) for name in ("leads", "gap", "until", "spread")}
        facts["coming"] = {**law, **_plan_facts(later.plan, later.edges)}
        arrays |= _plan_arrays(later.plan, "coming_")
        if later.hours is not None:
            arrays["coming_open"], arrays["coming_close"] = later.hours.open, later.hours.close
    for i, calendar in enumerate(shop.calendars):
        arrays[f"open{i}"], arrays[f"close{i}"] = calendar.open, calendar.close
    return json.dumps(facts, sort_keys=True, separators=(",", ":")), arrays


_ADDED: dict[type, dict[str, Any]] = {
    Operation: {"windows": (), "pinned": None, "heats": False, "cold": False},
    Need: {"relief": ()},
    Unit: {"cool": 0.0, "hot_until": 0.0, "watched": False},
}
"""Fields that older books do not have, and what they are then: left out, so that the digest stays."""


def _facts(described: Any) -> dict[str, Any]:
    """The fields of a plain dataclass; a shallow copy, since `asdict` would take most of the time."""
    facts = dict(vars(described))
    for name, default in _ADDED.get(type(described), {}).items():
        if facts[name] == default:
            del facts[name]
    return facts


def _plan_facts(plan: Plan, edges: Sequence[Edge]) -> dict[str, Any]:
    operations = [_facts(operation) for operation in plan.operations]
    for operation in operations:
        if operation["running"] is not None:
            operation["running"] = _facts(operation["running"])
    return {
        "needs": [_facts(need) for need in plan.needs],
        "operations": operations,
        "edges": [_facts(edge) for edge in edges],
        "column_job": plan.column_job,
        "column_kind": plan.column_kind,
    }


def _plan_arrays(plan: Plan, prefix: str) -> dict[str, Floats]:
    arrays = {
        prefix + "quantiles": np.array([c.quantiles for c in plan.columns]).reshape(-1, PROBS.size),
        prefix + "elapsed": np.array([c.elapsed for c in plan.columns], float),
        prefix + "shared": np.array([c.shared for c in plan.columns], float),
    }
    if any(c.apart for c in plan.columns):
        arrays[prefix + "apart"] = np.array([c.apart for c in plan.columns], float)
    return arrays
