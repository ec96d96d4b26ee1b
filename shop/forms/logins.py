"""Giving somebody a log-in."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import SetPasswordForm

from shop.errors import BadInput
from shop.forms.shop import UsernameField
from shop.models import Person, Role, Shop, User
from shop.services.logins import login_create


class LoginForm(forms.Form):
    """A new log-in."""

    username = UsernameField(label="Log-in’s name", help_text="One word, as ben or ben.c")
    role = forms.ChoiceField(
        choices=Role.choices,
        initial=Role.MAKER,
        help_text="Viewers only look. Makers also clock work. Planners also keep jobs, enquiries, promises, films "
        "and absences. Owners do everything.",
    )
    person = forms.ModelChoiceField(
        Person.objects.none(),
        required=False,
        empty_label="Nobody: it is shared",
        help_text="Whose taps they are.",
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data)
        self.shop = shop
        person = self.fields["person"]
        assert isinstance(person, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        person.queryset = Person.objects.of(shop).filter(active=True, user=None)

    def save(self) -> tuple[User, str] | None:
        """The log-in and its one-time password; None where it was refused, with the reason at its field."""
        try:
            return login_create(shop=self.shop, **self.cleaned_data)
        except BadInput as bad:
            self.add_error(bad.field or None, bad.message)
            return None


class ChoosePasswordForm(SetPasswordForm):  # type: ignore[type-arg]
    """One's own password in place of the one-time one."""

    def save(self, commit: bool = True) -> User:
        """Keep it; the one-time password is spent."""
        self.user.password_is_one_time = False
        user: User = super().save(commit)
        return user
