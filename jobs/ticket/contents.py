"""What a job's ticket says, as its page and its PDF show it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from jobs.drivers import drivers_of
from jobs.forms.fields import say_length
from jobs.models import Item, Job, Stage, StageState, VisitWindow
from jobs.selectors.floor import able_machines
from jobs.selectors.jobs import film_widths, with_stages
from jobs.selectors.recipes import last_times, recipes_by_film, set_machines
from jobs.stock import LOCAL_RULES
from jobs.ticket.drawing import Drawing, draw_item
from jobs.words.jobs import cautions_of, driver_values, item_words, stage_rows
from jobs.words.recipes import say_settings
from shop.addresses import is_loopback
from shop.models import Machine, Shop
from shop.units import length_unit, say_area
from shop.words import ANY_YEAR, say_clock, say_short_day

BOX = (24.0, 10.5)
"""Width and height of an item's drawing, mm on paper."""

NO_BREAK = "\u00a0"
UNREACHABLE = (
    "Phones cannot reach this address: it means the computer that opens it. An owner sets the address that phones "
    "open under Settings, Change the shop’s facts; then print this again."
)


@dataclass(frozen=True)
class TicketItem:
    """An item in words, and its drawing in a box of `BOX`."""

    name: str
    size: str
    count: int
    cut: str
    ink: str
    drawing: Drawing


@dataclass(frozen=True)
class TicketStage:
    """A stage in words. finished: when, or empty."""

    name: str
    waits: str
    hold: str
    machine: str
    finished: str


@dataclass(frozen=True)
class TicketSettings:
    """What a machine was set to the last time for this film. ink: of that time; other: not this job's."""

    machine: str
    ink: str
    other: bool
    words: str
    outcome: str
    note: str
    used: str


@dataclass(frozen=True)
class Ticket:
    """A job's ticket. scale: what the drawings are drawn across; why_no_settings: empty where there are some."""

    job: Job
    due: str
    facts: list[tuple[str, str]]
    items: list[TicketItem]
    scale: str
    stages: list[TicketStage]
    settings: list[TicketSettings]
    why_no_settings: str
    notes: str
    cautions: list[tuple[str, str]]
    local_rules: str
    address: str
    unreachable: str

    @property
    def title(self) -> str:
        """'1042 Shop window'."""
        return f"{self.job.number} {self.job.title}"

    @property
    def address_parts(self) -> tuple[str, str]:
        """The address, cut where it may be broken: 'http://host:port' and '/floor/1042/'."""
        base, floor, rest = self.address.rpartition("/floor/")
        return base, floor + rest


def ticket_of(shop: Shop, number: int, base: str) -> Ticket:
    """The ticket of the shop's job of this number. base: where the program is reached, 'http://host:port'.

    The shop's own address goes before it. Raises Job.DoesNotExist.
    """
    job = (
        with_stages(Job.objects.of(shop).select_related("shop")).prefetch_related("items").get(number=number)
    )
    stages = [stage for stage in job.stages.all() if not stage.left_out]
    items = list(job.items.all())
    roll = _roll(shop, job)
    address = f"{(shop.address or base).rstrip('/')}/floor/{job.number}/"
    settings = _settings(shop, job)
    return Ticket(
        job=job,
        due=instant_words(shop, job.due_at) if job.due_at else "",
        facts=_facts(shop, job, items),
        items=[_item(shop, item, roll, items) for item in items],
        scale=f"Drawn across a roll of {say_length(roll, length_unit(shop.units))}." if roll else "",
        stages=_stages(shop, job),
        settings=settings,
        why_no_settings="" if settings else _why_none(job),
        notes=job.notes.strip(),
        cautions=cautions_of(stages),
        local_rules=LOCAL_RULES,
        address=address,
        unreachable=UNREACHABLE if is_loopback(address) else "",
    )


def instant_words(shop: Shop, instant: datetime) -> str:
    """An instant on the shop's clock, for paper, which outlives the year: 'Fri 27 Nov 2026, 16:00'."""
    local = shop.local(instant)
    return f"{say_short_day(local.date(), ANY_YEAR)}, {say_clock(local)}"


