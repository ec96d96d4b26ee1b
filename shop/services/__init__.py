"""Writes to the shop's own facts: one verb, one function, one transaction."""

from shop.services.hours import weekday_hours_create
from shop.services.shops import revision_raise, shop_create, shop_update

__all__ = ["revision_raise", "shop_create", "shop_update", "weekday_hours_create"]
