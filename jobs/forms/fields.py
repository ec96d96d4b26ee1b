"""Lengths, times and waits in the words of the pages of jobs."""

import math
import re

from jobs.routes import ATTENDED
from shop.errors import BadInput
from shop.units import write_length


def say_length(mm: float, unit: str) -> str:
    """Millimetres for a sentence: '1,370 mm', '53.94 in'."""
    whole, dot, part = write_length(mm, unit).partition(".")
    return f"{int(whole):,}{dot}{part} {unit}"


def say_minutes(minutes: int | None) -> str:
    """Minutes in words: '24 h', '1 h 30 min'; empty for none."""
    if not minutes:
        return ""
    hours, rest = divmod(minutes, 60)
    return " ".join([*([f"{hours} h"] if hours else []), *([f"{rest} min"] if rest else [])])


_CLOCK = re.compile(r"(?P<hours>\d{1,4}):(?P<minutes>[0-5]\d)")
_WORDS = re.compile(
    r"(?:(?P<hours>\d+(?:[.,]\d+)?)\s*(?:h|hr|hrs|hour|hours))?\s*"
    r"(?:(?P<minutes>\d+(?:[.,]\d+)?)\s*(?:m|min|mins|minute|minutes)?)?",
    re.IGNORECASE,
)


def read_minutes(text: str) -> float:
    """Minutes of '45', '45 min', '1:30', '1 h 30' or '1.5 h'. Raises BadInput (field `minutes`)."""
    text = text.strip()
    found = _CLOCK.fullmatch(text) or _WORDS.fullmatch(text)
    if not text or found is None:
        said = f"“{text[:40]}” is no length of time. " if text else ""
        raise BadInput(
            f"{said}Give minutes, as 45, or hours and minutes, as 1:30 or 1 h 30.", field="minutes"
        )
    hours, minutes = (float((found[name] or "0").replace(",", ".")) for name in ("hours", "minutes"))
    total = 60 * hours + minutes
    return total if math.isfinite(total) else math.inf


def wait_words(name: str, moment: str) -> str:
    """What a stage waits for: 'after Print', 'once Print runs alone'."""
    return f"once {name} runs alone" if moment == ATTENDED else f"after {name}"
