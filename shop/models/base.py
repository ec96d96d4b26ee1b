"""What every row has: the shop that it belongs to."""

from __future__ import annotations

from typing import Any, Self, TypeVar

from django.db import models

from shop.errors import CrossShop
from shop.models.shop import Shop

Row = TypeVar("Row", bound="ShopOwned", covariant=True)


class ShopQuerySet(models.QuerySet[Row]):
    """Rows, asked for a shop at a time."""

    def of(self, shop: Shop) -> Self:
        """The rows of one shop."""
        return self.filter(shop=shop)


ShopOwnedManager = models.Manager.from_queryset(ShopQuerySet)


class ShopOwned(models.Model):
    """A row of one shop. It refuses to be saved with a reference to another shop's row."""

    shop = models.ForeignKey(Shop, on_delete=models.CASCADE, related_name="+")

    objects = ShopOwnedManager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Save, after looking at the shop of every row referred to."""
        self.check_one_shop()
        super().save(*args, **kwargs)

    def check_one_shop(self) -> None:
        """Raise `CrossShop` if a loaded related row belongs to another shop."""
        for field in self._meta.concrete_fields:
            if field.is_relation and field.name in self._state.fields_cache:
                other = getattr(self, field.name)
                if isinstance(other, ShopOwned) and other.shop_id != self.shop_id:
                    raise CrossShop(
                        f"That {field.verbose_name} does not belong to this shop.", field=field.name
                    )
