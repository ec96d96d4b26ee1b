"""What a browser's languages suggest about a shop that is being set up. Pure; only ever a first value."""

from __future__ import annotations

import re
from dataclasses import dataclass

from shop.holidays import countries
from shop.models import Units

_EURO = "AT BE CY DE EE ES FI FR GR HR IE IT LT LU LV MT NL PT SI SK"
# ISO 4217 codes by ISO 3166 country, from memory.
_CURRENCY = dict.fromkeys(_EURO.split(), "EUR") | {
    "AU": "AUD", "BR": "BRL", "CA": "CAD", "CH": "CHF", "CL": "CLP", "CN": "CNY", "CO": "COP", "CZ": "CZK",
    "DK": "DKK", "GB": "GBP", "HK": "HKD", "HU": "HUF", "ID": "IDR", "IL": "ILS", "IN": "INR", "IS": "ISK",
    "JP": "JPY", "KE": "KES", "KR": "KRW", "MX": "MXN", "MY": "MYR", "NG": "NGN", "NO": "NOK", "NZ": "NZD",
    "PE": "PEN", "PH": "PHP", "PL": "PLN", "RO": "RON", "SE": "SEK", "SG": "SGD", "TH": "THB", "TR": "TRY",
    "TW": "TWD", "UA": "UAH", "US": "USD", "VN": "VND", "ZA": "ZAR",
}  # fmt: skip
# Where feet and inches are the everyday measure of a sign.
_IMPERIAL = ("US", "LR")


@dataclass(frozen=True)
class Guess:
    """First values for a new shop."""

    country: str = ""
    currency: str = "EUR"
    units: str = Units.METRIC


def guess_place(accept_language: str) -> Guess:
    """From an Accept-Language header (RFC 9110, 12.5.4), as 'en-GB,en;q=0.9': its first known region."""
    for region in re.findall(r"\b[a-zA-Z]{2,3}(?:-[A-Za-z]{4})?-([A-Za-z]{2})\b", accept_language):
        country = region.upper()
        if country in countries():
            units = Units.IMPERIAL if country in _IMPERIAL else Units.METRIC
            return Guess(country, _CURRENCY.get(country, "EUR"), units)
    return Guess()
