"""What every template is given by analytics."""

from collections.abc import Callable
from functools import partial

from django.http import HttpRequest

from analytics.selectors.outlooks import slipping_count
from shop.models import Role


def dates_at_risk(request: HttpRequest) -> dict[str, Callable[[], int]]:
    """`dates_at_risk`: how many promises slip, for those who plan; counted only where it is shown."""
    membership = getattr(request, "membership", None)
    if membership is None or getattr(request, "device", None) is not None or not membership.may(Role.PLANNER):
        return {}
    return {"dates_at_risk": partial(slipping_count, membership.shop)}
