"""Public holidays of a country and region."""

from collections.abc import Iterable
from datetime import date
from difflib import get_close_matches

import holidays

from shop.errors import BadInput


def national_holidays(country: str, region: str, years: Iterable[int]) -> dict[date, str]:
    """Date to name of the public holidays in these years.

    country: ISO 3166 code. region: ISO 3166-2 subdivision without the country, or empty. Raises BadInput for an
    unknown one, with what may have been meant.
    """
    known = holidays.list_supported_countries(include_aliases=False)
    if country not in known:
        raise BadInput(
            f"No holidays are known for the country {country!r}.{_meant(country, known)} Use a code as GB or DE, "
            "or none and enter closures by hand.",
            field="holiday_country",
        )
    if region and region not in known[country]:
        raise BadInput(
            f"{country} has no region {region!r}.{_meant(region, known[country])} Regions: "
            f"{', '.join(known[country]) or 'none'}.",
            field="holiday_region",
        )
    found = holidays.country_holidays(country, subdiv=region or None, years=list(years))
    return dict(sorted(found.items()))


def _meant(word: str, known: Iterable[str]) -> str:
    close = get_close_matches(word.upper(), list(known), n=3, cutoff=0.4)
    return f" Did you mean {' or '.join(close)}?" if close else ""
