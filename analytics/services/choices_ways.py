"""The ways in which a job could be made, side by side: by each process and finish, with a gloss layer or without."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from django.db import transaction

from analytics.engine.book import Book
from analytics.engine.variants import Floats
from analytics.services.choices import (
    Options,
    changed,
    film_begun,
    has_gloss,
    ink_for,
    is_open,
)
from analytics.services.quoting import Materials, materials_of
from jobs.drivers import ItemSize, check_items
from jobs.models import Item, Job, Needed
from jobs.selectors.jobs import film_widths
from jobs.services.jobs import job_update
from jobs.services.stages import job_locked, needed_rules
from shop.errors import BadInput, ShopError
from shop.models import Finish, InkBuild, Machine, MachineKind, Process, ProcessKind
from shop.units import say_length
from shop.words import say_wait

TWENTY = tuple((i + 0.5) / 20 for i in range(20))
SAME_MIN = 1.0
"""Minutes within which two finishes of one future count as the same."""


@dataclass(frozen=True, eq=False)
class Recipe:
    """A process and a finish, and whether a gloss layer is printed over everything."""

    process: Process
    finish: Finish | None
    gloss: bool

    @property
    def name(self) -> str:
        """As 'UV with a full gloss layer, bare'."""
        layer = " with a full gloss layer" if self.gloss else ""
        return f"{self.process.name}{layer}" + (f", {self.finish.name.lower()}" if self.finish else "")


@dataclass(frozen=True)
class Times:
    """Minutes that half, and eight in ten, of the futures stay within."""

    half: float
    most: float

    @classmethod
    def of(cls, minutes: Floats) -> Times:
        """Of the minutes in each future."""
        half, most = np.quantile(minutes, (0.5, 0.8), method="inverted_cdf")
        return cls(float(half), float(most))


@dataclass(frozen=True, eq=False)
class Way:
    """One way, and how it compares with the present one in the same futures.

    futures: twenty equally likely finishes, rising. sooner, later: shares of the futures. gain: mean minutes by which
    it is sooner. machine: minutes of machines running alone. lies: minutes for which the print only lies. unsuited:
    why it does not suit the work, or ''.
    """

    recipe: Recipe
    is_present: bool
    promised_at: datetime
    futures: tuple[datetime, ...]
    sooner: float
    later: float
    gain: float
    hands_on: Times
    machine: Times
    lies: float
    materials: Materials
    unsuited: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class NoWay:
    """A way that cannot be gone, and why not."""

    recipe: Recipe
    why: str


@dataclass(frozen=True, eq=False)
class Ways:
    """The ways, the soonest first, and those that cannot be gone."""

    options: Options
    ways: tuple[Way, ...]
    cannot: tuple[NoWay, ...]

    @property
    def present(self) -> Way | None:
        """The way that the job has now, where it can be gone."""
        return next((way for way in self.ways if way.is_present), None)


def ways_of(options: Options) -> Ways:
    """Every way in which the job could be made, on the same futures."""
    job = options.job
    present, has_ink = options.present, inked(job)
    done = {_made_the_same(job, None): (present, options.book)}
    ways, cannot = [], []
    for recipe in recipes(job):
        is_present = _is_present(job, recipe)
        copy = job if is_present else _changed(job, recipe)
        try:
            why = impossible(copy, has_ink)
            if why:
                raise BadInput(why)
            key = _made_the_same(job, None if is_present else recipe)
            if key not in done:
                book = options.variant(copy)
                done[key] = (options.finish(book), book)
            ways.append(_way(options, recipe, copy, is_present, (present, *done[key])))
        except BadInput as bad:
            cannot.append(NoWay(recipe, bad.message))
    ways.sort(key=lambda way: (way.promised_at, -way.sooner, way.recipe.name))
    return Ways(options, tuple(ways), _one_each(cannot))


def _changed(job: Job, recipe: Recipe) -> Job:
    return changed(job, process=recipe.process, finish=recipe.finish, gloss=recipe.gloss)


def _made_the_same(job: Job, recipe: Recipe | None) -> tuple[object, ...]:
    """What tells ways apart by their times: two laminates take the same. recipe: None for the job as it is."""
    if recipe is None:
        return (job.pk,)
    return recipe.process.pk, recipe.finish is not None and recipe.finish.laminates, recipe.gloss


def recipes(job: Job) -> Iterator[Recipe]:
    """Each process in use with each of its finishes; those that can print a gloss layer also with one."""
    in_use = Process.objects.of(job.shop).filter(active=True).prefetch_related("finishes").order_by("name")
    processes = list(in_use)
    if job.process is not None and job.process not in processes:
        processes.append(job.process)
    for process in processes:
        finishes: list[Finish | None] = [*process.finishes.all()] or [None]
        if job.process == process and finish_of(job, finishes) not in finishes:
            finishes.append(job.finish)
        for gloss in (
            (False, True) if can_gloss(process) or (has_gloss(job) and process == job.process) else (False,)
        ):
            for finish in finishes:
                yield Recipe(process, finish, gloss)


def finish_of(job: Job, finishes: Sequence[Finish | None]) -> Finish | None:
    """The job's finish; where none was chosen, the first of these that does not laminate, which is made the same."""
    bare = (one for one in finishes if one is not None and not one.laminates)
    return job.finish or next(bare, None)


def can_gloss(process: Process) -> bool:
    """Whether it can print a gloss layer: UV prints can, common practice, no source."""
    return process.kind == ProcessKind.UV


