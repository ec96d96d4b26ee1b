"""A small invented shop whose dates can be added up by hand."""

from datetime import time

from jobs.drivers import ItemSize
from jobs.models import Job, JobType
from jobs.services.jobs import job_create
from shop.models import Machine, MachineKind, OpeningHours, Person, Process, Shop, Skill, Unattended
from shop.services import shop_create


def make_quay(slug: str = "quay") -> Shop:
    """Open Monday to Friday 09:00-17:00 UTC, one person who can do all, a printer, a cutter and a laminator."""
    shop = shop_create(slug=slug, name="Quay Signs", time_zone="UTC")
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens=time(9), closes=time(17)) for day in range(5)
    )
    person = Person.objects.create(shop=shop, name="Ines")
    person.skills.set(Skill.objects.of(shop))
    for kind in (MachineKind.PRINTER, MachineKind.CUTTER, MachineKind.LAMINATOR):
        Machine.objects.create(shop=shop, name=str(kind), kind=kind, unattended=Unattended.ALWAYS)
    return shop


def enquiry(shop: Shop, process: str = "UV", job_type: str = "Labels and decals", **more: object) -> Job:
    """An enquiry for ten labels, or as `more` says."""
    facts = {
        "job_type": JobType.objects.of(shop).get(name=job_type),
        "title": "Crate labels",
        "process": Process.objects.of(shop).get(name=process),
        "items": [ItemSize(300, 200, 10)],
    }
    job = job_create(shop=shop, **{**facts, **more})
    return Job.objects.prefetch_related("stages__kind").get(pk=job.pk)
