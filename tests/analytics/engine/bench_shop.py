"""A shop of one person and one printer whose dates are added up by hand: 08:00 to 17:00, Monday to Friday."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, time

import numpy as np

from analytics.engine.book import BookedJob
from analytics.engine.forecast import PROBS
from analytics.engine.network import EdgeKind
from analytics.engine.plan import MachineSpec, MinutesSpec, PersonSpec, ShopSpec, StageSpec
from analytics.engine.work import OpenWork

MONDAY = datetime(2026, 11, 30, 8, 0, tzinfo=UTC)
DAY = 1440.0
PRINT, LIE, CUT = 1, 2, 3  # kinds of stage, and with 10 × (job + 1) before them the keys of stages
PRINTING, CUTTING = 1, 2  # skills


def fixed(minutes: float) -> MinutesSpec:
    return MinutesSpec(np.full(PROBS.size, minutes))


def about(minutes: float) -> MinutesSpec:
    """A law around so many minutes, log-normal with a relative spread of about a third."""
    from scipy.special import ndtri

    return MinutesSpec(minutes * np.exp(0.3 * ndtri(PROBS)))


def job(
    index: int, print_min: MinutesSpec, lie_min: float, cut_min: MinutesSpec, **facts: object
) -> list[StageSpec]:
    """Print, lie, cut. Without minutes to lie there is no such stage."""
    key = 10 * (index + 1)
    stages = [
        StageSpec(
            key + PRINT,
            index,
            PRINT,
            "Print",
            "printer",
            skill=PRINTING,
            skill_name="Printing",
            hands_on=print_min,
        ),
        StageSpec(key + LIE, index, LIE, "Lie", people=0, unattended=fixed(lie_min)),
        StageSpec(key + CUT, index, CUT, "Cut", skill=CUTTING, skill_name="Cutting", hands_on=cut_min),
    ]
    return [stage for stage in stages if lie_min or stage.kind != LIE]


def shop_spec(**facts: object) -> ShopSpec:
    spec = {
        "origin": MONDAY,
        "zone": "UTC",
        "hours": {day: [(time(8), time(17))] for day in range(5)},
        "closed": frozenset[date](),
        "people": (PersonSpec(1, "Ada", frozenset({PRINTING, CUTTING})),),
        "machines": (MachineSpec(1, "Printer", frozenset({"printer"})),),
    }
    return ShopSpec(**{**spec, **facts})  # type: ignore[arg-type]


def open_work(
    *jobs: list[StageSpec], target: int = 0, spec: ShopSpec | None = None, dues: tuple[float | None, ...] = ()
) -> OpenWork:
    """The stages of each job one after the other; job 101 is index 0."""
    stages = tuple(stage for one in jobs for stage in one)
    arrows = tuple(
        (a.key, b.key, EdgeKind.FINISH_TO_START, 0.0) for one in jobs for a, b in itertools.pairwise(one)
    )
    booked = tuple(
        BookedJob(101 + i, f"Job {101 + i}", dues[i] if i < len(dues) else None) for i in range(len(jobs))
    )
    return OpenWork(MONDAY, spec or shop_spec(), booked, stages, arrows, target, 60)
