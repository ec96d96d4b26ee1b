"""The drivers that a job is given by itself: each known to its shop, and of its sort."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from jobs.drivers import PLANNED
from jobs.models import Driver
from shop.errors import BadInput
from shop.models import Shop

Given = Mapping[str, float | str]


def checked_drivers(shop: Shop, drivers: Given, own: Given | None = None) -> dict[str, float | str]:
    """The drivers as they are kept: numbers, 1 or 0 for a yes or no, and words.

    own: what the job had before, which it may keep whatever the shop chooses from now. Raises BadInput
    (field `drivers.<key>`).
    """
    known = {driver.key: driver for driver in Driver.objects.of(shop)}
    return {key: _checked(known, key, value, own or {}) for key, value in drivers.items()}


def _checked(known: Mapping[str, Driver], key: str, value: float | str, own: Given) -> float | str:
    driver = known.get(key)
    if driver is None:
        raise BadInput(
            f"The shop has no driver {key!r}. It has: {', '.join(sorted(known))}.", field=f"drivers.{key}"
        )
    if key == PLANNED:
        raise BadInput(
            f"{driver.name} is given for a stage, not for a whole job. Write it at the stage on the job's page.",
            field=f"drivers.{key}",
        )
    if key in own and own[key] == value:
        return own[key]
    if driver.is_category:
        return _word(driver, value)
    return _yes_no(driver, value) if driver.is_yes_no else _number(driver, value)


def _word(driver: Driver, value: float | str) -> str:
    if not isinstance(value, str):
        raise BadInput(f"{driver.name} is a word, not {value!r}.", field=f"drivers.{driver.key}")
    if not driver.levels or not value:
        return value
    same = next((level for level in driver.levels if level.lower() == value.lower()), None)
    if same is None:
        raise BadInput(
            f"{driver.name} is {value!r}. Choose of: {', '.join(driver.levels)}; or add the word under Drivers.",
            field=f"drivers.{driver.key}",
        )
    return str(same)


def _yes_no(driver: Driver, value: float | str) -> float:
    if isinstance(value, str) or value not in (0, 1):
        raise BadInput(
            f"{driver.name} is {value!r}. Give 1 for yes or 0 for no, or leave it out.",
            field=f"drivers.{driver.key}",
        )
    return float(value)


def _number(driver: Driver, value: float | str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= sys.float_info.max:
        raise BadInput(
            f"{driver.name} is {value!r}. Give a number of 0 or more, or leave it empty.",
            field=f"drivers.{driver.key}",
        )
    return value
