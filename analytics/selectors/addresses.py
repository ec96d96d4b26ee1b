"""The open addresses of a shop, and for whom more could be made."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import QuerySet

from analytics.models import OpenAddress, OpenPurpose
from jobs.models import Job, JobStatus
from shop.models import Machine, Membership, Person, Role, Shop

MOST_JOBS = 200
"""Customers' pages listed, the newest first."""


@dataclass(frozen=True)
class CalendarLine:
    """A calendar that there is or could be: whose, in words and as a form names it, and its address."""

    name: str
    field: str
    key: int | None
    address: OpenAddress | None


def addresses_of(shop: Shop, membership: Membership) -> QuerySet[OpenAddress]:
    """The addresses that open something, of those that a log-in may handle: calendars are the owner's."""
    standing = OpenAddress.objects.of(shop).filter(revoked_at=None)
    standing = standing.select_related("person", "machine", "job__customer", "made_by", "shop")
    return standing if membership.may(Role.OWNER) else standing.filter(purpose=OpenPurpose.JOB)


def calendar_lines(shop: Shop) -> list[CalendarLine]:
    """Every calendar that could be read: the shop's, each person's and each machine's in use."""
    rows = OpenAddress.objects.of(shop).filter(revoked_at=None).exclude(purpose=OpenPurpose.JOB)
    standing = {(a.purpose, a.person_id or a.machine_id): a for a in rows}
    lines = [CalendarLine(f"{shop.name}, all of it", "shop", None, standing.get((OpenPurpose.SHOP, None)))]
    people = Person.objects.of(shop).filter(active=True).order_by("name")
    machines = Machine.objects.of(shop).filter(active=True).order_by("name")
    lines += [CalendarLine(p.name, "person", p.pk, standing.get((OpenPurpose.PERSON, p.pk))) for p in people]
    lines += [
        CalendarLine(m.name, "machine", m.pk, standing.get((OpenPurpose.MACHINE, m.pk))) for m in machines
    ]
    return lines


def job_pages(shop: Shop) -> list[OpenAddress]:
    """The customers' pages that stand, those of the newest jobs first."""
    rows = OpenAddress.objects.of(shop).filter(revoked_at=None, purpose=OpenPurpose.JOB)
    return list(rows.select_related("job__customer").order_by("-job__number")[:MOST_JOBS])


def jobs_without_page(shop: Shop) -> QuerySet[Job]:
    """The open jobs that have no customer's page, the newest first."""
    open_jobs = Job.objects.of(shop).exclude(status__in=(JobStatus.FINISHED, JobStatus.CANCELLED))
    paged = OpenAddress.objects.of(shop).filter(revoked_at=None, purpose=OpenPurpose.JOB)
    return open_jobs.exclude(pk__in=paged.values("job")).order_by("-number")[:MOST_JOBS]
