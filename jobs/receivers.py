"""What happens in jobs when something happens in the shop."""

from typing import Any

from django.dispatch import receiver

from jobs.stock import stock_create
from shop.models import Shop
from shop.signals import shop_created


@receiver(shop_created)
def stock_new_shop(shop: Shop, **_: Any) -> None:
    """Give a new shop the stock stage kinds, drivers, causes and job types."""
    stock_create(shop)
