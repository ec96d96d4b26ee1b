"""What a job takes in film, ink and money."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from analytics.engine.layout import Layout, Piece, TooWide, lay_out
from jobs.drivers import MARGIN_MM, cut_of_one
from jobs.models import Job
from shop.errors import BadInput
from shop.models import InkBuild, Media


@dataclass(frozen=True)
class Materials:
    """film_m: length of film in metres, None where no film fits or none is set down. ink_ml: millilitres.

    Money in the shop's currency; None where the shop has given no price for it. unpriced: what it takes that is not in
    the cost for that, in words.
    """

    media: str
    film_m: float | None
    film_width_mm: float | None
    fill: float | None
    ink_ml: float
    area_m2: float
    cut_m: float
    film_cost: Decimal | None
    ink_cost: Decimal | None
    finish_cost: Decimal | None
    labour_cost: Decimal | None
    unpriced: tuple[str, ...]
    layout: Layout | None

    @property
    def cost(self) -> Decimal | None:
        """The sum of what has a price; None where nothing has."""
        known = [
            c for c in (self.film_cost, self.ink_cost, self.finish_cost, self.labour_cost) if c is not None
        ]
        return sum(known, Decimal(0)) if known else None


def materials_of(job: Job, hands_on_min: float) -> Materials:
    """Film, ink and cost of a job. hands_on_min: mean person-minutes of it."""
    items = list(job.items.all())
    area = sum(item.width_mm * item.height_mm * item.count for item in items) / 1e6
    media, layout = _best_film(job)
    ink = _ink_ml(job)
    laminates = job.finish is not None and job.finish.laminates
    film_cost = _money(media.price_per_m2, layout.length * media.width_mm / 1e6) if media and layout else None
    ink_cost = _money(job.process.ink_price_per_litre, ink / 1000) if job.process else None
    finish_cost = _money(job.finish.price_per_m2, area) if job.finish and laminates else None
    labour_cost = _money(job.shop.labour_per_hour, hands_on_min / 60)
    takes = {
        "film": (bool(items), film_cost),
        "ink": (ink > 0, ink_cost),
        "laminate": (laminates, finish_cost),
        "work": (hands_on_min > 0, labour_cost),
    }
    return Materials(
        media=media.name if media else "",
        film_m=layout.length / 1000 if layout else None,
        film_width_mm=float(media.width_mm) if media else None,
        fill=layout.fill if layout else None,
        ink_ml=ink,
        area_m2=area,
        cut_m=sum(cut_of_one(item) * item.count for item in items),
        film_cost=film_cost,
        ink_cost=ink_cost,
        finish_cost=finish_cost,
        labour_cost=labour_cost,
        unpriced=tuple(name for name, (taken, cost) in takes.items() if taken and cost is None),
        layout=layout,
    )


def _best_film(job: Job) -> tuple[Media | None, Layout | None]:
    """The job's film, or of those in stock the one with the least area used; and how the items lie on it."""
    pieces = [Piece(item.width_mm, item.height_mm, item.count) for item in job.items.all()]
    if not pieces:
        return job.media, None
    films = [job.media] if job.media else list(Media.objects.of(job.shop).filter(active=True))
    tries = []
    for film in films:
        try:
            layout = lay_out(pieces, film.width_mm - 2 * MARGIN_MM)
        except TooWide as wide:
            if job.media:
                raise BadInput(
                    f"{wide} Choose a wider film or split it into panels.", field="items"
                ) from wide
            continue
        tries.append((layout.length * film.width_mm, film.pk, film, layout))
    if not tries:
        return job.media, None
    _, _, film, layout = min(tries, key=lambda one: one[:2])
    return film, layout


def _ink_ml(job: Job) -> float:
    if job.process is None or not job.process.prints:
        return 0.0
    layers = sum(
        item.width_mm * item.height_mm * item.count / 1e6 * InkBuild(item.ink_build).layers
        for item in job.items.all()
    )
    return layers * job.process.ink_ml_per_m2


def _money(price: Decimal, amount: float) -> Decimal | None:
    """Price times amount to the cent; None where there is no price."""
    if not price:
        return None
    return (Decimal(price) * Decimal(amount)).quantize(Decimal("0.01"))
