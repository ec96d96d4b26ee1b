"""The shop as the promise sees it: hours, people, and machines with what is on them."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import OuterRef, Subquery

from analytics.engine.hours import to_minutes
from analytics.engine.plan import MachineSpec, PersonSpec, ShopSpec
from analytics.selectors.habits import breaks_ahead
from jobs.models import Category, Interval
from shop.models import Machine, MachineKind, Person, Shop
from shop.selectors import absent_days, closed_days, opening_hours

DAYS = 800
"""How far the calendars reach; a backlog longer than that is told so."""

NOTHING: tuple[int | None, datetime | None] = (None, None)

PRINTERS = (MachineKind.PRINTER, MachineKind.PRINT_AND_CUT)


def shop_spec(shop: Shop, now: datetime) -> ShopSpec:
    """The shop's hours, people with the breaks they keep, and machines from `now` on.

    Whoever is away for as long as the calendars reach is not among them.
    """
    start = shop.local(now).date() - timedelta(days=1)
    end = start + timedelta(days=DAYS + 2)
    absent = absent_days(shop, start, end)
    breaks = breaks_ahead(shop, now)
    people = Person.objects.of(shop).filter(active=True).prefetch_related("skills")
    return ShopSpec(
        now,
        shop.time_zone,
        opening_hours(shop),
        frozenset(closed_days(shop, start, end)),
        tuple(
            PersonSpec(
                p.pk,
                p.name,
                frozenset(s.pk for s in p.skills.all()),
                frozenset(absent.get(p.pk, ())),
                breaks.get(p.pk, ()),
            )
            for p in people
            if len(absent.get(p.pk, ())) < DAYS
        ),
        machine_specs(shop, now),
        roll_change_min=float(shop.roll_change_min),
    )


def machine_specs(shop: Shop, now: datetime | None = None, *, active: bool = True) -> tuple[MachineSpec, ...]:
    """The shop's machines, what each can do, and what is on it at `now` (None: that is not asked). Three queries.

    active: whether those that are in use, or those that are not any more.
    """
    machines = Machine.objects.of(shop).filter(active=active).prefetch_related("processes")
    printed = printed_last(shop) if now is not None else {}
    return tuple(
        MachineSpec(
            m.pk,
            m.name,
            frozenset(MachineKind(m.kind).does),
            frozenset(process.pk for process in m.processes.all()),
            m.capacity,
            m.unattended,  # type: ignore[arg-type]
            printed.get(m.pk, NOTHING)[0] or m.loaded_media_id,
            float(m.cool_down_min),
            _hot_until(m, printed.get(m.pk, NOTHING)[1], now),
        )
        for m in machines
    )


def printed_last(shop: Shop) -> dict[int, tuple[int | None, datetime | None]]:
    """By each printer's key: the film of the last stage begun on it, which still is on it, and its last print's end."""
    begun = Interval.objects.filter(machine=OuterRef("pk"), stage__kind__machine_kind__in=PRINTERS)
    film = (
        begun.filter(stage__job__media__isnull=False).order_by("-starts_at").values("stage__job__media")[:1]
    )
    done = begun.filter(stage__kind__category=Category.WORK, ends_at__isnull=False)
    ended = done.order_by("-ends_at").values("ends_at")[:1]
    machines = Machine.objects.of(shop).filter(kind__in=PRINTERS).order_by("pk")
    rows = machines.annotate(film=Subquery(film), ended=Subquery(ended)).values_list("pk", "film", "ended")
    return {pk: (film, ended) for pk, film, ended in rows}


def _hot_until(machine: Machine, printed_at: datetime | None, now: datetime | None) -> float:
    """Minutes from now until which it is too hot to cut, from the last print that ended on it."""
    if now is None or printed_at is None or not machine.cool_down_min:
        return 0.0
    return max(0.0, to_minutes(now, printed_at) + machine.cool_down_min)
