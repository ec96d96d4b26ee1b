"""A way of making a job in a sentence. Pure."""

from __future__ import annotations

from analytics.services.choices_ways import Way
from analytics.templatetags.analytics_words import duration
from shop.models import Shop
from shop.units import say_length


def say_takes(way: Way, shop: Shop) -> str:
    """What it takes of hands, machine, film, ink and money."""
    takes = way.materials
    said = [f"hands-on {duration(way.hands_on.half)}, eight in ten {duration(way.hands_on.most)}"]
    if way.machine.most:
        said.append(f"machine alone {duration(way.machine.half)}")
    if takes.film_m is not None:
        said.append(f"film {say_length(takes.film_m * 1000, shop.units)}")
    if takes.ink_ml:
        said.append(f"ink {takes.ink_ml:.0f} ml")
    if takes.cost is not None:
        without = f" without {', '.join(takes.unpriced)}" if takes.unpriced else ""
        said.append(f"cost {takes.cost} {shop.currency}{without}")
    return "; ".join(said) + "."
