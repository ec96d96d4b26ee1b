"""Who may do what, on pages and in the API."""

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from shop.models import Device, Membership, Role, Shop

if TYPE_CHECKING:  # the views import their default permissions, so not the other way round
    from rest_framework.views import APIView

P = ParamSpec("P")
SAFE = frozenset(SAFE_METHODS)


# Never on a shared device, whatever role its log-in may have come by.
_OWN_LOG_IN = (Role.OWNER, Role.PLANNER)


class ShopRequest(HttpRequest):
    """A request of somebody logged in to a shop: what views behind `for_role` are given."""

    shop: Shop
    membership: Membership
    device: Device | None


def for_role(
    role: Role,
) -> Callable[
    [Callable[Concatenate[ShopRequest, P], HttpResponse]], Callable[Concatenate[HttpRequest, P], HttpResponse]
]:
    """A view for log-ins that may do what `role` may. Without a log-in: to the log-in page."""

    def decorate(
        view: Callable[Concatenate[ShopRequest, P], HttpResponse],
    ) -> Callable[Concatenate[HttpRequest, P], HttpResponse]:
        @wraps(view)
        def guarded(request: HttpRequest, /, *args: P.args, **kwargs: P.kwargs) -> HttpResponse:
            if not request.user.is_authenticated:
                return redirect_to_login(request.get_full_path())
            membership: Membership | None = request.membership  # type: ignore[attr-defined]
            if membership is None:
                return redirect("shop:setup")
            if getattr(request, "device", None) is not None and role in _OWN_LOG_IN:
                raise PermissionDenied("This is done at somebody's own log-in, not on a shared device.")
            if not membership.may(role):
                raise PermissionDenied(
                    f"This needs the {role.label.lower()}'s log-in; yours is a {membership.role}'s."
                )
            return view(request, *args, **kwargs)  # type: ignore[arg-type]

        return guarded

    return decorate


class InShop(BasePermission):
    """API: viewers and above may read; `view.write_role` (makers by default) and above may write."""

    message = "Your log-in may not do this in this shop."

    def has_permission(self, request: Request, view: "APIView") -> bool:
        """Whether the log-in's role allows the method."""
        membership: Any = getattr(request, "membership", None) or getattr(
            request._request, "membership", None
        )
        if membership is None:
            return False
        needed = Role.VIEWER if request.method in SAFE_METHODS else getattr(view, "write_role", Role.MAKER)
        shared = getattr(request._request, "device", None) is not None
        return bool(membership.may(needed)) and not (shared and needed in _OWN_LOG_IN)
