"""What every new shop starts with: stage kinds, drivers, causes, and job types with their routes.

All of it is common practice, no source, unless said; a shop changes it as it likes.
"""

import itertools
from dataclasses import dataclass

from jobs.models import (
    Attendance,
    Category,
    Cause,
    Driver,
    EdgeKind,
    JobType,
    Needed,
    RouteEdge,
    RouteStage,
    StageKind,
)
from shop.models import MachineKind, Shop, Skill

LOCAL_RULES = "Local codes and licensed practice come first."


@dataclass(frozen=True)
class StockStage:
    """A stock stage kind; `key` also names its trade default."""

    key: str
    name: str
    skill: str = ""
    category: Category = Category.WORK
    attendance: Attendance = Attendance.THROUGHOUT
    machine: str = ""
    people: int = 1
    hold_min: int | None = None
    caution: str = ""


STAGES = (
    StockStage("artwork", "Artwork", "Artwork", Category.SETUP),
    StockStage("approval", "Approval", category=Category.HOLD, attendance=Attendance.NOBODY),
    StockStage(
        "template",
        "Template",
        "Fitting",
        Category.SETUP,
        caution=f"On a vehicle or a ladder: brakes on, firm footing, no reaching out. {LOCAL_RULES}",
    ),
    StockStage(
        "load",
        "Load and set up",
        "Printing",
        Category.SETUP,
        machine=MachineKind.PRINTER,
        caution=f"A full roll is heavy: two people or a lift, close to the body. Keep fingers, hair and sleeves "
        f"out of rollers. {LOCAL_RULES}",
    ),
    StockStage(
        "print",
        "Print",
        "Printing",
        attendance=Attendance.START,
        machine=MachineKind.PRINTER,
        caution=f"Air the room against vapour. Keep uncured ink off skin and eyes: nitrile gloves, glasses. Never "
        f"look into a curing lamp or defeat its screen; heaters and dryers are hot. {LOCAL_RULES}",
    ),
    StockStage(
        "outgas",
        "Outgas",
        category=Category.HOLD,
        attendance=Attendance.NOBODY,
        caution=f"Solvent leaves the print: stand it loosely rolled in a well aired place, away from flames and "
        f"sparks. {LOCAL_RULES}",
    ),
    StockStage(
        "laminate",
        "Laminate",
        "Finishing",
        machine=MachineKind.LAMINATOR,
        caution=f"Nip point: no fingers, sleeves or lanyards near the rollers; a heated roller burns. {LOCAL_RULES}",
    ),
    StockStage(
        "cut",
        "Cut",
        "Finishing",
        attendance=Attendance.START,
        machine=MachineKind.CUTTER,
        caution=f"Blades: hands out of the carriage's path; change a blade with the machine off, and put the old "
        f"one in a sharps box. {LOCAL_RULES}",
    ),
    StockStage(
        "weed",
        "Weed",
        "Finishing",
        machine=MachineKind.BENCH,
        caution=f"Blade and pick: cut away from you and cap them when you put them down. {LOCAL_RULES}",
    ),
    StockStage("mask", "Mask", "Finishing", machine=MachineKind.BENCH),
    StockStage(
        "trim",
        "Trim",
        "Finishing",
        machine=MachineKind.BENCH,
        caution=f"Knife and straight-edge: a guarded rule, fingers behind it. {LOCAL_RULES}",
    ),
    StockStage("pack", "Pack", "Finishing", machine=MachineKind.BENCH),
    StockStage("travel", "Travel", "Fitting"),
    StockStage(
        "clean",
        "Clean the surface",
        "Fitting",
        Category.SETUP,
        caution=f"Solvent wipes: gloves, air, no flame, rags in a closed metal bin. {LOCAL_RULES}",
    ),
    StockStage(
        "install",
        "Install",
        "Fitting",
        caution=f"At height, use a platform rather than a ladder for anything long. A hot-air gun burns and lights "
        f"vapour. Before drilling or cutting, look for live electrics behind walls and in vehicles. "
        f"{LOCAL_RULES}",
    ),
)

DRIVERS = (
    ("area_m2", "Area", "m²"),
    ("cut_m", "Cut path", "m"),
    ("pieces", "Pieces", ""),
    ("panels", "Panels", ""),
    ("layers", "Ink layers", ""),
    ("passes", "Passes", ""),
    ("height_m", "Height", "m"),
)