def _roll(shop: Shop, job: Job) -> float | None:
    """Width in mm of the job's film, else of the widest that it could go on."""
    films, machines = film_widths(shop, job.process, job.media)
    known = [max(widths) for widths in (films, machines) if widths]
    return float(min(known)) if known and (job.media or films) else None


def _facts(shop: Shop, job: Job, items: list[Item]) -> list[tuple[str, str]]:
    sums = drivers_of(items, {}, {})
    inks = list(dict.fromkeys(item.get_ink_build_display() for item in items))
    facts = [
        ("Film", _film(shop, job)),
        ("Process", str(job.process or "–")),
        ("Finish", str(job.finish or "–")),
        ("Ink", ", ".join(inks) or "–"),
        ("Type", job.job_type.name),
    ]
    if items:
        facts += [("Pieces", f"{sums['pieces']:,.0f}"), ("Area", say_area(sums["area_m2"], shop.units))]
    if job.ready_from:
        facts.append(("Not before", instant_words(shop, job.ready_from)))
    if job.film_from:
        facts.append(("Film arrives", instant_words(shop, job.film_from)))
    visits = [_visit_words(shop, visit) for visit in job.visits.all()]
    if visits:
        facts.append(("At the customer’s", "; ".join(visits)))
    if job.reference:
        facts.append(("Reference", job.reference))
    return facts + driver_values(job)


def _visit_words(shop: Shop, visit: VisitWindow) -> str:
    """'Fri 27 Nov 2026, 09:00 to 12:00'; with the day of its end where that is another."""
    start, end = shop.local(visit.starts_at), shop.local(visit.ends_at)
    until = say_clock(end) if end.date() == start.date() else instant_words(shop, visit.ends_at)
    return f"{instant_words(shop, visit.starts_at)} to {until}"


def _film(shop: Shop, job: Job) -> str:
    if job.media is None:
        return "any that it fits on"
    width = say_length(job.media.width_mm, length_unit(shop.units))
    return f"{job.media.name}, {width.replace(' ', NO_BREAK)}"


def _item(shop: Shop, item: Item, roll: float | None, items: Iterable[Item]) -> TicketItem:
    largest = max(max(each.width_mm, each.height_mm) for each in items)
    said, unit = item_words(item, shop), length_unit(shop.units)
    return TicketItem(
        name=said["name"],
        size=f"{said['width'].removesuffix(f' {unit}')} × {said['height']}",
        count=item.count,
        cut=said["cut"],
        ink=said["ink"],
        drawing=draw_item(item.width_mm, item.height_mm, roll, BOX, largest),
    )


def _stages(shop: Shop, job: Job) -> list[TicketStage]:
    every = list(job.stages.all())
    edges = [edge for stage in every for edge in stage.out_edges.all()]
    return [
        TicketStage(
            name=stage.name,
            waits=waits,
            hold=hold,
            machine=_machine(shop, job, stage),
            finished=_finished(shop, stage),
        )
        for stage, waits, hold in stage_rows(every, edges)
        if not stage.left_out
    ]


def _machine(shop: Shop, job: Job, stage: Stage) -> str:
    """The machine chosen for the stage, or the only one that can do it."""
    if stage.machine:
        return stage.machine.name
    able = able_machines(shop, job, stage)
    return able[0].name if len(able) == 1 else ""


def _finished(shop: Shop, stage: Stage) -> str:
    if stage.state != StageState.FINISHED or stage.finished_at is None:
        return ""
    return f"finished {instant_words(shop, stage.finished_at)}"


def _settings(shop: Shop, job: Job) -> list[TicketSettings]:
    machines = list(Machine.objects.of(shop).filter(active=True).prefetch_related("processes"))
    found = last_times(job, set_machines(job, machines), recipes_by_film(shop, [job.media_id]))
    return [
        TicketSettings(
            machine=one.machine.name,
            ink=one.recipe.get_ink_build_display().lower(),
            other=not one.exact,
            words=say_settings(one.recipe, shop.units) or "nothing noted",
            outcome=one.recipe.get_outcome_display(),
            note=one.recipe.note,
            used=say_short_day(shop.local(one.recipe.at).date(), ANY_YEAR),
        )
        for one in found
    ]


def _why_none(job: Job) -> str:
    if job.media is None:
        return "No film is chosen, so no earlier settings are recalled."
    return "No settings are kept yet for this film."
