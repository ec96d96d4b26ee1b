"""How the pages of an import put things: the choices for a column, what is new, how far it is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from jobs.importing.columns import LEFT_OUT, NEW_CATEGORY, NEW_QUANTITY, KnownDriver
from jobs.importing.reading import OWN_ESTIMATE, WORDS
from jobs.models import DraftState, ImportDraft
from jobs.services.importing import STEPS
from jobs.services.taking_back import STEPS_BACK

NAMES_SHOWN = 12

Choices = list[tuple[str, list[tuple[str, str]]]]
"""Groups of choices: a heading, and pairs of what is sent and what is read."""

_ONE = {
    "job types": "job type",
    "stage kinds": "kind of stage",
    "people": "person",
    "machines": "machine",
    "drivers": "quantity",
    "categories": "category",
    "routes": "route, read off the jobs",
}
_MANY = {
    "stage kinds": "kinds of stage",
    "drivers": "quantities",
    "routes": "routes, read off the jobs",
}


@dataclass(frozen=True)
class Column:
    """A column of the file as the form shows it."""

    index: int
    label: str
    examples: Sequence[str]
    reading: str
    choices: Choices


@dataclass(frozen=True)
class MadeLine:
    """One sort of new things. more: how many names are not shown."""

    count: int
    what: str
    names: Sequence[str]
    more: int


def column_choices(drivers: Sequence[KnownDriver]) -> Choices:
    """What a column may be read as."""
    own = [] if any(driver.reading == OWN_ESTIMATE.reading for driver in drivers) else [OWN_ESTIMATE]
    shop = [
        (driver.reading, f"{driver.name}, {driver.unit}" if driver.unit else driver.name)
        for driver in [*drivers, *own]
    ]
    return [
        ("Leave it", [(LEFT_OUT, "left out")]),
        ("What was clocked", list(WORDS.items())),
        ("What the time depends on", shop),
        ("Something new", [(NEW_QUANTITY, "a new quantity"), (NEW_CATEGORY, "a new category")]),
    ]


def made_lines(made: Iterable[tuple[str, int, Sequence[str]]]) -> list[MadeLine]:
    """What is new, a line for each sort. made: of what kind, how many, and the first names."""
    lines = []
    for what, count, names in made:
        word = _ONE.get(what, what) if count == 1 else _MANY.get(what, what)
        lines.append(MadeLine(count, word, names[:NAMES_SHOWN], max(0, count - NAMES_SHOWN)))
    return lines


def steps_of(draft: ImportDraft) -> list[tuple[str, str, str]]:
    """The steps of bringing in or taking back: each with its state ('done', 'now', '') and, of that in hand, more."""
    name, _, detail = draft.step.partition(": ")
    if draft.state == DraftState.DONE:
        return [(step, "done", "") for step in STEPS]
    steps = STEPS_BACK if draft.state == DraftState.TAKING else STEPS
    now = steps.index(name) if name in steps else -1
    return [
        (step, "done" if i < now else "now" if i == now else "", detail if i == now else "")
        for i, step in enumerate(steps)
    ]
