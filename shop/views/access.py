"""Logging in, and one's own password."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import views as auth
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.tokens import default_token_generator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse_lazy
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode
from django.views.decorators.http import require_GET

from shop.forms.logins import ChoosePasswordForm
from shop.models import Role, User
from shop.permissions import ShopRequest, for_role
from shop.selectors import has_owner
from shop.views.page import page


class LogIn(auth.LoginView):
    """The log-in page. A one-time password only leads to where another is chosen."""

    redirect_authenticated_user = True

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        """Where nobody can log in yet, the set-up."""
        return super().dispatch(request, *args, **kwargs) if has_owner() else redirect("shop:setup")

    def form_valid(self, form: AuthenticationForm) -> Any:
        """Log in, or choose a password first."""
        user = form.get_user()
        if isinstance(user, User) and user.password_is_one_time:
            key = urlsafe_base64_encode(force_bytes(user.pk))
            return redirect("password-choose", uidb64=key, token=default_token_generator.make_token(user))
        return super().form_valid(form)


class ChoosePassword(auth.PasswordResetConfirmView):
    """Choosing one's own password after a one-time one."""

    form_class = ChoosePasswordForm
    template_name = "shop/password_choose.html"
    success_url = reverse_lazy("shop:home")
    post_reset_login = True
    post_reset_login_backend = "django.contrib.auth.backends.ModelBackend"


class ChangePassword(auth.PasswordChangeView):
    """Changing one's own password."""

    template_name = "shop/password_change.html"
    success_url = reverse_lazy("shop:account")

    def form_valid(self, form: Any) -> HttpResponse:
        """Say that it is done."""
        messages.success(self.request, "Your password is changed. Other devices have to log in again.")
        return super().form_valid(form)


@require_GET
@for_role(Role.VIEWER)
def account(request: ShopRequest) -> HttpResponse:
    """One's own log-in."""
    return page(request, "shop/account.html")


@for_role(Role.VIEWER)
def change_password(request: ShopRequest) -> HttpResponse:
    """`ChangePassword` for those logged in to a shop."""
    answer: HttpResponse = ChangePassword.as_view()(request)  # type: ignore[assignment]
    return answer
