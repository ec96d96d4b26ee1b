"""Money in the shop's currency. Pure."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

# Active codes of ISO 4217, and those with no or three digits after the point. From memory.
_CODES = (
    "AED AFN ALL AMD ANG AOA ARS AUD AWG AZN BAM BBD BDT BGN BHD BIF BMD BND BOB BRL BSD BTN BWP BYN BZD CAD "
    "CDF CHF CLP CNY COP CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GNF GTQ "
    "GYD HKD HNL HTG HUF IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR KMF KPW KRW KWD KYD KZT LAK LBP LKR "
    "LRD LSL LYD MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD OMR PAB PEN "
    "PGK PHP PKR PLN PYG QAR RON RSD RUB RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SYP SZL THB TJS "
    "TMT TND TOP TRY TTD TWD TZS UAH UGX USD UYU UZS VES VND VUV WST XAF XCD XOF XPF YER ZAR ZMW"
)
CURRENCIES = tuple(_CODES.split())
_WHOLE = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF"
_THOUSANDTHS = "BHD IQD JOD KWD LYD OMR TND"
_DIGITS = dict.fromkeys(_WHOLE.split(), 0) | dict.fromkeys(_THOUSANDTHS.split(), 3)
_SIGNS = {"EUR": "€", "GBP": "£", "USD": "$", "JPY": "¥", "INR": "₹", "ILS": "₪", "KRW": "₩", "UAH": "₴"}


def digits(currency: str) -> int:
    """How many digits amounts of a currency have after the point."""
    return _DIGITS.get(currency, 2)


def say_money(amount: Decimal | float | str, currency: str) -> str:
    """An amount for a sentence: '€1,234.50', 'CHF 12.00', '-£3.20', '¥500'."""
    step = Decimal(1).scaleb(-digits(currency))
    value = Decimal(str(amount)).quantize(step, ROUND_HALF_UP)
    sign = "-" if value < 0 else ""
    mark = _SIGNS.get(currency, f"{currency}\N{NO-BREAK SPACE}")
    return f"{sign}{mark}{abs(value):,}"
