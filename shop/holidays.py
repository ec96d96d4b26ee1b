"""National holidays by country and region, from the `holidays` library. Pure: no database, no clock."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date
from difflib import get_close_matches
from functools import cache

import holidays
from holidays.registry import COUNTRIES

from shop.errors import BadInput

_SPELT = {
    "AlandIslands": "Åland Islands",
    "BonaireSintEustatiusAndSaba": "Bonaire, Sint Eustatius and Saba",
    "Curacao": "Curaçao",
    "DRCongo": "Congo (Democratic Republic)",
    "GuineaBissau": "Guinea-Bissau",
    "IvoryCoast": "Côte d’Ivoire",
    "Reunion": "Réunion",
    "SaintBarthelemy": "Saint Barthélemy",
    "SaoTomeAndPrincipe": "São Tomé and Príncipe",
    "TimorLeste": "Timor-Leste",
}
_ENGLISH = ("en_GB", "en_US")


@cache
def countries() -> dict[str, str]:
    """ISO 3166-1 alpha-2 code to English name, in the order of the names."""
    named = {codes[1]: _spell(codes[0]) for codes in COUNTRIES.values()}
    return dict(sorted(named.items(), key=lambda pair: pair[1].replace("Å", "A")))


@cache
def regions(country: str) -> dict[str, str]:
    """Subdivision code to name, for those of a country whose holidays differ; empty where none do.

    Raises BadInput for a country that is not known.
    """
    _check_country(country)
    calendar = holidays.country_holidays(country)
    names = {code: name for name, code in reversed(calendar.subdivisions_aliases.items())}
    return {code: names.get(code, code) for code in calendar.subdivisions}


def national_holidays(country: str, region: str, years: Iterable[int]) -> dict[date, str]:
    """Date to name of the public holidays of `years`, in order, in English where the source has it.

    country: ISO 3166-1 alpha-2, or empty for no holidays at all. region: a code of `regions(country)`, or
    empty for those of the whole country. Raises BadInput, naming the nearest matches.
    """
    if not country:
        return {}
    known = regions(country)
    if region and region not in known:
        raise BadInput(_no_such_region(country, region, known), field="holiday_region")
    wanted = sorted(set(years))
    found = holidays.country_holidays(
        country, subdiv=region or None, years=wanted, language=_english(country), expand=False
    )
    return {day: found[day] for day in sorted(found) if day.year in wanted}


@cache
def _english(country: str) -> str | None:
    offered = holidays.country_holidays(country).supported_languages
    return next((language for language in _ENGLISH if language in offered), None)


def _spell(name: str) -> str:
    """'TrinidadAndTobago' as 'Trinidad and Tobago'."""
    if name in _SPELT:
        return _SPELT[name]
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return re.sub(r" (And|Of|The) ", lambda match: match[0].lower(), words)


def _check_country(country: str) -> None:
    known = countries()
    if country in known:
        return
    near = _near(country, known)
    raise BadInput(
        f"No holidays are known for a country “{country}”. "
        + (f"Did you mean {near}?" if near else "Choose one from the list, or none."),
        field="holiday_country",
    )


def _no_such_region(country: str, region: str, known: dict[str, str]) -> str:
    place = countries()[country]
    if not known:
        return f"{place} has the same holidays everywhere: leave the region empty, not “{region}”."
    near = _near(region, known)
    remedy = f"Did you mean {near}?" if near else "Choose one from the list, or leave it empty."
    return f"{place} has no region “{region}”. {remedy}"


def _near(text: str, known: dict[str, str]) -> str:
    """The known entries whose code or name is most like `text`: 'Germany (DE) or Greece (GR)'."""
    by_words = {code.lower(): code for code in known} | {name.lower(): code for code, name in known.items()}
    found = [by_words[words] for words in get_close_matches(text.lower(), by_words, n=4, cutoff=0.5)]
    return " or ".join(f"{known[code]} ({code})" for code in list(dict.fromkeys(found))[:3])