def impossible(job: Job, has_ink: bool) -> str:
    """Why a copy of a job cannot be made, apart from people and machines; '' where it can. has_ink: it asks for ink."""
    process = job.process
    prints = Needed.PRINTED in needed_rules(job).values()
    if process is not None and process.prints and not prints:
        return f"The route of {job.job_type.name.lower()} has no print. Add the stage under Shop, Job types."
    if process is not None and not process.prints and has_ink:
        return f"{process.name} lays no ink: only what is cut from film of one colour can be made so."
    items = list(job.items.all())
    try:
        check_items(
            items,
            *film_widths(job.shop, process, job.media),
            show=lambda length: say_length(length, job.shop.units),
        )
    except BadInput as wide:
        return wide.message
    return ""


def way_choose(job: Job, process: Process, finish: Finish | None, gloss: bool) -> Job:
    """Make the job this way from now on. Raises ShopError where film has gone into it already."""
    check_choosable(job)
    with transaction.atomic():
        locked = job_locked(job)
        check_choosable(locked)
        return job_update(
            locked,
            title=locked.title,
            customer_name=locked.customer.name if locked.customer else "",
            process=process,
            finish=finish,
            media=locked.media,
            ready_from=locked.ready_from,
            items=[_size(item, process, gloss) for item in locked.items.all()],
        )


def check_choosable(job: Job) -> None:
    """Raise ShopError where the job can no longer be made another way."""
    if not is_open(job):
        raise ShopError(f"Job {job.number} is {job.get_status_display().lower()}; its way stands.")
    if film_begun(job):
        raise ShopError(f"Film has gone into job {job.number} already, so its way stands.")


def _size(item: Item, process: Process, gloss: bool) -> ItemSize:
    return ItemSize(
        width_mm=item.width_mm,
        height_mm=item.height_mm,
        count=item.count,
        name=item.name,
        cut_m=item.cut_m,
        ink_build=ink_for(item.ink_build, process, gloss),
        letter_mm=item.letter_mm,
    )


def _is_present(job: Job, recipe: Recipe) -> bool:
    same_finish = job.finish == recipe.finish or (
        job.finish is None and recipe.finish == finish_of(job, list(recipe.process.finishes.all()))
    )
    return job.process == recipe.process and same_finish and has_gloss(job) == recipe.gloss


def inked(job: Job) -> bool:
    """Whether the job asks for ink."""
    prints = job.process is None or job.process.prints
    return prints and any(item.ink_build != InkBuild.NONE for item in job.items.all())


def _way(
    options: Options, recipe: Recipe, copy: Job, is_present: bool, found: tuple[Floats, Floats, Book]
) -> Way:
    present, finish, book = found
    hands_on, machine, lies = minutes_of(options, book)
    return Way(
        recipe=recipe,
        is_present=is_present,
        promised_at=options.promised(finish),
        futures=tuple(options.at(at) for at in np.quantile(finish, TWENTY, method="inverted_cdf").tolist()),
        sooner=float(np.mean(finish < present - SAME_MIN)),
        later=float(np.mean(finish > present + SAME_MIN)),
        gain=float(np.mean(present - finish)),
        hands_on=Times.of(hands_on),
        machine=Times.of(machine),
        lies=lies,
        materials=materials_of(copy, float(hands_on.mean())),
        unsuited=unsuited(copy),
        cautions=tuple(cautions(copy, recipe)),
    )


def minutes_of(options: Options, book: Book) -> tuple[Floats, Floats, float]:
    """The job's person-minutes and its machines' minutes alone, shape (runs,), and the mean minutes it only lies."""
    minutes = options.common.minutes_of(book)
    hands_on, machine, lies = np.zeros(len(minutes)), np.zeros(len(minutes)), 0.0
    for operation in book.plan.operations:
        if operation.job != book.target:
            continue
        need = book.plan.needs[operation.need]
        if operation.attended >= 0:
            hands_on += minutes[:, operation.attended] * max(1, need.people_count)
        if operation.unattended >= 0 and need.is_hold:
            lies += float(minutes[:, operation.unattended].mean())
        elif operation.unattended >= 0:
            machine += minutes[:, operation.unattended]
    return hands_on, machine, lies


def unsuited(job: Job) -> str:
    """Why the process does not suit the work, as the shop has set it down; '' where it does."""
    if job.process in list(job.job_type.unsuited.all()):
        return f"{job.process} does not suit {job.job_type.name.lower()}."
    return ""


def cautions(job: Job, recipe: Recipe) -> Iterator[str]:
    """What is to be known of a way before it is chosen. Common practice, no source."""
    process = recipe.process
    if process.unsuited_to:
        yield f"Not suited to {process.unsuited_to}."
    elif process.kind == ProcessKind.UV:
        yield "Suits flat and gently curved work, not vehicle wraps."
    if process.prints and process.hold_min:
        lie = say_wait(timedelta(minutes=process.hold_min))
        yield f"The print must lie {lie} before it is cut or laminated; sooner its edges curl and it shrinks."
    if process.kind == ProcessKind.LATEX:
        yield "Nothing to wait for."
    if process.prints and not cuts_too(job, process):
        yield "Printer and cutter are two machines: the film is carried over and lined up again."
    if recipe.gloss:
        yield "A full gloss layer takes more print time and ink; the film is easier to handle."


def cuts_too(job: Job, process: Process) -> bool:
    """Whether a machine that prints by this process also cuts."""
    machines = Machine.objects.of(job.shop).filter(active=True, kind=MachineKind.PRINT_AND_CUT)
    return any(
        not able or process in able
        for able in (list(one.processes.all()) for one in machines.prefetch_related("processes"))
    )


def _one_each(cannot: Sequence[NoWay]) -> tuple[NoWay, ...]:
    """Of several finishes of one process that fail for the same reason, the first alone."""
    seen: dict[tuple[int, str], NoWay] = {}
    for one in cannot:
        seen.setdefault((one.recipe.process.pk, one.why), one)
    return tuple(seen.values())
