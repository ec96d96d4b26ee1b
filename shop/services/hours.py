"""Writing when the shop is open, and when it or somebody is away."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, time

from django.db import transaction

from shop.errors import BadInput
from shop.hours import DAYS, Window, week_problems
from shop.models import Closure, OpeningHours, Person, Shop
from shop.services.shops import revision_raise
from shop.words import say_day

LONGEST_CLOSURE = 366  # days


def weekday_hours_create(shop: Shop, opens: time = time(8, 30), closes: time = time(17, 0)) -> None:
    """Give the shop one window on each day from Monday to Friday."""
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens=opens, closes=closes) for day in range(5)
    )


@transaction.atomic
def hours_replace(shop: Shop, week: Mapping[int, Sequence[Window]]) -> None:
    """Give the shop these hours: weekday (Monday is 0) to windows (opens, closes).

    Raises BadInput, naming the day and the remedy, where a window runs backwards, two overlap or none is left.
    """
    if problems := week_problems(week):
        first = problems[0]
        field = "" if first.weekday is None else DAYS[first.weekday].lower()
        raise BadInput(first.message, field=field)
    Shop.objects.select_for_update().get(pk=shop.pk)  # two savers at once would leave both their weeks
    OpeningHours.objects.of(shop).delete()
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens=opens, closes=closes)
        for day, windows in week.items()
        for opens, closes in windows
    )
    revision_raise(shop.pk)


@transaction.atomic
def closure_create(
    *, shop: Shop, starts_on: date, ends_on: date, person: Person | None = None, reason: str = ""
) -> Closure:
    """Close the shop, or note that `person` is away, from one day to another, both included.

    Raises BadInput where the days are reversed or are more than a year.
    """
    if ends_on < starts_on:
        raise BadInput(
            f"The last day, {say_day(ends_on, starts_on)}, comes before the first, {say_day(starts_on, ends_on)}. "
            "Change one of them.",
            field="ends_on",
        )
    if (ends_on - starts_on).days >= LONGEST_CLOSURE:
        raise BadInput(
            f"That is {(ends_on - starts_on).days + 1:,} days; at most {LONGEST_CLOSURE} can be entered at once. "
            "Look at the year of the last day.",
            field="ends_on",
        )
    closure = Closure.objects.create(
        shop=shop, starts_on=starts_on, ends_on=ends_on, person=person, reason=reason.strip()
    )
    revision_raise(shop.pk)
    return closure


@transaction.atomic
def closure_delete(closure: Closure) -> None:
    """Take a closure or an absence back."""
    closure.delete()
    revision_raise(closure.shop_id)
