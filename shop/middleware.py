"""Which shop a request is about."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from shop.models import Membership


class CurrentShopMiddleware:
    """Set `request.membership` and `request.shop` from the log-in; both None without one."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        membership = None
        if request.user.is_authenticated:
            membership = Membership.objects.select_related("shop").filter(user=request.user).first()
        request.membership = membership  # type: ignore[attr-defined]
        request.shop = membership.shop if membership else None  # type: ignore[attr-defined]
        return self.get_response(request)
