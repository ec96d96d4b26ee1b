"""What every template is given."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from shop.models import Device, Membership, Purpose, Role
from shop.shared import somebody


@dataclass(frozen=True)
class NavLink:
    """One entry of the page's navigation."""

    url: str
    label: str
    current: bool


# What lies at another address than the place that it belongs to.
_ALSO = {
    "jobs:floor": ("/doubts/",),
    "jobs:ready": ("/recipes/",),
    "jobs:job-list": ("/customers/", "/again/", "/job-types/", "/stage-kinds/", "/drivers/"),
    "analytics:ahead": ("/order/", "/watch/", "/promises/", "/replay/"),
    "analytics:dashboard": ("/forecasts/",),
    "shop:settings": ("/causes/", "/import/", "/export/", "/addresses/"),
}
_PLACES = (
    ("jobs:floor", "Floor", Role.MAKER),
    ("jobs:ready", "Get ready", Role.MAKER),
    ("jobs:job-list", "Jobs", Role.VIEWER),
    ("analytics:ahead", "Ahead", Role.VIEWER),
    ("analytics:wall", "Wall", Role.VIEWER),
    ("analytics:enquiry", "Enquiry", Role.PLANNER),
    ("analytics:dashboard", "Durations", Role.VIEWER),
    ("shop:settings", "Shop", Role.PLANNER),
)


def shop(request: HttpRequest) -> dict[str, Any]:
    """`shop`, `membership`, `device` and `nav`: the navigation that the log-in's role may see.

    A shared tablet at which nobody is has none: every place would lead back to the names.
    """
    membership: Membership | None = getattr(request, "membership", None)
    if membership is None:
        return {"shop": None, "membership": None, "device": None, "nav": []}
    device: Device | None = getattr(request, "device", None)
    asks_who = device is not None and device.purpose == Purpose.FLOOR and not somebody(request.session)
    nav = [
        NavLink(url, label, request.path.startswith((url, *_ALSO.get(name, ()))))
        for name, url, label, role in ((name, reverse(name), label, role) for name, label, role in _PLACES)
        if membership.may(role) and not asks_who
    ]
    return {"shop": membership.shop, "membership": membership, "device": device, "nav": nav}
