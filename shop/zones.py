"""Time zones by their IANA names. Pure."""

from difflib import get_close_matches
from functools import cache
from zoneinfo import available_timezones

from shop.errors import BadInput

_PLACES = (
    "Africa",
    "America",
    "Antarctica",
    "Arctic",
    "Asia",
    "Atlantic",
    "Australia",
    "Europe",
    "Indian",
    "Pacific",
)


@cache
def zone_names() -> tuple[str, ...]:
    """The zones named after places, and UTC."""
    places = (name for name in available_timezones() if name.split("/")[0] in _PLACES)
    return (*sorted(places), "UTC")


def zone_named(text: str) -> str:
    """The zone that `text` names, whatever its capitals: 'europe/berlin', or its city alone, 'Berlin'.

    Raises BadInput with the nearest names.
    """
    wanted = "_".join(text.split()).lower()
    whole = {name.lower(): name for name in available_timezones()}
    if wanted in whole:
        return whole[wanted]
    cities = {name.rpartition("/")[2].lower(): name for name in zone_names()}
    if wanted in cities:
        return cities[wanted]
    near = [cities.get(word) or whole[word] for word in get_close_matches(wanted, {**whole, **cities}, n=3)]
    told = f"Did you mean {' or '.join(near)}?" if near else "Choose one from the list, as Europe/London."
    raise BadInput(f"“{text}” is not a time zone. {told}", field="time_zone")
