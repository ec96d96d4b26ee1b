"""Instants on a page, on the shop's own wall clock, whatever zone the server or the browser is in.

`{{ job.due_at|shop_time:shop }}` is 'Thursday 3 December, 16:00'; the year is said where it is another one.
"""

from datetime import date, datetime

from django import template
from django.utils import timezone

from shop.models import Shop
from shop.words import say_clock, say_day, say_instant, say_near

register = template.Library()


@register.filter
def shop_time(at: datetime | None, shop: Shop) -> str:
    """An aware instant as 'Thursday 3 December, 16:00'; empty for none."""
    return "" if at is None else say_instant(shop.local(at), _today(shop))


@register.filter
def shop_day(at: datetime | date | None, shop: Shop) -> str:
    """An aware instant, or a plain date, as 'Thursday 3 December'; empty for none."""
    if at is None:
        return ""
    return say_day(shop.local(at).date() if isinstance(at, datetime) else at, _today(shop))


@register.filter
def shop_clock(at: datetime | None, shop: Shop) -> str:
    """An aware instant as '16:00'; empty for none."""
    return "" if at is None else say_clock(shop.local(at))


@register.filter
def shop_seconds(at: datetime | None, shop: Shop) -> str:
    """An aware instant as '09:14:30'; empty for none."""
    return "" if at is None else say_clock(shop.local(at), seconds=True)


@register.filter
def near(at: datetime | None, shop: Shop) -> str:
    """An aware instant in few signs: '14:05' today, 'Fri 09:30' within a week, else 'Sat 12 Dec 09:30'."""
    return "" if at is None else say_near(shop.local(at), _today(shop))


def _today(shop: Shop) -> date:
    return shop.local(timezone.now()).date()
