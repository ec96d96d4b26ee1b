"""Making a shop, and changing what it says of itself."""

from collections.abc import Iterable

from django.db import transaction
from django.db.models import F

from shop.holidays import national_holidays
from shop.models import Finish, Membership, Process, ProcessKind, Role, Shop, User
from shop.signals import shop_created

# Name, kind, hold before cutting or laminating (minutes), not suited to, ink (ml per m² and layer).
# The hold is a film maker's minimum for solvent (24 h before contour cutting and laminating); the others need none.
# Ink: 10.8 to 16.1 ml/m² for heavy cover is published; the figures here are common practice, no source.
STOCK_PROCESSES = (
    ("Solvent", ProcessKind.SOLVENT, 1440, "same-day work", 10.0),
    ("Latex", ProcessKind.LATEX, 0, "", 10.0),
    ("UV", ProcessKind.UV, 0, "vehicle wraps and strongly curved surfaces", 9.0),
    ("Cut only", ProcessKind.CUT_ONLY, 0, "pictures and gradients", 0.0),
)
STOCK_FINISHES = (("Bare", False), ("Gloss laminate", True), ("Matt laminate", True))


@transaction.atomic
def shop_create(*, slug: str, name: str, owner: User | None = None, **facts: object) -> Shop:
    """Make a shop with its stock processes, finishes and (through `shop_created`) stages and routes."""
    shop = Shop.objects.create(slug=slug, name=name, **facts)
    finishes = [
        Finish.objects.create(shop=shop, name=n, laminates=laminates) for n, laminates in STOCK_FINISHES
    ]
    for process_name, kind, hold_min, unsuited_to, ink in STOCK_PROCESSES:
        process = Process.objects.create(
            shop=shop,
            name=process_name,
            kind=kind,
            hold_min=hold_min,
            unsuited_to=unsuited_to,
            ink_ml_per_m2=ink,
        )
        process.finishes.set(finishes if process.prints else finishes[:1])
    if owner:
        Membership.objects.create(user=owner, shop=shop, role=Role.OWNER)
    shop_created.send(sender=Shop, shop=shop)
    return shop


@transaction.atomic
def shop_update(shop: Shop, **facts: object) -> Shop:
    """Change a shop's facts, by field. Raises BadInput for a country or region without known holidays."""
    for name, value in facts.items():
        setattr(shop, name, value)
    if shop.holiday_country or shop.holiday_region:
        national_holidays(shop.holiday_country, shop.holiday_region, [])
    shop.save(update_fields=list(facts))
    revision_raise(shop.pk)
    return shop


@transaction.atomic
def processes_choose(shop: Shop, chosen: Iterable[Process]) -> None:
    """Keep these processes in use and retire the shop's others."""
    keys = [process.pk for process in chosen]
    Process.objects.of(shop).filter(pk__in=keys).update(active=True)
    Process.objects.of(shop).exclude(pk__in=keys).update(active=False)
    revision_raise(shop.pk)


def revision_raise(shop_id: int) -> None:
    """Say that something on a live page may have changed."""
    Shop.objects.filter(pk=shop_id).update(revision=F("revision") + 1)
