"""Words of the days ahead."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import template

from analytics.pictures.ahead import Joint
from analytics.selectors.ahead import JobAhead, StageAhead
from shop.models import Shop
from shop.templatetags.shop_time import near

register = template.Library()


@register.filter
def latest(one: StageAhead, shop: Shop) -> str:
    """How late a stage may begin, in few words."""
    if one.begun:
        return "begun already"
    if one.too_late:
        return "now" if one.job.state == "safe" else "already too late"
    return near(one.safe, shop) if one.safe is not None else "no date"


@register.filter
def at_key(rows: Mapping[int, Any], key: int) -> Any:
    """The row of that key."""
    return rows[key]


@register.filter
def middle(joint: Joint) -> float:
    """Its middle, px."""
    return joint.x + joint.width / 2


@register.filter
def earlier(jobs: Sequence[JobAhead], one: JobAhead) -> str:
    """The place before the job above."""
    return f"before:{jobs[one.place - 2].job.number}"


@register.filter
def later(jobs: Sequence[JobAhead], one: JobAhead) -> str:
    """The place after the job below."""
    return f"after:{jobs[one.place].job.number}"


@register.filter
def about(one: float, other: float) -> bool:
    """Whether two numbers of dates are the same to a tenth."""
    return abs(one - other) < 0.05


@register.filter
def difference(one: float, other: float) -> str:
    """How many dates more, to a tenth."""
    return f"{one - other:.1f}"
