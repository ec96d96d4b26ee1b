"""Sizes and money on a page, in the shop's units and currency.

`{{ item.width_mm|shop_length:shop }}`  `{{ cut_m|shop_long_length:shop }}`  `{{ area_m2|shop_area:shop }}`
`{{ price|shop_money:shop }}`  `{{ film.price_per_m2|shop_price_per_area:shop }}`  `{{ shop.confidence|in_words }}`
"""

from decimal import Decimal

from django import template

from shop.models import Shop
from shop.money import say_money
from shop.units import area_unit, length_unit, price_from_m2, say_area, say_length, say_long_length
from shop.words import say_confidence

register = template.Library()


@register.filter
def shop_length(mm: float | None, shop: Shop) -> str:
    """Millimetres as '1,370 mm' or '53.94 in'; empty for none."""
    return "" if mm is None else say_length(mm, shop.units)


@register.filter
def shop_long_length(m: float | None, shop: Shop) -> str:
    """Metres as '2.4 m' or '7.9 ft'; empty for none."""
    return "" if m is None else say_long_length(m, shop.units)


@register.filter
def shop_area(m2: float | None, shop: Shop) -> str:
    """Square metres as '2.05 m²' or '22.07 ft²'; empty for none."""
    return "" if m2 is None else say_area(m2, shop.units)


@register.filter
def shop_money(amount: Decimal | float | None, shop: Shop) -> str:
    """An amount as '€12.50'; empty for none."""
    return "" if amount is None else say_money(amount, shop.currency)


@register.filter
def shop_price_per_area(price: Decimal | float | None, shop: Shop) -> str:
    """A price per square metre as '€6.50 per m²' or '$0.60 per ft²'; empty for none."""
    if price is None:
        return ""
    return f"{say_money(price_from_m2(float(price), shop.units), shop.currency)} per {area_unit(shop.units)}"


@register.filter
def unit_of(shop: Shop, quantity: str) -> str:
    """The shop's unit of a 'length' (of graphics), a 'long' one (rolls, paths) or an 'area'."""
    if quantity == "area":
        return area_unit(shop.units)
    return length_unit(shop.units, long=quantity == "long")


@register.filter
def in_words(confidence: float) -> str:
    """0.8 as 'eight times in ten'."""
    return say_confidence(confidence)
