"""Writes to the shop's own facts."""

from datetime import time

from django.db import transaction
from django.db.models import F

from shop.models import Finish, Membership, OpeningHours, Process, ProcessKind, Role, Shop, User
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


def weekday_hours_create(shop: Shop, opens: time = time(8, 30), closes: time = time(17, 0)) -> None:
    """Give the shop one window on each day from Monday to Friday."""
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens=opens, closes=closes) for day in range(5)
    )


def revision_raise(shop_id: int) -> None:
    """Say that something on a live page may have changed."""
    Shop.objects.filter(pk=shop_id).update(revision=F("revision") + 1)
