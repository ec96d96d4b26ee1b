"""Reads of the shop's own facts."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, time, timedelta

from shop.errors import BadInput
from shop.holidays import national_holidays
from shop.models import Closure, Membership, OpeningHours, Role, Shop


def shop_chosen(slug: str = "") -> Shop | None:
    """The shop that a command means: the one with this slug, or the only one; None where there is none at all.

    Raises BadInput naming the shops there are, for an unknown slug or where there are several and none is named.
    """
    shops = {shop.slug: shop for shop in Shop.objects.order_by("slug")}
    if not shops:
        return None
    if slug in shops:
        return shops[slug]
    names = ", ".join(shops)
    if slug:
        raise BadInput(f"There is no shop {slug!r}. There is: {names}.", field="shop")
    if len(shops) > 1:
        raise BadInput(f"Several shops are kept here. Say which: --shop with one of {names}.", field="shop")
    return next(iter(shops.values()))


def shop_required(slug: str = "") -> Shop:
    """`shop_chosen`, where one is needed: raises BadInput where there is none."""
    shop = shop_chosen(slug)
    if shop is None:
        raise BadInput(
            "There is no shop yet. Import a log with `manage.py import_timings FILE`, or start the program and "
            "set one up.",
            field="shop",
        )
    return shop


def opening_hours(shop: Shop) -> dict[int, list[tuple[time, time]]]:
    """Weekday (0 = Monday) to its windows on the shop's wall clock."""
    hours: dict[int, list[tuple[time, time]]] = defaultdict(list)
    for weekday, opens, closes in OpeningHours.objects.of(shop).values_list("weekday", "opens", "closes"):
        hours[weekday].append((opens, closes))
    return dict(hours)


def closed_days(shop: Shop, start: date, end: date) -> set[date]:
    """The local dates from start to end, both included, on which the shop is closed: closures and holidays."""
    closed = {day for day in shop_holidays(shop, range(start.year, end.year + 1)) if start <= day <= end}
    for closure in Closure.objects.of(shop).filter(person=None, starts_on__lte=end, ends_on__gte=start):
        closed |= days_between(max(start, closure.starts_on), min(end, closure.ends_on))
    return closed


def absent_days(shop: Shop, start: date, end: date) -> dict[int, set[date]]:
    """Person's key to the local dates from start to end on which they are away."""
    away: dict[int, set[date]] = defaultdict(set)
    absences = Closure.objects.of(shop).filter(person__isnull=False, starts_on__lte=end, ends_on__gte=start)
    for person, first, last in absences.values_list("person", "starts_on", "ends_on"):
        if person is not None:
            away[person] |= days_between(max(start, first), min(end, last))
    return dict(away)


def shop_holidays(shop: Shop, years: Iterable[int]) -> dict[date, str]:
    """The public holidays that the shop keeps, by date; empty where it keeps none."""
    if not shop.holiday_country:
        return {}
    return national_holidays(shop.holiday_country, shop.holiday_region, years)


def days_between(first: date, last: date) -> set[date]:
    """Every date from first to last, both included."""
    return {first + timedelta(days=n) for n in range((last - first).days + 1)}


def has_owner() -> bool:
    """Whether anybody owns a shop here; until then the set-up is open."""
    return Membership.objects.filter(role=Role.OWNER).exists()


def ownerless_shop() -> Shop | None:
    """The shop that the first owner takes over: one made before there was any log-in."""
    return Shop.objects.exclude(memberships__role=Role.OWNER).order_by("pk").first()
