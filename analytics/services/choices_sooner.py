"""What would bring a job forward: putting it first, and everything else that the shop could do."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

import numpy as np

from analytics.engine.book import Book
from analytics.engine.levers import Lever, shop_levers
from analytics.engine.network import EdgeKind
from analytics.engine.plan import StageSpec
from analytics.engine.variants import Floats
from analytics.engine.work import OpenWork
from analytics.services.choices import Options, changed, film_begun, with_facts
from analytics.services.choices_ways import impossible, inked
from analytics.services.promising import sayable
from jobs.models import Job, Stage, StageState
from jobs.stock import LAMINATE_KEY, LOCAL_RULES
from shop.errors import BadInput
from shop.models import Finish, Process
from shop.words import say_day, say_instant

WORTH_MIN = 15.0
"""Minutes below which a gain is not worth a sentence."""
WAITS_MIN = 15.0
MOST_WAITS = 2
"""Stages that wait for somebody: the longest are looked at."""


@dataclass(frozen=True, eq=False)
class Move:
    """Something that could be done. touches: what it changes; two that touch the same exclude each other."""

    words: str
    touches: str
    caution: str = ""
    job: Callable[[Job], Job] = field(default=lambda job: job)
    work: Callable[[OpenWork], OpenWork] = field(default=lambda work: work)


@dataclass(frozen=True, eq=False)
class Gain:
    """What a move, or several, would do to the date. minutes: by which it comes forward; share: of the futures."""

    moves: tuple[Move, ...]
    promised_at: datetime
    minutes: float
    share: float


@dataclass(frozen=True)
class Step:
    """What has to be there for a stage: who, which machine, and when it begins in eight futures of ten."""

    stage: str
    people: str
    machine: str
    earliest: datetime
    latest: datetime
    caution: str


@dataclass(frozen=True, eq=False)
class Soonest:
    """The date as it stands, the one with the job put first of all, and what that takes."""

    present: datetime
    promised_at: datetime
    minutes: float
    steps: tuple[Step, ...]

    @property
    def cautions(self) -> list[Step]:
        """The stages where something can hurt."""
        return [step for step in self.steps if step.caution]


def soonest_of(options: Options) -> Soonest:
    """The date if the job is put first of all, not interrupting what runs."""
    first, sooner = options.first
    with sayable():
        steps = tuple(_steps(options, first))
    return Soonest(
        options.promised_at,
        options.promised_first,
        options.total.quantile(options.level) - sooner.quantile(options.level),
        steps,
    )


def gains_of(options: Options) -> tuple[Gain, ...]:
    """Each move that brings the date forward, the best first, and before them the best two together."""
    present = options.present
    with sayable():
        gains = [_gain(options, present, (move,)) for move in moves_of(options, options.reached(present))]
    worth = sorted((g for g in gains if g is not None and g.minutes >= WORTH_MIN), key=lambda g: -g.minutes)
    both = _both(options, present, worth)
    return (both, *worth) if both is not None else tuple(worth)


def moves_of(options: Options, until: float) -> Iterator[Move]:
    """Everything that could be done. until: minutes since the origin after which hours would come too late."""
    yield from _job_moves(options)
    kinds = {stage.kind_id: stage for stage in options.job.stages.all()}
    seen = set()
    for lever in shop_levers(options.asked.reading.work, until, waiting(options)):
        if (same := _the_same(lever)) in seen:
            continue
        seen.add(same)
        words, caution = _said(lever, kinds, options.job.shop.local(options.book.origin).date())
        yield Move(words, lever.key, caution, work=lever.change)


def waiting(options: Options) -> list[StageSpec]:
    """The job's stages that wait for somebody or something in opening hours, the longest first."""
    book = options.book
    trace = options.common.look(book, trace=True).trace
    assert trace is not None  # noqa: S101 - it was asked for
    hours = book.plan.shop.calendars[0]
    waits = []
    for i, (stage, operation) in enumerate(zip(options.stages, book.plan.operations, strict=True)):
        if operation.job != book.target or not stage.people or operation.running is not None:
            continue
        ready = np.full(len(trace), operation.release)
        for edge in book.edges:
            if edge.after == i:
                ends = trace[:, edge.before, 1 if edge.kind == EdgeKind.ATTENDED_TO_START else 2]
                ready = np.maximum(ready, ends + edge.lag)
        waits.append((float(np.mean(hours.work(trace[:, i, 0]) - hours.work(ready))), stage))
    long = [one for one in waits if one[0] >= WAITS_MIN]
    return [stage for _, stage in sorted(long, key=lambda one: -one[0])[:MOST_WAITS]]


