"""What a shop says of itself, and the first owner's log-in."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from shop.addresses import EXAMPLE, web_address
from shop.errors import BadInput, ShopError
from shop.forms.fields import ListedInput
from shop.holidays import countries, regions
from shop.models import Membership, Shop, Units, User
from shop.money import CURRENCIES
from shop.services.logins import owner_setup
from shop.services.shops import shop_update
from shop.words import CONFIDENCES, say_confidence
from shop.zones import zone_named, zone_names

LABOUR = (
    "labour_per_hour",
    "address",
    "names_after_min",
    "roll_change_min",
    "expects_arrivals",
    "confidence_follows",
)


class UsernameField(forms.CharField):
    """A log-in's name, by the rules of the user model."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=60, **kwargs)
        self.validators.extend(User._meta.get_field("username").validators[:1])
        self.error_messages["invalid"] = "Use letters, digits, dots and dashes, without spaces."
        self.widget.attrs.update(
            {"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}
        )


class ShopFactsForm(forms.Form):
    """The shop's name, zone, units, currency and confidence."""

    name = forms.CharField(label="Shop’s name", max_length=120)
    time_zone = forms.CharField(
        max_length=64,
        widget=ListedInput(zone_names(), {"data-guess-zone": ""}),
        help_text="Type your city. Opening hours and promised dates are on this clock.",
    )
    units = forms.ChoiceField(choices=Units.choices)
    currency = forms.ChoiceField(choices=[(code, code) for code in CURRENCIES])
    confidence = forms.TypedChoiceField(
        label="Promise dates that you keep",
        coerce=float,
        choices=[(str(value), say_confidence(value)) for value in CONFIDENCES],
        help_text="The surer the promise, the later the date. Eight times in ten is a good start.",
    )

    def __init__(self, data: Any = None, *, shop: Shop | None = None, initial: Any = None) -> None:
        known = {name: getattr(shop, name) for name in ShopFactsForm.base_fields} if shop else {}
        super().__init__(data, initial={**known, **(initial or {})})
        self.shop = shop
        odds = self.fields["confidence"]
        if shop and shop.confidence not in CONFIDENCES and isinstance(odds, forms.TypedChoiceField):
            odds.choices = [*odds.choices, (str(shop.confidence), say_confidence(shop.confidence))]  # type: ignore[misc]

    def clean_time_zone(self) -> str:
        """The zone's own name."""
        try:
            return zone_named(self.cleaned_data["time_zone"])
        except BadInput as bad:
            raise ValidationError(bad.message) from None

    def save(self) -> Shop:
        """Change the shop."""
        assert self.shop is not None  # noqa: S101 - tells the type checker
        return shop_update(self.shop, **{name: self.cleaned_data[name] for name in ShopFactsForm.base_fields})


class LabourForm(ShopFactsForm):
    """The shop's facts with what an hour of work costs, where phones reach the program, and what dates allow for."""

    address = forms.CharField(
        label="Address that phones open",
        max_length=200,
        required=False,
        widget=forms.TextInput({"inputmode": "url", "autocapitalize": "none", "spellcheck": "false"}),
        help_text=f"Stands in the codes of tickets and invitations, as {EXAMPLE}. Empty: the address that they are "
        "made at.",
    )

    names_after_min = forms.IntegerField(
        label="A shared tablet asks for the name again after, minutes",
        min_value=1,
        max_value=240,
        help_text="Minutes without a press, from 1 to 240.",
    )

    expects_arrivals = forms.BooleanField(
        label="Dates allow for work that comes in later",
        required=False,
        help_text="As much of it as came in during the last three months. Off: a date holds only if nothing nearer "
        "is promised after it.",
    )

    confidence_follows = forms.BooleanField(
        label="Dates follow how often those before were kept",
        required=False,
        help_text="Later where fewer were kept than said, nearer where more were, so that the odds come true.",
    )

    roll_change_min = forms.IntegerField(
        label="Putting another film on a machine takes, minutes",
        min_value=0,
        max_value=240,
        required=False,
        help_text="0 where the set-up that is clocked holds it already.",
    )

    labour_per_hour = forms.DecimalField(
        label="An hour of work costs", min_value=0, max_value=99_999, decimal_places=2, required=False
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data, shop=shop, initial={name: getattr(shop, name) for name in LABOUR})
        self.fields["labour_per_hour"].label = f"An hour of work costs, {shop.currency}"

    def clean_address(self) -> str:
        """The address without what does not belong to it."""
        try:
            return web_address(self.cleaned_data["address"])
        except BadInput as bad:
            raise ValidationError(bad.message) from None

    def save(self) -> Shop:
        """Change the shop."""
        shop, given = super().save(), self.cleaned_data
        return shop_update(
            shop,
            labour_per_hour=given["labour_per_hour"] or 0,
            address=given["address"],
            names_after_min=given["names_after_min"],
            roll_change_min=given["roll_change_min"] or 0,
            expects_arrivals=given["expects_arrivals"],
            confidence_follows=given["confidence_follows"],
        )


class SetupForm(ShopFactsForm):
    """The first page of a new shop: the owner's log-in and the shop's facts."""

    username = UsernameField(label="Your name", help_text="You log in with it. One word, as ada or ada.b")
    password = forms.CharField(
        label="Password",
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
        help_text="At least 8 characters. Three words that have nothing to do with each other do well.",
    )
    again = forms.CharField(
        label="Password again", strip=False, widget=forms.PasswordInput({"autocomplete": "new-password"})
    )
    holiday_country = forms.ChoiceField(
        label="Country, for its holidays",
        required=False,
        choices=[("", "None: I enter them myself"), *countries().items()],
    )
    field_order = [
        "username",
        "password",
        "again",
        "name",
        "time_zone",
        "holiday_country",
        "units",
        "currency",
    ]

    def clean(self) -> dict[str, Any]:
        """The two passwords agree and are good enough."""
        data = super().clean() or self.cleaned_data
        password, again = data.get("password"), data.get("again")
        if password and again and password != again:
            self.add_error("again", "The two passwords differ. Type the same one twice.")
        elif password:
            try:
                validate_password(password, User(username=data.get("username", "")))
            except ValidationError as weak:
                self.add_error("password", weak)
        return data

    def create(self) -> Membership | None:
        """Make the owner and the shop; None where it was refused, with the reason at its field."""
        facts = {name: value for name, value in self.cleaned_data.items() if name != "again"}
        try:
            return owner_setup(**facts)
        except ShopError as refused:
            self.add_error(refused.field or None, refused.message)
            return None


class RegionForm(forms.Form):
    """Whose regional holidays the shop keeps, of those in its country; without any it asks nothing."""

    holiday_region = forms.ChoiceField(
        label="Region, for its holidays",
        required=False,
        help_text="Where holidays differ from region to region.",
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data, initial={"holiday_region": shop.holiday_region})
        self.shop = shop
        region = self.fields["holiday_region"]
        known = regions(shop.holiday_country) if shop.holiday_country in countries() else {}
        if isinstance(region, forms.ChoiceField):
            region.choices = [("", "The whole country’s"), *known.items()]
        if not known:
            del self.fields["holiday_region"]

    def save(self) -> Shop:
        """Change it."""
        return shop_update(self.shop, holiday_region=self.cleaned_data.get("holiday_region", ""))


class HolidaysForm(RegionForm):
    """Whose national holidays the shop keeps."""

    holiday_country = forms.ChoiceField(
        label="Country",
        required=False,
        choices=[("", "None: I enter them as closures"), *countries().items()],
    )
    field_order = ("holiday_country", "holiday_region")

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data, shop=shop)
        self.initial["holiday_country"] = shop.holiday_country
        if self.data.get("holiday_country", shop.holiday_country) != shop.holiday_country:
            self.fields.pop("holiday_region", None)  # it was another country's

    def save(self) -> Shop:
        """Change them. Another country begins without a region."""
        country, region = self.cleaned_data["holiday_country"], self.cleaned_data.get("holiday_region", "")
        return shop_update(self.shop, holiday_country=country, holiday_region=region)
