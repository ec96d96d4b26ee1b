"""A recipe's settings in words, and its units. Pure.

One gram-force is 9.80665 mN exactly (standard acceleration of free fall, 3rd CGPM, 1901).
"""

from __future__ import annotations

from typing import Protocol

from shop.models import Units

N_PER_GF = 9.80665e-3


class Set(Protocol):
    """What has settings: a `Recipe` row."""

    @property
    def force_gf(self) -> int | None: ...
    @property
    def blade(self) -> str: ...
    @property
    def passes(self) -> int | None: ...
    @property
    def speed_mm_s(self) -> int | None: ...
    @property
    def heat_c(self) -> int | None: ...
    @property
    def print_mode(self) -> str: ...


def say_settings(recipe: Set, units: str) -> str:
    """'110 gf (1.08 N), 45° blade, 1 pass, 300 mm/s, 120 °C, 8-pass mode'; what is not known is left out."""
    parts = []
    if recipe.force_gf:
        parts.append(f"{recipe.force_gf:,} gf ({newtons(recipe.force_gf):.2f} N)")
    if recipe.blade:
        parts.append(recipe.blade if "blade" in recipe.blade.lower() else f"{recipe.blade} blade")
    if recipe.passes:
        parts.append("1 pass" if recipe.passes == 1 else f"{recipe.passes} passes")
    if recipe.speed_mm_s:
        parts.append(f"{recipe.speed_mm_s:,} mm/s")
    if recipe.heat_c:
        parts.append(say_heat(recipe.heat_c, units))
    if recipe.print_mode:
        parts.append(recipe.print_mode)
    return ", ".join(parts)


def newtons(force_gf: float) -> float:
    """Gram-force in newtons."""
    return force_gf * N_PER_GF


def say_heat(celsius: float, units: str) -> str:
    """'120 °C', '248 °F'."""
    return f"{round(heat_from_c(celsius, units))} {heat_unit(units)}"


def heat_unit(units: str) -> str:
    """'°C' or '°F'."""
    return "°F" if units == Units.IMPERIAL else "°C"


def heat_from_c(celsius: float, units: str) -> float:
    """Degrees Celsius in the shop's degrees."""
    return celsius * 9 / 5 + 32 if units == Units.IMPERIAL else celsius


def heat_to_c(heat: float, units: str) -> float:
    """The shop's degrees in degrees Celsius."""
    return (heat - 32) * 5 / 9 if units == Units.IMPERIAL else heat