def _gain(options: Options, present: Floats, moves: Sequence[Move]) -> Gain | None:
    """What these moves do together; None where they cannot be made."""
    job = options.job
    for move in moves:
        job = move.job(job)

    def change(work: OpenWork) -> OpenWork:
        for move in moves:
            work = move.work(work)
        return work

    try:
        finish = options.finish(options.variant(None if job is options.job else job, change))
    except BadInput:
        return None
    minutes = options.reached(present) - options.reached(finish)
    share = float(np.mean(finish <= present - WORTH_MIN))
    return Gain(tuple(moves), options.promised(finish), minutes, share)


def _both(options: Options, present: Floats, worth: Sequence[Gain]) -> Gain | None:
    """The best move with the next that it does not exclude, if together they do more than the best alone."""
    if not worth:
        return None
    best = worth[0].moves[0]
    other = next((g.moves[0] for g in worth[1:] if g.moves[0].touches != best.touches), None)
    both = _gain(options, present, (best, other)) if other is not None else None
    return both if both is not None and both.minutes >= worth[0].minutes + WORTH_MIN else None


def _job_moves(options: Options) -> Iterator[Move]:
    job, now, shop = options.job, options.book.origin, options.job.shop

    def said(at: datetime) -> str:
        return say_instant(shop.local(at), shop.local(now).date())

    if job.ready_from is not None and job.ready_from > now:
        yield Move(
            f"Have the artwork now instead of {said(job.ready_from)}",
            "artwork",
            job=lambda one: with_facts(one, ready_from=None),
        )
    if job.film_from is not None and job.film_from > now:
        yield Move(
            f"Have the film now instead of {said(job.film_from)}",
            "film",
            job=lambda one: with_facts(one, film_from=None),
        )
    if not film_begun(job):
        yield from _without_laminate(job)
        yield from _without_hold(job)
    mine = [stage for stage in options.stages if stage.job == options.book.target]
    for stage in mine:
        if _waits_for_others(job, stage):
            yield Move(
                f"Not wait for {_name(job, stage.key).lower()}", f"wait {stage.key}", work=_at_once(stage.key)
            )
    if any(stage.windows for stage in mine):
        yield Move("Go to the customer at any time", "visits", work=_any_visit)


def _without_laminate(job: Job) -> Iterator[Move]:
    laminates = any(s.kind.key == LAMINATE_KEY and not s.left_out for s in job.stages.all())
    if job.process is None or job.finish is None or not job.finish.laminates or not laminates:
        return
    bare = job.process.finishes.filter(laminates=False).order_by("name").first()
    if bare is not None:
        yield Move(
            f"Leave it without the laminate ({bare.name.lower()})",
            "way",
            "A print without laminate scratches and fades sooner.",
            _made(job.process, bare),
        )


def _without_hold(job: Job) -> Iterator[Move]:
    """Each process that prints with nothing to wait for, if the job's own has a hold."""
    if job.process is None or not job.process.prints or not job.process.hold_min:
        return
    unsuited = list(job.job_type.unsuited.all())
    in_use = Process.objects.of(job.shop).filter(active=True, hold_min=0).order_by("name")
    for process in in_use.prefetch_related("finishes"):
        finish = _like(job.finish, list(process.finishes.all()))
        if not process.prints or process in unsuited:
            continue
        if impossible(changed(job, process=process, finish=finish), inked(job)):
            continue
        caution = f"Not suited to {process.unsuited_to}." if process.unsuited_to else ""
        yield Move(f"Print by {process.name}, which need not lie", "way", caution, _made(process, finish))


def _like(finish: Finish | None, allowed: Sequence[Finish]) -> Finish | None:
    """The same finish where it is allowed, else one that laminates as it does, else the first."""
    if finish is None or finish in allowed:
        return finish
    return next(
        (one for one in allowed if one.laminates == finish.laminates), allowed[0] if allowed else None
    )


