"""What every template is given."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from shop.models import Membership, Role


@dataclass(frozen=True)
class NavLink:
    """One entry of the page's navigation."""

    url: str
    label: str
    current: bool


_PLACES = (
    ("jobs:floor", "Floor", Role.MAKER),
    ("jobs:job-list", "Jobs", Role.VIEWER),
    ("analytics:enquiry", "Enquiry", Role.PLANNER),
    ("analytics:dashboard", "Durations", Role.VIEWER),
    ("shop:settings", "Shop", Role.PLANNER),
)


def shop(request: HttpRequest) -> dict[str, Any]:
    """`shop`, `membership` and `nav`: the navigation that the log-in's role may see."""
    membership: Membership | None = getattr(request, "membership", None)
    if membership is None:
        return {"shop": None, "membership": None, "nav": []}
    nav = [
        NavLink(url, label, request.path.startswith(url))
        for url, label, role in ((reverse(name), label, role) for name, label, role in _PLACES)
        if membership.may(role)
    ]
    return {"shop": membership.shop, "membership": membership, "nav": nav}
