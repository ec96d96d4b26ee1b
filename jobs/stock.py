"""What every new shop starts with: stage kinds with their elements, drivers, causes, and job types with their routes.

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
    Element,
    JobType,
    Needed,
    RouteEdge,
    RouteStage,
    StageKind,
)
from shop.models import MachineKind, Process, ProcessKind, Shop, Skill

LOCAL_RULES = "Local codes and licensed practice come first."

DELIVERY_KEY = "media-delivery"


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
    StockStage(
        "mask",
        "Mask",
        "Finishing",
        machine=MachineKind.BENCH,
        caution=f"Knife: a guarded rule, fingers behind it. A roll of tape is heavy: lift it with a straight back. "
        f"{LOCAL_RULES}",
    ),
    StockStage(
        "trim",
        "Trim",
        "Finishing",
        machine=MachineKind.BENCH,
        caution=f"Knife and straight-edge: a guarded rule, fingers behind it. {LOCAL_RULES}",
    ),
    StockStage(
        "pack",
        "Pack",
        "Finishing",
        machine=MachineKind.BENCH,
        caution=f"Panels and full boxes: two people, gloves against sharp edges, a straight back. Knife: cut away "
        f"from you. {LOCAL_RULES}",
    ),
    StockStage(
        "travel",
        "Travel",
        "Fitting",
        caution=f"Lift panels and ladders with two people and tie the load down. Solvents and gas ride shut and "
        f"upright, out of the cab. {LOCAL_RULES}",
    ),
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
    StockStage(DELIVERY_KEY, "Media delivery", category=Category.HOLD, attendance=Attendance.NOBODY),
)

DRIVERS = (
    ("area_m2", "Area", "m²"),
    ("cut_m", "Cut path", "m"),
    ("pieces", "Pieces", ""),
    ("panels", "Panels", ""),
    ("layers", "Ink layers", ""),
    ("passes", "Passes", ""),
    ("height_m", "Height", "m"),
    ("small_share", "Share of small letters", ""),
)


@dataclass(frozen=True)
class StockCause:
    """A stock cause, and where it is offered."""

    key: str
    name: str
    pauses: bool = True
    remakes: bool = False


CAUSES = (
    StockCause("nozzle-clean", "Nozzle clean"),
    StockCause("jam", "Jam or head strike"),
    StockCause("blade", "Blade change"),
    StockCause("re-measure", "Measure again"),
    StockCause("fetch-material", "Fetch material"),
    StockCause("customer", "Customer"),
    StockCause("other-work", "Other work"),
    StockCause("break", "Break"),
    StockCause("colour-wrong", "Colour wrong", pauses=False, remakes=True),
    StockCause("print-fault", "Print fault", pauses=False, remakes=True),
    StockCause("cut-wrong", "Cut wrong or off the marks", pauses=False, remakes=True),
    StockCause("lifted", "Lifted or torn when weeding", pauses=False, remakes=True),
    StockCause("measured-wrong", "Measured wrong", pauses=False, remakes=True),
    StockCause("damaged-fitting", "Damaged when fitting", pauses=False, remakes=True),
    StockCause("customer-changed", "Customer changed it", pauses=False, remakes=True),
    StockCause("other", "Other", remakes=True),
)

# By the key of the kind of stage: its elements in order.
ELEMENTS = {
    "load": ("Load roll", "Nozzle check", "Heat up"),
    "laminate": ("Set rollers", "Load laminate", "Feed through"),
    "cut": ("Load", "Register marks", "Cut test", "Cut"),
    "weed": ("Cut apart", "Weed", "Check pieces"),
    "install": ("Mark out", "Position", "Apply", "Edges and seams"),
}

HOLD_KEY = "outgas"
LAMINATE_KEY = "laminate"
ON_SITE_KEYS = ("clean", "install")
"""Done at the customer's, where a job has times for that."""
PRINT_KEYS = ("load", "print")
FILM_KEYS = ("load", "cut")
"""The stages that film goes into first: printed, or cut as it is."""
_NEEDED = {
    "load": Needed.PRINTED,
    "print": Needed.PRINTED,
    HOLD_KEY: Needed.HELD,
    LAMINATE_KEY: Needed.LAMINATED,
    "approval": Needed.ON_REQUEST,
    DELIVERY_KEY: Needed.ON_REQUEST,
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


UNSUITED: tuple[tuple[str, tuple[ProcessKind, ...]], ...] = (
    # Cured UV ink is stiff: stretched over curves and into recesses it cracks and lifts.
    ("Vehicle graphics", (ProcessKind.UV,)),
)
"""Job types with the processes that do not suit them. A shop whose ink or work is another says so itself."""


def stock_create(shop: Shop) -> None:
    """Make the stock rows of a new shop."""
    Driver.objects.bulk_create(
        Driver(shop=shop, key=key, name=name, unit=unit, stock=True) for key, name, unit in DRIVERS
    )
    Cause.objects.bulk_create(
        Cause(
            shop=shop,
            key=cause.key,
            name=cause.name,
            position=position,
            pauses=cause.pauses,
            remakes=cause.remakes,
            stock=True,
        )
        for position, cause in enumerate(CAUSES)
    )
    kinds = _stage_kinds_create(shop)
    Element.objects.bulk_create(
        Element(shop=shop, kind=kinds[key], name=name, position=position)
        for key, names in ELEMENTS.items()
        for position, name in enumerate(names)
    )
    _job_types_create(shop, kinds)
    for name, processes in UNSUITED:
        job_type = JobType.objects.of(shop).get(name=name)
        job_type.unsuited.set(Process.objects.of(shop).filter(kind__in=processes))


def _stage_kinds_create(shop: Shop) -> dict[str, StageKind]:
    names = {stage.skill for stage in STAGES if stage.skill}
    skills = {name: Skill.objects.get_or_create(shop=shop, name=name)[0] for name in sorted(names)}
    kinds = StageKind.objects.bulk_create(
        StageKind(
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
            on_site=stage.key in ON_SITE_KEYS,
            position=position,
            stock=True,
        )
        for position, stage in enumerate(STAGES)
    )
    return {kind.key: kind for kind in kinds}


def _job_types_create(shop: Shop, kinds: dict[str, StageKind]) -> None:
    """Make the job types, each with its main line and the branches beside it.

    Film that must be ordered is waited for before the first stage that it goes into.
    """
    job_types = JobType.objects.bulk_create(JobType(shop=shop, name=name) for name, _, _ in JOB_TYPES)
    nodes: list[dict[str, RouteStage]] = []
    edges: list[RouteEdge] = []
    for job_type, (_, line, branches) in zip(job_types, JOB_TYPES, strict=True):
        film = next(key for key in line if key in FILM_KEYS)
        beside = (*branches, (DELIVERY_KEY, film, EdgeKind.FINISH))
        order = dict.fromkeys([*line, *(key for before, after, _ in beside for key in (before, after))])
        mine = {
            key: RouteStage(
                shop=shop,
                job_type=job_type,
                kind=kinds[key],
                needed=_NEEDED.get(key, Needed.ALWAYS),
                position=position,
            )
            for position, key in enumerate(order)
        }
        nodes.append(mine)
        arrows = [(a, b, EdgeKind.FINISH) for a, b in itertools.pairwise(line)] + list(beside)
        edges += [RouteEdge(shop=shop, before=mine[a], after=mine[b], kind=kind) for a, b, kind in arrows]
    RouteStage.objects.bulk_create(node for mine in nodes for node in mine.values())
    for edge in edges:  # their nodes have keys only now
        edge.before_id, edge.after_id = edge.before.pk, edge.after.pk
    RouteEdge.objects.bulk_create(edges)
