"""Lengths, times and waits in the words of the pages of jobs."""

from jobs.routes import ATTENDED
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


def wait_words(name: str, moment: str) -> str:
    """What a stage waits for: 'after Print', 'once Print runs alone'."""
    return f"once {name} runs alone" if moment == ATTENDED else f"after {name}"
