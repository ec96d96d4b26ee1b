"""Recipes looked up: by film, ink build and machine, and the last ones for a job."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Q, QuerySet
from django.utils import timezone

from jobs.models import Job, Stage
from jobs.selectors.floor import can_do
from jobs.selectors.jobs import plain_cell
from jobs.words.recipes import say_settings
from shop.models import InkBuild, Machine, MachineKind, Recipe, RecipeOutcome, Shop
from shop.words import say_day

WITH_RECIPES = (
    MachineKind.PRINTER,
    MachineKind.CUTTER,
    MachineKind.PRINT_AND_CUT,
    MachineKind.LAMINATOR,
)
"""The kinds of machine that are set for a film."""


@dataclass(frozen=True)
class LastTime:
    """The last recipe for a machine; exact: for this very ink build, else for another on the same film."""

    machine: Machine
    ink_build: InkBuild
    recipe: Recipe
    exact: bool


def recipe_search(
    shop: Shop,
    *,
    q: str = "",
    machine: int | None = None,
    media: int | None = None,
    ink_build: str = "",
    outcome: str = "",
    retired: bool = False,
) -> QuerySet[Recipe]:
    """The shop's recipes, the latest first. machine, media: keys; q: words in any of their texts, or a job's number."""
    rows = Recipe.objects.of(shop).filter(active=not retired)
    given = {"machine": machine, "media": media, "ink_build": ink_build, "outcome": outcome}
    rows = rows.filter(**{name: value for name, value in given.items() if value})
    for word in q.split():
        named = Q(media__name__icontains=word) | Q(machine__name__icontains=word) | Q(blade__icontains=word)
        said = Q(note__icontains=word) | Q(print_mode__icontains=word)
        number = Q(job_number=int(word)) if word.isdecimal() and len(word) < 10 else Q()
        rows = rows.filter(named | said | number if number else named | said)
    return rows.select_related("machine", "media", "person")


def recipes_by_film(shop: Shop, films: Iterable[int | None]) -> dict[int, list[Recipe]]:
    """The recipes in use that `last_times` may choose from for these films, by key, the latest first; in one query.

    Of each machine and ink build: the last, and the last that did not fail.
    """
    found: dict[int, list[Recipe]] = defaultdict(list)
    seen: set[tuple[int, int, str, bool]] = set()
    wanted = {film for film in films if film is not None}
    for row in Recipe.objects.of(shop).filter(media__in=wanted, active=True):
        key = (row.media_id, row.machine_id, row.ink_build, row.outcome == RecipeOutcome.FAILED)
        if key not in seen:
            seen.add(key)
            found[row.media_id].append(row)
    return found


def last_times(
    job: Job, machines: Sequence[Machine], recipes: Mapping[int, Sequence[Recipe]]
) -> list[LastTime]:
    """For each machine the last recipe for the job's film and each of its ink builds. recipes: by film.

    Where a machine has none for the build, the last for another build on that film. Tries that failed are passed over
    while there is anything else.
    """
    rows = recipes.get(job.media_id or 0, ())
    found: list[LastTime] = []
    for machine in machines:
        mine = [row for row in rows if row.machine_id == machine.pk]
        for build in job_builds(job):
            best = _best([row for row in mine if row.ink_build == build]) or _best(mine)
            if best is not None and all(best != one.recipe for one in found):
                found.append(LastTime(machine, build, best, best.ink_build == build))
    return found


def say_last_time(recipe: Recipe, shop: Shop) -> str:
    """'110 gf (1.08 N), 45° blade, 1 pass: worked, Thursday 12 November'."""
    day, today = (shop.local(at).date() for at in (recipe.at, timezone.now()))
    outcome = recipe.get_outcome_display().lower()
    return f"{say_settings(recipe, shop.units)}: {outcome}, {say_day(day, today)}"


def job_builds(job: Job) -> list[InkBuild]:
    """The ink builds of a job's items, each once; with no items, the plain one for a job of its process."""
    found = [InkBuild(item.ink_build) for item in job.items.all()]
    prints = job.process is None or job.process.prints
    if not prints:
        return [InkBuild.NONE]
    return list(dict.fromkeys(found)) or [InkBuild.COLOUR]


def set_machines(job: Job, machines: Iterable[Machine], stage: Stage | None = None) -> list[Machine]:
    """Those of the machines that are set for a film and that a stage of the job (or `stage`) may use or has used."""
    stages = [stage] if stage else job.stages.all()
    return [one for one in machines_for(job, machines, stages) if one.kind in WITH_RECIPES]


def machines_for(job: Job, machines: Iterable[Machine], stages: Iterable[Stage]) -> list[Machine]:
    """Those of the machines that one of the job's stages may use."""
    kinds = {one.kind.machine_kind for one in stages if not one.left_out and one.kind.machine_kind}
    return [one for one in machines if any(can_do(one, kind, job.process_id) for kind in kinds)]


CSV_HEADER = (
    "at", "film", "film_width_mm", "ink_build", "machine", "force_gf", "blade", "passes", "speed_mm_s", "heat_c",
    "print_mode", "outcome", "note", "job", "person", "in_use",
)  # fmt: skip


def recipe_csv_rows(recipes: QuerySet[Recipe]) -> Iterator[list[str]]:
    """The recipes as rows of text for a spreadsheet; instants ISO 8601 UTC, units as the header says."""
    yield list(CSV_HEADER)
    for one in recipes.iterator(chunk_size=1000):
        numbers = (one.force_gf, one.passes, one.speed_mm_s, one.heat_c)
        force, passes, speed, heat = ("" if number is None else str(number) for number in numbers)
        cells = [
            one.at.isoformat(),
            one.media.name,
            str(one.media.width_mm),
            one.ink_build,
            one.machine.name,
            force,
            one.blade,
            passes,
            speed,
            heat,
            one.print_mode,
            one.outcome,
            one.note,
            "" if one.job_number is None else str(one.job_number),
            one.person.name if one.person else "",
            "yes" if one.active else "no",
        ]
        yield [plain_cell(cell) for cell in cells]


def _best(rows: Sequence[Recipe]) -> Recipe | None:
    """The last that did not fail, else the last; `rows` come latest first."""
    return next((row for row in rows if row.outcome != RecipeOutcome.FAILED), rows[0] if rows else None)
