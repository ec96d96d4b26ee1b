"""The owner's page of sharing what was learned with the other shops here."""

from __future__ import annotations

import json
from functools import partial

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from analytics.engine.across import FEWEST_RECORDS, FEWEST_SHOPS
from analytics.models import AdoptedPrior
from analytics.selectors.sharing import coefficients_of, enough, others_sharing, published_of, said_by_others
from analytics.services.relearning import is_outdated
from analytics.services.sharing import prior_take, sharing_set
from analytics.tasks import enqueue_relearning
from jobs.models import StageKind
from shop.errors import ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.views.page import page


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def sharing(request: ShopRequest) -> HttpResponse:
    """What leaves the shop, what it took, and the switch."""
    return _press(request) if request.method == "POST" else _show(request)


def _press(request: ShopRequest) -> HttpResponse:
    shop, wanted = request.shop, request.POST.get("do", "")
    if wanted not in ("on", "off", "take"):
        return HttpResponseBadRequest("Press one of the page's buttons: nothing was changed.")
    try:
        with transaction.atomic():
            said = _take(shop) if wanted == "take" else _switch(shop, wanted == "on")
            transaction.on_commit(partial(enqueue_relearning, shop.pk))
        messages.success(request, said)
    except ShopError as problem:
        messages.error(request, problem.message)
    return redirect("analytics:sharing")


def _take(shop: Shop) -> str:
    parts = prior_take(shop, timezone.now())
    return f"Taken for {parts} part{'s' if parts != 1 else ''} of stages."


def _switch(shop: Shop, on: bool) -> str:
    sharing_set(shop, on)
    return (
        "This shop shares what it has learned."
        if on
        else "This shop shares nothing, and what it took is given back."
    )


def _show(request: ShopRequest) -> HttpResponse:
    shop = request.shop
    names = dict(StageKind.objects.of(shop).values_list("key", "name"))
    said = published_of(shop)
    taken = AdoptedPrior.objects.of(shop).order_by("kind_key", "part")
    context = {
        "published": [
            (names.get(one.kind, one.kind), one, coefficients_of(one, shop), json.dumps(one.to_dict()))
            for one in said
        ],
        "taken": [(names.get(row.kind_key, row.kind_key), row) for row in taken],
        "others": others_sharing(shop),
        "any_other": Shop.objects.exclude(pk=shop.pk).exists(),
        "on_offer": len(enough(said_by_others(shop))) if shop.shares_learning else 0,
        "fewest_shops": FEWEST_SHOPS,
        "fewest_records": FEWEST_RECORDS,
        "relearning": is_outdated(shop),
    }
    return page(request, "analytics/sharing.html", context)
