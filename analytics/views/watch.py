"""The page of the watch: which dates slip, how every open job stands, and who is told."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from analytics.models import Listener, ListenerKind
from analytics.selectors.outlooks import listeners, slips_past, watched
from analytics.services.listeners import hook_listener_add, listener_switch, mail_listener_add
from analytics.services.telling import NO_MAIL, listener_test
from analytics.services.watching import why_unknown
from analytics.services.webhooks import HEADER, NotSent
from jobs.views.pages import page
from shop.errors import BadInput
from shop.models import Role, User
from shop.permissions import ShopRequest, for_role

_SHOWN_ONCE = "listener_secret"


@never_cache
@require_GET
@for_role(Role.VIEWER)
def watch(request: ShopRequest) -> HttpResponse:
    """What slips, how the open jobs stand, and who is told."""
    return _shown(request)


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
    shop, now = request.shop, timezone.now()
    rows = watched(shop)
    outlooks = [row.outlook for row in rows if row.outlook]
    unknown = len(outlooks) < len(rows)
    why, left_out = why_unknown(shop, now) if unknown else ("", ())
    context = {
        "now": now,
        "slipping": [row for row in rows if row.slip],
        "rows": [row for row in rows if not row.slip],
        "worked_out_at": min((one.worked_out_at for one in outlooks), default=None),
        "unknown": unknown and len(outlooks) + len(left_out) < len(rows),
        "why_unknown": why,
        "left_out": left_out,
        "past": slips_past(shop),
        "listeners": listeners(shop),
        "no_mail": "" if settings.MAIL_IS_SET else NO_MAIL,
        "header": HEADER,
        "may_tell": request.membership.may(Role.PLANNER) and request.device is None,
        **_secret(request),
    }
    return page(request, "analytics/watch.html", {**context, **(more or {})}, status)


def _secret(request: ShopRequest) -> dict[str, object]:
    """The secret of the address that was just added: shown once."""
    key = request.session.pop(_SHOWN_ONCE, None) if request.method == "GET" else None
    made = Listener.objects.of(request.shop).filter(pk=key).first() if key else None
    return {"made": made} if made else {}