def _made(process: Process, finish: Finish | None) -> Callable[[Job], Job]:
    return lambda job: changed(job, process=process, finish=finish)


def _waits_for_others(job: Job, stage: StageSpec) -> bool:
    """Whether a stage only waits until somebody says that it is over, as an approval."""
    return any(
        one.pk == stage.key and one.kind.is_hold and one.hold_min is None and one.state != StageState.FINISHED
        for one in job.stages.all()
    )


def _at_once(key: int) -> Callable[[OpenWork], OpenWork]:
    def change(work: OpenWork) -> OpenWork:
        # Its minutes go, its place stays: what comes after it still hangs on what is before it.
        return work.with_stage(key, unattended=None)

    return change


def _any_visit(work: OpenWork) -> OpenWork:
    for stage in work.stages:
        if stage.job == work.target and stage.windows:
            work = work.with_stage(stage.key, windows=())
    return work


def _name(job: Job, key: int) -> str:
    return next(stage.name for stage in job.stages.all() if stage.pk == key)


def _the_same(lever: Lever) -> tuple[object, ...]:
    """What tells levers apart: a person who learns a skill learns it for every stage that asks for it."""
    facts = lever.facts
    if lever.key in ("skill", "person"):
        return lever.key, facts.get("person"), facts["skill"]
    return lever.key, *facts.values()


def _said(lever: Lever, kinds: dict[int, Stage], today: date) -> tuple[str, str]:
    """A lever in words, and what to take care of."""
    facts = lever.facts
    if lever.key == "open_day":
        day = facts["day"]
        assert isinstance(day, date)  # noqa: S101 - it was made so
        return f"Open on {say_day(day, today)} too", ""
    if lever.key == "longer_days":
        days = facts["days"]
        return f"Work an hour longer on the next {days} open days" if days != 1 else "Work an hour longer", ""
    if lever.key == "night":
        return (
            f"Let {facts['machine']} run on alone after closing",
            f"Only where it may: a machine that nobody watches is a fire risk. {LOCAL_RULES}",
        )
    stage = kinds[facts["stage"]]  # type: ignore[index]
    what, caution = stage.name.lower(), stage.kind.caution
    if lever.key == "skill":
        learns = str(facts["skill"]).lower()
        return f"Show {facts['person']} {learns}: {what} waits for somebody free", caution
    return f"Have one person more for {what}", caution


def _steps(options: Options, book: Book) -> Iterator[Step]:
    """What the stages need, in the order in which they are likely to begin."""
    look, plan = options.common.look(book, trace=True), book.plan
    trace = look.trace
    assert trace is not None  # noqa: S101 - it was asked for
    mine = [i for i, one in enumerate(plan.operations) if one.job == book.target and options.stages[i].people]
    rows = {stage.pk: stage for stage in options.job.stages.all()}
    names = [unit.name for unit in plan.shop.units]
    machines = {unit for units in plan.machines.values() for unit in units}
    for i in sorted(mine, key=lambda i: float(np.median(trace[:, i, 0]))):
        stage, need = rows[options.stages[i].key], plan.needs[plan.operations[i].need]
        earliest, latest = np.quantile(trace[:, i, 0], (0.1, 0.9), method="inverted_cdf").tolist()
        used = look.units[:, i] if look.units is not None else None
        yield Step(
            stage.name,
            " or ".join(_used(names, used, need.people, set(range(len(names))) - machines)),
            " or ".join(_used(names, used, need.machines or 0, machines)),
            options.at(earliest),
            options.at(latest),
            stage.kind.caution,
        )


def _used(names: Sequence[str], used: np.ndarray | None, able: int, among: set[int]) -> list[str]:
    """The names of the units that are on it in a tenth of the futures or more, the most often first; else all able.

    used: bit mask per future. able: bit mask. among: units that count.
    """
    units = [u for u in sorted(among) if able >> u & 1]
    if used is not None:
        shares = {u: float(np.mean((used >> np.uint64(u)) & np.uint64(1))) for u in among}
        units = sorted((u for u in among if shares[u] >= 0.1), key=lambda u: -shares[u]) or units
    return list(dict.fromkeys(names[u] for u in units))
