"""A busy invented shop with as many promised jobs as are asked for, made quickly."""

from datetime import datetime, timedelta

import numpy as np

from jobs.drivers import ItemSize
from jobs.models import Item, Job, JobStatus, JobType, Stage, StageEdge
from jobs.services.jobs import job_create
from shop.models import Finish, Machine, MachineKind, Media, Person, Process, Shop, Skill, Unattended
from shop.services import shop_create, weekday_hours_create

TYPES = ("Labels and decals", "Vehicle graphics", "Window graphics", "Lettering", "Panel signs")


def make_busy_shop(slug: str = "busy") -> Shop:
    """Open on weekdays; six people who can do all, three printers, two cutters, a laminator, two films."""
    shop = shop_create(slug=slug, name="Harbour Signs", time_zone="Europe/London")
    weekday_hours_create(shop)
    for name in ("Ada", "Ben", "Cleo", "Dan", "Edda", "Finn"):
        Person.objects.create(shop=shop, name=name).skills.set(Skill.objects.of(shop))
    kinds = 3 * [MachineKind.PRINTER] + 2 * [MachineKind.CUTTER] + [MachineKind.LAMINATOR]
    for index, kind in enumerate(kinds):
        Machine.objects.create(
            shop=shop, name=f"{kind.label} {index}", kind=kind, unattended=Unattended.ALWAYS
        )
    for name in ("Gloss film", "Matt film"):
        Media.objects.create(shop=shop, name=name, width_mm=1370, price_per_m2=4)
    return shop


def promise_many(shop: Shop, count: int, now: datetime, *, seed: int = 1) -> None:
    """Give the shop `count` promised jobs of five types, of sizes that differ, due from tomorrow on."""
    rng = np.random.default_rng(seed)
    models = [_model_job(shop, name) for name in TYPES]
    first = models[-1].number + 1
    jobs = Job.objects.bulk_create(
        Job(
            shop=shop,
            number=first + i,
            title=f"Order {i}",
            job_type=model.job_type,
            process=model.process,
            finish=model.finish,
            media=model.media,
            status=JobStatus.PROMISED,
            due_at=now + timedelta(days=1 + i // 6, minutes=int(rng.integers(0, 480))),
            created_at=now - timedelta(days=70 * (1 - i / count)),
        )
        for i in range(count)
        for model in [models[i % len(models)]]
    )
    sizes = rng.integers(100, 900, (count, 2)).tolist()
    Item.objects.bulk_create(
        Item(shop=shop, job=job, width_mm=wide, height_mm=high, count=5)
        for job, (wide, high) in zip(jobs, sizes, strict=True)
    )
    _copy_routes(shop, jobs, models)
    Job.objects.filter(pk__in=[model.pk for model in models]).update(status=JobStatus.CANCELLED)


def _model_job(shop: Shop, name: str) -> Job:
    process = Process.objects.of(shop).get(name="Cut only" if name == "Lettering" else "Solvent")
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name=name),
        title=name,
        process=process,
        finish=process.finishes.first() or Finish.objects.of(shop).first(),
        media=Media.objects.of(shop).order_by("pk").first(),
        items=[ItemSize(300, 200, 5)],
    )


def _copy_routes(shop: Shop, jobs: list[Job], models: list[Job]) -> None:
    stages: list[Stage] = []
    arrows: list[tuple[int, int, StageEdge]] = []
    for i, job in enumerate(jobs):
        place = {}
        for one in models[i % len(models)].stages.all():
            place[one.pk] = len(stages)
            facts = {
                name: getattr(one, name) for name in ("kind", "name", "position", "left_out", "hold_min")
            }
            stages.append(Stage(shop=shop, job=job, **facts))
        mine = StageEdge.objects.filter(before__job=models[i % len(models)])
        arrows += [(place[edge.before_id], place[edge.after_id], edge) for edge in mine]
    made = Stage.objects.bulk_create(stages)
    StageEdge.objects.bulk_create(
        StageEdge(shop=shop, before=made[a], after=made[b], kind=edge.kind, lag_min=edge.lag_min)
        for a, b, edge in arrows
    )
