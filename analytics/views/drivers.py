"""The page of drivers: what they are, and which kind of stage depends on which."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from analytics.selectors.driver_effects import Effect, effects_of
from analytics.selectors.models import learned_stages
from analytics.services.relearning import is_outdated
from jobs.drivers import FROM_ITEMS, PLANNED
from jobs.models import Driver, StageKind
from jobs.selectors.drivers import DriverUse, driver_uses, ignored_drivers
from jobs.services.drivers import (
    Sort,
    dependence_save,
    driver_create,
    driver_delete,
    driver_update,
    is_fixed,
    sort_of,
)
from jobs.views.pages import page
from shop.errors import BadInput, ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role

BLANK: dict[str, str] = {"name": "", "sort": Sort.QUANTITY.value, "unit": "", "levels": ""}


@dataclass(frozen=True)
class DriverRow:
    """A driver as its list shows it. known: on how many records that are learned from it stands."""

    driver: Driver
    sort: Sort
    source: str
    known: int
    fixed: bool
    removable: bool

    @property
    def levels_text(self) -> str:
        """The words, a line each."""
        return "\n".join(self.driver.levels)


@dataclass(frozen=True)
class Tick:
    """One cell of the table: whether the kind's time depends on the driver, and what the clock says."""

    driver: Driver
    on: bool
    effect: Effect


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def drivers(request: ShopRequest) -> HttpResponse:
    """The drivers and the table; who plans adds a driver here."""
    typed = dict(BLANK)
    problem: BadInput | None = None
    if request.method == "POST":
        if not request.membership.may(Role.PLANNER):
            return for_role(Role.PLANNER)(lambda r: redirect("analytics:drivers"))(request)
        typed = {name: request.POST.get(name, "") for name in BLANK}
        try:
            made = driver_create(
                request.shop,
                name=typed["name"],
                sort=typed["sort"],
                unit=typed["unit"],
                levels=typed["levels"].splitlines(),
            )
            messages.success(request, f"{made.name} can be given with jobs from now on.")
            return redirect("analytics:drivers")
        except BadInput as bad:
            problem = bad
    context = {**_context(request.shop), "typed": typed, "problem": problem, "sorts": Sort.choices}
    return page(request, "analytics/drivers.html", context, 422 if problem else 200)


@require_POST
@for_role(Role.PLANNER)
def driver_press(request: ShopRequest, driver_id: int) -> HttpResponse:
    """Change a driver, or remove one that nothing uses."""
    driver = get_object_or_404(Driver.objects.of(request.shop).select_related("shop"), pk=driver_id)
    sent = request.POST
    try:
        if sent.get("do") == "remove":
            driver_delete(driver)
            messages.success(request, f"{driver.name} is removed.")
            return redirect("analytics:drivers")
        levels = sent.get("levels", "").splitlines()
        driver_update(driver, name=sent.get("name", ""), unit=sent.get("unit", ""), levels=levels)
        messages.success(request, f"{driver.name} is saved.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect(f"{reverse('analytics:drivers')}#driver-{driver_id}")


@require_POST
@for_role(Role.PLANNER)
def dependence(request: ShopRequest) -> HttpResponse:
    """Keep the ticks of the table. What was not on the page stays as it is."""
    kinds = list(StageKind.objects.of(request.shop).filter(pk__in=_keys(request, "kind")))
    shown = list(Driver.objects.of(request.shop).filter(pk__in=_keys(request, "driver")))
    ticked = {
        (int(kind), int(driver))
        for kind, _, driver in (text.partition("-") for text in request.POST.getlist("tick"))
        if kind.isdecimal() and driver.isdecimal()
    }
    changed = dependence_save(request.shop, kinds, shown, ticked)
    if changed:
        names = ", ".join(kind.name for kind in changed)
        messages.success(
            request,
            f"Saved: {names}. What was learned is being learned again; forecasts change once that is done.",
        )
    else:
        messages.info(request, "Nothing was changed.")
    return redirect(f"{reverse('analytics:drivers')}#stages")


def _context(shop: Shop) -> dict[str, Any]:
    rows = list(Driver.objects.of(shop).order_by("-stock", "name"))
    kinds = list(StageKind.objects.of(shop))
    known, ignored = learned_stages(shop), ignored_drivers(shop)
    effects, uses = effects_of(shop, kinds, rows, known), driver_uses(shop, rows)
    return {
        "rows": [
            _row(driver, sum(effects[kind.pk, driver.pk].n for kind in kinds), uses[driver.key])
            for driver in rows
        ],
        "table": [
            (
                kind,
                [
                    Tick(one, one.key not in ignored.get(kind.pk, ()), effects[kind.pk, one.pk])
                    for one in rows
                ],
            )
            for kind in kinds
        ],
        "drivers": rows,
        "relearning": is_outdated(shop),
    }


def _row(driver: Driver, known: int, use: DriverUse) -> DriverRow:
    fixed = is_fixed(driver)
    return DriverRow(
        driver, sort_of(driver), _source(driver, use), known, fixed, not driver.stock and not use.any
    )


def _source(driver: Driver, use: DriverUse) -> str:
    """Where its values come from, in words."""
    if driver.key in FROM_ITEMS:
        return "from a job's items"
    if driver.key == PLANNED:
        return f"written at stages: {use.words}" if use.any else "written at stages"
    if driver.key == "passes":
        return "taken to be 1 unless a job says otherwise"
    return f"asked with a job; given with {use.words}" if use.any else "asked with a job; not given yet"


def _keys(request: ShopRequest, name: str) -> list[int]:
    return [int(text) for text in request.POST.getlist(name) if text.isdecimal() and len(text) < 18]
