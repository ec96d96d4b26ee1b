"""Reads of the shop's own facts."""

from shop.errors import BadInput
from shop.models import Shop


def shop_chosen(slug: str = "") -> Shop | None:
    """The shop that a command means: the one with this slug, or the only one; None where there is none at all.

    Raises BadInput naming the shops there are, for an unknown slug or where there are several and none is named.
    """
    shops = {shop.slug: shop for shop in Shop.objects.order_by("slug")}
    if not shops:
        return None
    if slug in shops:
        return shops[slug]
    names = ", ".join(shops)
    if slug:
        raise BadInput(f"There is no shop {slug!r}. There is: {names}.", field="shop")
    if len(shops) > 1:
        raise BadInput(f"Several shops are kept here. Say which: --shop with one of {names}.", field="shop")
    return next(iter(shops.values()))


def shop_required(slug: str = "") -> Shop:
    """`shop_chosen`, where one is needed: raises BadInput where there is none."""
    shop = shop_chosen(slug)
    if shop is None:
        raise BadInput(
            "There is no shop yet. Import a log with `manage.py import_timings FILE`, or start the program and "
            "set one up.",
            field="shop",
        )
    return shop
