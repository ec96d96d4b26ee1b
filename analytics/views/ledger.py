"""Pages of the dates that were given: kept or broken, how true their odds were, and what follows from it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from analytics.pictures.ledger import Dated, shares_picture, strip_picture
from analytics.selectors.following import following
from analytics.selectors.ledger import (
    Account,
    Asked,
    Entry,
    accounts,
    asked_accounts,
    csv_rows,
    ledger,
    months,
)
from analytics.selectors.ledger_quality import Standing, standing
from analytics.services.following import follow_set
from analytics.words import ledger as words
from jobs.models import JobType
from jobs.views.common import csv_answer, key_typed
from jobs.views.pages import page
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.templatetags.shop_time import shop_day

PER_PAGE = 25
MOST_STROKES = 150
"""Dates that the strip shows, the latest: more would stand on each other."""


@require_GET
@for_role(Role.VIEWER)
def promises(request: ShopRequest) -> HttpResponse:
    """The ledger of dates, with how true their odds were above it."""
    shop, now, asked = request.shop, timezone.now(), _asked(request)
    entries = ledger(shop, now)
    every = accounts(entries)
    part = Paginator(asked_accounts(shop, every, asked), PER_PAGE).get_page(request.GET.get("page"))
    found = following(shop, shop.confidence, now)
    context = {
        "any": bool(every),
        "asked": asked,
        "query": asked.query(),
        "page": part,
        "rows": [_row(one) for one in part.object_list],
        "outcomes": words.OUTCOMES,
        "months": months(shop, every),
        "types": JobType.objects.of(shop),
        "following": found,
        "following_said": words.say_following(found, shop.confidence_follows),
        "rests": words.say_rests(found),
        "may_switch": request.membership.may(Role.OWNER),
        **_said(standing(shop, entries, now)),
        "strip": strip_picture(_dated(shop, entries), shop.zone),
        "most_strokes": MOST_STROKES,
    }
    return page(request, "analytics/promises.html", context)


@require_GET
@for_role(Role.VIEWER)
def promises_csv(request: ShopRequest) -> HttpResponse:
    """The dates that the filters ask for, with those before them, as a file for a spreadsheet."""
    found = asked_accounts(request.shop, accounts(ledger(request.shop, timezone.now())), _asked(request))
    return csv_answer("promises.csv", csv_rows(found))


@require_POST
@for_role(Role.OWNER)
def promises_follow(request: ShopRequest) -> HttpResponse:
    """Let dates follow the past, or not."""
    wanted = request.POST.get("follow", "")
    if wanted not in ("on", "off"):
        return HttpResponseBadRequest("Press one of the page's buttons: nothing was changed.")
    follow_set(request.shop, wanted == "on")
    messages.success(
        request,
        "Dates follow the past from now on. Those already given stay as they are."
        if wanted == "on"
        else "Dates are set at the shop's own confidence again. Those already given stay as they are.",
    )
    return redirect("analytics:promises")


def _asked(request: ShopRequest) -> Asked:
    """What the filters ask for; what makes no sense asks for nothing."""
    get = request.GET.get
    outcome, month = get("outcome", ""), get("month", "")
    return Asked(
        outcome if outcome in dict(words.OUTCOMES) else "",
        month if re.fullmatch(r"\d{4}-\d{2}", month) else "",
        JobType.objects.of(request.shop).filter(pk=key_typed(get("type"))).first(),
        get("text", "").strip()[:80],
    )


def _row(account: Account) -> dict[str, object]:
    return {
        "account": account,
        "head": account.head,
        "said": words.say_outcome(account.head),
        "open_hours": words.say_open(account.head),
        "first": words.say_first(account),
        "history": [(one, words.say_outcome(one)) for one in account.history],
    }


def _said(found: Standing) -> dict[str, object]:
    """The page's sentences and pictures of the figures."""
    if found.every is None:
        return {"standing": found}
    every = found.every.first
    return {
        "standing": found,
        "kept_said": words.say_kept(every, words.say_stated(every)),
        "verdict": every.verdict,
        "verdict_said": words.say_verdict(every),
        "worth": words.say_worth(every),
        "sections": [
            (part, shares_picture([(group.name, group.first) for group in part.groups]))
            for part in found.sections
            if len(part.groups) > 1 or part.key == "odds"
        ],
        "parts": list(zip(words.PARTS, found.parts, strict=True)) if found.parts else [],
        "parts_said": words.say_parts(found.parts),
    }


def _dated(shop: Shop, entries: Sequence[Entry]) -> list[Dated]:
    """The latest dates that have passed, as the strip shows them."""
    passed = [one for one in entries if one.judged.first is not None and one.off is not None]
    return [
        Dated(
            one.promise.promised_at,
            one.off or 0.0,
            bool(one.judged.first),
            f"Job {one.job.number}, {shop_day(one.promise.promised_at, shop)}: {words.say_outcome(one)}",
        )
        for one in sorted(passed, key=lambda one: one.promise.promised_at)[-MOST_STROKES:]
    ]
