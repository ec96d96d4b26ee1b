"""Readiness checks that are usual for a machine, by its kind and by how it puts ink on.

All of it is common practice, no source; a shop changes it as it likes.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from jobs.stock import LOCAL_RULES
from shop.models import Machine, MachineKind, ProcessKind

STOOD = 72
"""Hours: three days idle."""

_INK = "Uncured ink: nitrile gloves and glasses, and air the room."
_BLADE = "Blades: machine off before a blade is changed, hands out of the carriage’s path, old blades in a sharps box."
_LAMP = "Never look into a curing lamp or defeat its screen."
_ROLLERS = "Hot rollers and a nip point: let them cool, no fingers, sleeves or lanyards near them."
_HEAT = "Heaters and dryers are hot."


@dataclass(frozen=True)
class StockCheck:
    """A usual check. processes: of printers, those that it is usual for; empty for any."""

    name: str
    idle_hours: int
    if_bad: str
    cautions: tuple[str, ...]
    processes: tuple[ProcessKind, ...] = ()


PRINTER_CHECKS = (
    StockCheck(
        "Agitate the white ink",
        STOOD,
        "Agitate again, and purge until the white comes evenly. Still patchy: change it, or print without white.",
        (_INK,),
        (ProcessKind.UV, ProcessKind.SOLVENT),
    ),
    StockCheck(
        "Nozzle check",
        0,
        "Clean the heads once and check again. After two cleans in a row let it rest for an hour.",
        (_INK,),
    ),
    StockCheck(
        "Clean if needed, check again",
        STOOD,
        "A second clean, then check again. Still gaps: leave it for an hour, then see the maker’s book.",
        (_INK,),
    ),
)
CUTTER_CHECKS = (
    StockCheck(
        "Cut test",
        STOOD,
        "Cuts the liner: less force. Does not weed: more force, by 5 to 10 gf at a time, or a new blade. Then cut a "
        "test again.",
        (_BLADE,),
    ),
)
LAMINATOR_CHECKS = (
    StockCheck(
        "Rollers clean and even",
        STOOD,
        "Wipe the rollers once they are cold, set the pressure evenly, run a strip of scrap through and look again.",
        (_ROLLERS,),
    ),
)


def usual_checks(machine: Machine, processes: Collection[str]) -> list[StockCheck]:
    """The checks usual for a machine, in order. processes: the kinds of process that it prints with.

    A bench has none.
    """
    does = MachineKind(machine.kind).does
    found: list[StockCheck] = []
    if MachineKind.PRINTER in does:
        found += [c for c in PRINTER_CHECKS if not c.processes or set(c.processes) & set(processes)]
    if MachineKind.CUTTER in does:
        found += CUTTER_CHECKS
    if MachineKind.LAMINATOR in does:
        found += LAMINATOR_CHECKS
    return found


def caution_of(check: StockCheck, processes: Collection[str]) -> str:
    """What to take care of, with the lamps or heaters of how the machine prints; local codes come first."""
    parts = list(check.cautions)
    if _INK in parts and ProcessKind.UV in processes:
        parts.append(_LAMP)
    if _INK in parts and {ProcessKind.SOLVENT, ProcessKind.LATEX} & set(processes):
        parts.append(_HEAT)
    return " ".join([*parts, LOCAL_RULES])
