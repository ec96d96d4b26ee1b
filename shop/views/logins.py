"""Who may log in to the shop. Owners only."""

from __future__ import annotations

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from shop.errors import ShopError
from shop.forms.logins import LoginForm
from shop.models import Membership, Role
from shop.permissions import ShopRequest, for_role
from shop.services.logins import login_remove, password_reset, role_change
from shop.views.page import page

_SHOWN_ONCE = "one-time password"


@never_cache
@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def logins(request: ShopRequest) -> HttpResponse:
    """The shop's log-ins, and a form for another."""
    form = LoginForm(request.POST if request.method == "POST" else None, shop=request.shop)
    if form.is_valid() and (made := form.save()):
        return _show_once(request, made[0].get_username(), made[1])
    context = {
        "form": form,
        "roles": Role.choices,
        "members": _members(request).select_related("user__person").order_by("user__username"),
        "given": request.session.pop(_SHOWN_ONCE, None) if request.method == "GET" else None,
    }
    return page(request, "shop/logins.html", context, 422 if form.errors else 200)


@require_POST
@for_role(Role.OWNER)
def login_role(request: ShopRequest, login_id: int) -> HttpResponse:
    """Give a log-in another role."""
    member = get_object_or_404(_members(request), pk=login_id)
    role = request.POST.get("role", "")
    if role not in Role.values:
        messages.error(request, "That is not a role. Choose one from the list.")
        return redirect("shop:logins")
    try:
        role_change(member, Role(role))
        messages.success(request, f"{member.user} is now {Role(role).label.lower()}.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("shop:home" if member.user_id == request.user.pk else "shop:logins")


@require_POST
@for_role(Role.OWNER)
def login_reset(request: ShopRequest, login_id: int) -> HttpResponse:
    """Replace a forgotten password by a one-time one."""
    member = get_object_or_404(_members(request), pk=login_id)
    if member.user_id == request.user.pk:
        return redirect("password-change")
    return _show_once(request, member.user.get_username(), password_reset(member))


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def login_delete(request: ShopRequest, login_id: int) -> HttpResponse:
    """Ask, and remove a log-in."""
    member = get_object_or_404(_members(request), pk=login_id)
    if request.method == "GET":
        return page(request, "shop/login_remove.html", {"member": member})
    name, own = str(member.user), member.user_id == request.user.pk
    try:
        login_remove(member)
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("shop:logins")
    if own:
        return redirect("login")
    messages.success(request, f"{name} can no longer log in. What was clocked stays.")
    return redirect("shop:logins")


def _members(request: ShopRequest) -> QuerySet[Membership]:
    """People's log-ins; devices are listed apart."""
    return Membership.objects.filter(shop=request.shop, user__device=None).select_related("user")


def _show_once(request: ShopRequest, username: str, password: str) -> HttpResponse:
    """Keep a one-time password until the list is next shown, and no longer."""
    request.session[_SHOWN_ONCE] = {"username": username, "password": password}
    return redirect("shop:logins")
