"""Reads: jobs as their pages show them, and the film that a shop could put an item on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from django.db.models import Count, F, Max, Prefetch, Q, QuerySet

from jobs.drivers import drivers_of
from jobs.models import (
    Customer,
    Driver,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    JobType,
    Stage,
    StageEdge,
    StageState,
)
from jobs.routes import ready_stages
from shop.models import Machine, MachineKind, Media, Process, Shop

OPEN = (JobStatus.IN_HAND, JobStatus.PROMISED, JobStatus.ENQUIRY)


def film_widths(shop: Shop, process: Process | None, media: Media | None) -> tuple[list[int], list[int]]:
    """Widths in mm of the film that would be used, and of the machines that would take it.

    Without a film chosen: all that the shop has. Machines are empty if the width of one that could do it is
    not known, since then nothing is known to be too wide.
    """
    films = [media.width_mm] if media else list(_active_widths(shop))
    kind = MachineKind.PRINTER if process is None or process.prints else MachineKind.CUTTER
    able = [
        machine
        for machine in Machine.objects.of(shop).filter(active=True).prefetch_related("processes")
        if kind in MachineKind(machine.kind).does and _takes(machine, process)
    ]
    widths = [machine.max_width_mm for machine in able if machine.max_width_mm is not None]
    return films, widths if len(widths) == len(able) else []


def stage_drivers(stage: Stage) -> dict[str, float]:
    """A stage's drivers, as `drivers_of` has them; prefetch `job__items` for many."""
    return drivers_of(stage.job.items.all(), stage.job.drivers, stage.drivers)


def numeric_drivers(shop: Shop) -> QuerySet[Driver]:
    """The shop's drivers that are quantities."""
    return Driver.objects.of(shop).filter(is_category=False)


@dataclass(frozen=True)
class JobRow:
    """A job and its stages as lists show them. Everything is prefetched."""

    job: Job
    at: datetime

    @cached_property
    def stages(self) -> list[Stage]:
        """The stages that are not left out, in the order of the route."""
        return [stage for stage in self.job.stages.all() if not stage.left_out]

    @property
    def done(self) -> int:
        """How many stages are finished."""
        return sum(stage.state == StageState.FINISHED for stage in self.stages)

    @property
    def in_hand(self) -> list[Stage]:
        """The stages begun and not finished."""
        return [s for s in self.stages if s.state not in (StageState.WAITING, StageState.FINISHED)]

    @cached_property
    def ready(self) -> list[Stage]:
        """The stages that may begin now."""
        ready = set(ready_stages(self.job.stages.all(), self.edges, self.at))
        return [stage for stage in self.stages if stage.pk in ready]

    @property
    def edges(self) -> list[StageEdge]:
        """The arrows of the job's route."""
        return [edge for stage in self.job.stages.all() for edge in stage.out_edges.all()]

    @property
    def strip(self) -> list[tuple[int, Stage]]:
        """Each stage and where its mark begins in the strip that shows progress, px."""
        return [(1 + 13 * i, stage) for i, stage in enumerate(self.stages)]

    @property
    def strip_width(self) -> int:
        """Width of that strip, px."""
        return 13 * len(self.stages) + 1

    @property
    def is_late(self) -> bool:
        """Whether its date has passed and it is not finished."""
        due = self.job.due_at
        return due is not None and due < self.at and self.job.status in OPEN

    @property
    def now_text(self) -> str:
        """What is being done, or what could be: 'Print running, Template paused', 'Next: Cut'."""
        if self.job.status in (JobStatus.CANCELLED, JobStatus.FINISHED):
            return ""
        if self.in_hand:
            return ", ".join(f"{stage.name} {stage.get_state_display().lower()}" for stage in self.in_hand)
        return f"Next: {', '.join(stage.name for stage in self.ready)}" if self.ready else ""


def job_rows(jobs: Iterable[Job], at: datetime) -> list[JobRow]:
    """The rows of these jobs as they stand at `at`."""
    return [JobRow(job, at) for job in jobs]


def with_stages(jobs: QuerySet[Job]) -> QuerySet[Job]:
    """The jobs with all that `JobRow` reads."""
    stages = Stage.objects.select_related("kind").prefetch_related("out_edges")
    return jobs.select_related("customer", "job_type", "process", "finish", "media").prefetch_related(
        Prefetch("stages", stages)
    )