CAUSES = (
    ("nozzle-clean", "Nozzle clean"),
    ("jam", "Jam or head strike"),
    ("blade", "Blade change"),
    ("re-measure", "Measure again"),
    ("fetch-material", "Fetch material"),
    ("customer", "Customer"),
    ("other-work", "Other work"),
    ("break", "Break"),
    ("other", "Other"),
)

HOLD_KEY = "outgas"
LAMINATE_KEY = "laminate"
PRINT_KEYS = ("load", "print")
_NEEDED = {
    "load": Needed.PRINTED,
    "print": Needed.PRINTED,
    HOLD_KEY: Needed.HELD,
    LAMINATE_KEY: Needed.LAMINATED,
    "approval": Needed.ON_REQUEST,
    "travel": Needed.ON_REQUEST,
}

_MAKE = ("artwork", "approval", "load", "print", HOLD_KEY, LAMINATE_KEY, "cut")
# Name, main line of the route, and (earlier, later) pairs that run beside it.
JOB_TYPES: tuple[tuple[str, tuple[str, ...], tuple[tuple[str, str, EdgeKind], ...]], ...] = (
    (
        "Vehicle graphics",
        (*_MAKE, "weed", "mask", "travel", "clean", "install"),
        (("print", "template", EdgeKind.ATTENDED), ("template", "install", EdgeKind.FINISH)),
    ),
    (
        "Wall graphics",
        (*_MAKE, "weed", "mask", "travel", "clean", "install"),
        (("artwork", "template", EdgeKind.FINISH), ("template", "install", EdgeKind.FINISH)),
    ),
    ("Window graphics", (*_MAKE, "weed", "mask", "travel", "clean", "install"), ()),
    ("Lettering", ("artwork", "approval", "cut", "weed", "mask", "pack"), ()),
    ("Labels and decals", (*_MAKE, "weed", "pack"), ()),
    (
        "Panel signs",
        ("artwork", "approval", "load", "print", HOLD_KEY, LAMINATE_KEY, "trim", "clean", "install", "pack"),
        (),
    ),
)


def stock_create(shop: Shop) -> None:
    """Make the stock rows of a new shop."""
    for key, name, unit in DRIVERS:
        Driver.objects.create(shop=shop, key=key, name=name, unit=unit, stock=True)
    for position, (key, name) in enumerate(CAUSES):
        Cause.objects.create(shop=shop, key=key, name=name, position=position, stock=True)
    kinds = _stage_kinds_create(shop)
    for name, line, beside in JOB_TYPES:
        _job_type_create(shop, kinds, name, line, beside)


def _stage_kinds_create(shop: Shop) -> dict[str, StageKind]:
    names = {stage.skill for stage in STAGES if stage.skill}
    skills = {name: Skill.objects.get_or_create(shop=shop, name=name)[0] for name in sorted(names)}
    return {
        stage.key: StageKind.objects.create(
            shop=shop,
            key=stage.key,
            name=stage.name,
            category=stage.category,
            attendance=stage.attendance,
            machine_kind=stage.machine,
            skill=skills.get(stage.skill),
            people=stage.people,
            hold_min=stage.hold_min,
            caution=stage.caution,
            position=position,
            stock=True,
        )
        for position, stage in enumerate(STAGES)
    }


def _job_type_create(
    shop: Shop,
    kinds: dict[str, StageKind],
    name: str,
    line: tuple[str, ...],
    beside: tuple[tuple[str, str, EdgeKind], ...],
) -> JobType:
    """Make a job type whose main line is `line`, with the side branches of `beside`."""
    job_type = JobType.objects.create(shop=shop, name=name)
    order = list(line) + [after for _, after, _ in beside if after not in line]
    nodes = {
        key: RouteStage.objects.create(
            shop=shop,
            job_type=job_type,
            kind=kinds[key],
            needed=_NEEDED.get(key, Needed.ALWAYS),
            position=position,
        )
        for position, key in enumerate(order)
    }
    edges = [(a, b, EdgeKind.FINISH) for a, b in itertools.pairwise(line)] + list(beside)
    for before, after, kind in edges:
        RouteEdge.objects.create(shop=shop, before=nodes[before], after=nodes[after], kind=kind)
    return job_type
