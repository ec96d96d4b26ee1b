"""The page of the watch: which dates slip, how every open job stands, and who is told."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from analytics.engine.work import LeftOut
from analytics.models import Listener, ListenerKind
from analytics.selectors.outlooks import Watched, listeners, slips_past, watch_stamp, watched
from analytics.services.listeners import hook_listener_add, listener_switch, mail_listener_add
from analytics.services.telling import NO_MAIL, listener_test
from analytics.services.watching import why_unknown
from analytics.services.webhooks import HEADER, NotSent
from analytics.views.fresh import is_part, tag_of, tagged, unchanged
from jobs.views.pages import page
from shop.errors import BadInput
from shop.models import Role, Shop, User
from shop.permissions import ShopRequest, for_role

_SHOWN_ONCE = "listener_secret"


@never_cache
@require_GET
@for_role(Role.VIEWER)
def watch(request: ShopRequest) -> HttpResponse:
    """What slips, how the open jobs stand, and who is told; with X-Part only how they stand, 304 where it is known."""
    tag = tag_of(request, watch_stamp(request.shop))
    known = unchanged(request, tag)
    if known is not None:
        return known
    if is_part(request):
        return tagged(page(request, "analytics/_watch.html", _stands(request)), tag)
    return tagged(_shown(request, {"tag": tag}), tag)


@require_POST
@for_role(Role.PLANNER)
def listener_new(request: ShopRequest) -> HttpResponse:
    """Somebody more to tell: by e-mail, or at an address."""
    kind, where = request.POST.get("kind", ""), request.POST.get("where", "")
    if kind not in ListenerKind.values:
        return HttpResponseBadRequest("Press one of the page's buttons: nothing was changed.")
    add = mail_listener_add if kind == ListenerKind.EMAIL else hook_listener_add
    assert isinstance(request.user, User)  # noqa: S101 - for_role asks for a log-in
    try:
        made = add(request.shop, where, request.user, timezone.now())
    except BadInput as wrong:
        return _shown(request, {"wrong": {"kind": kind, "where": where, "why": wrong.message}}, 422)
    if made.secret:
        request.session[_SHOWN_ONCE] = made.pk
    messages.success(request, f"{made} is told of dates that slip from now on.")
    return redirect("analytics:watch")


@require_POST
@for_role(Role.PLANNER)
def listener_press(request: ShopRequest, listener_id: int) -> HttpResponse:
    """Test somebody who is told, leave them out, take them in again, or remove them."""
    listener = get_object_or_404(Listener.objects.of(request.shop), pk=listener_id)
    wanted = request.POST.get("do", "")
    if wanted == "test":
        _test(request, listener)
    elif wanted in ("on", "off"):
        listener_switch(listener, wanted == "on")
        said = "is told again" if wanted == "on" else "is told nothing until you say so"
        messages.success(request, f"{listener} {said}.")
    elif wanted == "remove":
        listener.delete()
        messages.success(request, f"{listener} is removed.")
    else:
        return HttpResponseBadRequest("Press one of the page's buttons: nothing was changed.")
    return redirect("analytics:watch")


def _test(request: ShopRequest, listener: Listener) -> None:
    try:
        listener_test(listener, timezone.now())
        messages.success(request, f"The test reached {listener}.")
    except NotSent as why:
        messages.error(request, f"The test did not reach {listener}. {why}")


def _shown(request: ShopRequest, more: dict[str, object] | None = None, status: int = 200) -> HttpResponse:
    context = {
        "tag": tag_of(request, watch_stamp(request.shop)),
        **_stands(request),
        "listeners": listeners(request.shop),
        "no_mail": "" if settings.MAIL_IS_SET else NO_MAIL,
        "header": HEADER,
        **_secret(request),
    }
    return page(request, "analytics/watch.html", {**context, **(more or {})}, status)


def _stands(request: ShopRequest) -> dict[str, object]:
    """How the open jobs stand: the part of the page that keeps itself up to date."""
    shop, now = request.shop, timezone.now()
    rows = watched(shop)
    outlooks = [row.outlook for row in rows if row.outlook]
    why, left_out = _unknown(shop, now, rows)
    known = sum(bool(row.outlook or row.why) for row in rows)
    return {
        "now": now,
        "slipping": [row for row in rows if row.slip],
        "rows": [row for row in rows if not row.slip],
        "worked_out_at": min((one.worked_out_at for one in outlooks), default=None),
        "unknown": bool(why) or known + len(left_out) < len(rows),
        "why_unknown": why,
        "left_out": left_out,
        "past": slips_past(shop),
        "may_tell": request.membership.may(Role.PLANNER) and request.device is None,
    }


def _unknown(shop: Shop, now: datetime, rows: Sequence[Watched]) -> tuple[str, Sequence[LeftOut]]:
    """Why nothing can be said of any open job; and of which alone that is so, but for those that slip by it."""
    if any(not (row.outlook or row.why) for row in rows):  # the watch has not looked at it yet
        return why_unknown(shop, now)
    reasons = {row.why for row in rows}
    if len(rows) > 1 and len(reasons) == 1 and all(reasons):
        return reasons.pop(), ()
    return "", [LeftOut(0, row.job.number, row.why) for row in rows if row.why and not row.slip]


def _secret(request: ShopRequest) -> dict[str, object]:
    """The secret of the address that was just added: shown once."""
    key = request.session.pop(_SHOWN_ONCE, None) if request.method == "GET" else None
    made = Listener.objects.of(request.shop).filter(pk=key).first() if key else None
    return {"made": made} if made else {}