def job_search(
    shop: Shop, *, status: str = "open", job_type: int | None = None, q: str = ""
) -> QuerySet[Job]:
    """The shop's jobs by due date, those without one last.

    status: 'open', 'all' or a JobStatus. q: part of a customer's name, a title or a reference, or a number.
    """
    jobs = Job.objects.of(shop)
    if status == "open":
        jobs = jobs.filter(status__in=OPEN)
    elif status in JobStatus.values:
        jobs = jobs.filter(status=status)
    if job_type is not None:
        jobs = jobs.filter(job_type=job_type)
    for word in q.split():
        matches = Q(title__icontains=word) | Q(customer__name__icontains=word) | Q(reference__icontains=word)
        if word.isdecimal() and len(word) < 10:
            matches |= Q(number=int(word))
        jobs = jobs.filter(matches)
    if status in (JobStatus.FINISHED, JobStatus.CANCELLED):
        return jobs.order_by(F("finished_at").desc(nulls_last=True), "-number")
    return jobs.order_by(F("due_at").asc(nulls_last=True), "-number")


def status_counts(shop: Shop) -> dict[str, int]:
    """How many jobs there are of each status, and 'open' and 'all'."""
    counts: dict[str, int] = dict.fromkeys(JobStatus.values, 0)
    for status, n in Job.objects.of(shop).order_by().values_list("status").annotate(n=Count("pk")):
        counts[status] = n
    return {**counts, "open": sum(counts[status] for status in OPEN), "all": sum(counts.values())}


def customers_with_jobs(shop: Shop, q: str = "") -> QuerySet[Customer]:
    """The shop's customers with `open_jobs`, `all_jobs` and `last_made`."""
    customers = Customer.objects.of(shop)
    if q:
        customers = customers.filter(name__icontains=q)
    return customers.annotate(
        all_jobs=Count("jobs"),
        open_jobs=Count("jobs", filter=Q(jobs__status__in=OPEN)),
        last_made=Max("jobs__created_at"),
    ).order_by("name")


def job_types_with_counts(shop: Shop) -> QuerySet[JobType]:
    """The shop's job types with `open_jobs`, `all_jobs` and their routes."""
    return (
        JobType.objects.of(shop)
        .prefetch_related("route__kind")
        .annotate(
            all_jobs=Count("jobs"),
            open_jobs=Count("jobs", filter=Q(jobs__status__in=OPEN)),
        )
        .order_by("-active", "name")
    )


def stages_alone(job: Job) -> set[int]:
    """Keys of the job's stages whose machine runs now with nobody beside it."""
    running = Interval.objects.of(job.shop).filter(stage__job=job, ends_at__isnull=True)
    by_kind: Mapping[str, set[int]] = {kind: set() for kind in IntervalKind.values}
    for stage_id, kind in running.values_list("stage_id", "kind"):
        by_kind[kind].add(stage_id)
    return by_kind[IntervalKind.MACHINE] - by_kind[IntervalKind.HANDS_ON]


CSV_HEADER = (
    "number", "title", "customer", "job_type", "process", "finish", "status", "now", "stages_finished",
    "stages", "due_at", "ready_from", "started_at", "finished_at",
)  # fmt: skip


def job_csv_rows(rows: Sequence[JobRow]) -> Iterator[list[str]]:
    """The job list as rows of text for a spreadsheet, instants as ISO 8601 UTC."""
    yield list(CSV_HEADER)
    for row in rows:
        job = row.job
        instants = (job.due_at, job.ready_from, job.started_at, job.finished_at)
        cells = [
            str(job.number),
            job.title,
            job.customer.name if job.customer else "",
            job.job_type.name,
            job.process.name if job.process else "",
            job.finish.name if job.finish else "",
            job.status,
            row.now_text,
            str(row.done),
            str(len(row.stages)),
            *(instant.isoformat() if instant else "" for instant in instants),
        ]
        yield [plain_cell(cell) for cell in cells]


def plain_cell(text: str) -> str:
    """A cell that no spreadsheet takes for a formula: one that begins like one gets an apostrophe before it."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _active_widths(shop: Shop) -> Iterable[int]:
    return Media.objects.of(shop).filter(active=True).values_list("width_mm", flat=True)


def _takes(machine: Machine, process: Process | None) -> bool:
    processes = list(machine.processes.all())
    return process is None or not processes or process in processes
