"""Why a stage's forecast is what it is: the usual stage of its kind, and what moves this one away from it."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analytics.engine.durations import default_of, trouble_share
from analytics.engine.explain import Explanation, Move, Situation, explain
from analytics.engine.trade import TYPICAL, Part
from analytics.models import Sample
from analytics.selectors.backlog import stage_inputs
from analytics.selectors.job_forecast import JobForecast, StageRow
from analytics.selectors.models import Learned
from analytics.selectors.own_estimates import EstimateRecord, estimate_record
from analytics.selectors.stage_kinds import HOLD_WORD, PART_WORDS
from jobs.drivers import PLANNED
from jobs.models import Driver, Stage
from shop.models import Shop
from shop.units import say_area, say_long_length

LATEST = 200
"""The latest finished stages of a kind, which say what a usual one is."""

LEAST = 0.005
"""Of the usual minutes: what moves the middle by less is shown together with the rest."""

FIXED_NAMES = {"job_type": "Job type", "machine": "Machine", "person": "Person", PLANNED: "Your own estimate"}
SHARES = frozenset({"small_share"})


@dataclass(frozen=True)
class Usual:
    """The usual stage of a kind: drivers, and of how many finished stages; 0: the trade's typical ones."""

    drivers: Mapping[str, float]
    n: int


@dataclass(frozen=True)
class MoveRow:
    """What moved the middle: its name, its value in a usual stage and in this one, and by how many minutes."""

    name: str
    usual: str
    here: str
    minutes: float


@dataclass(frozen=True)
class PartReasons:
    """One part of the stage. default_min: what the trade formula says of it; None where it has none.

    trouble: the probability of running into trouble; None for a hold.
    """

    word: str
    p50: float
    p80: float
    explanation: Explanation
    moves: Sequence[MoveRow]
    usual: Usual
    default_min: float | None
    source: str
    trouble: float | None


@dataclass(frozen=True)
class StageReasons:
    """All that the page of one stage's forecast shows."""

    forecast: JobForecast
    row: StageRow
    parts: Sequence[PartReasons]
    estimates: EstimateRecord


def stage_reasons(forecast: JobForecast, row: StageRow, known: Learned) -> StageReasons:
    """Why the forecast of one of the job's stages is what it is."""
    job, stage = forecast.job, row.stage
    names = {driver.key: driver for driver in Driver.objects.of(job.shop)} if row.parts else {}
    usual = usual_stage(stage, names) if row.parts else Usual({}, 0)
    here = Situation(*stage_inputs(job, stage, row.machine))
    parts = [
        _part(stage, part.part, here, usual, known, _Words(job.shop, names, usual, here))
        for part in row.parts
    ]
    return StageReasons(forecast, row, parts, estimate_record(job.shop, stage.kind))


def usual_stage(stage: Stage, drivers: Mapping[str, Driver]) -> Usual:
    """What the latest finished stages of the kind were like: the geometric mean of each driver that half of them had,
    of a yes or no the commoner; the trade's typical values where none is finished. Prefetch `kind__ignores`."""
    ignores = {driver.key for driver in stage.kind.ignores.all()}
    samples = Sample.objects.of(stage.shop).filter(kind=stage.kind, used=True).exclude(stage=stage)
    rows = list(samples.order_by("-finished_at", "-stage_id").values_list("drivers", flat=True)[:LATEST])
    values: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        for key, value in row.items():
            values[key].append(float(value))
    if not rows:
        return Usual({key: value for key, value in TYPICAL.items() if key not in ignores}, 0)
    return Usual(
        {
            key: _typical(found, yes_no=key in drivers and drivers[key].is_yes_no)
            for key, found in sorted(values.items())
            if 2 * len(found) >= len(rows) and key not in ignores
        },
        len(rows),
    )


def _typical(values: Sequence[float], *, yes_no: bool) -> float:
    """The geometric mean; the mean where a value is not above 0; of a yes or no the commoner."""
    if yes_no:
        counts = Counter(values)
        return min(counts, key=lambda value: (-counts[value], value))
    if min(values) > 0:
        return math.exp(math.fsum(math.log(value) for value in values) / len(values))
    return math.fsum(values) / len(values)


def _part(
    stage: Stage, part: Part, here: Situation, usual: Usual, known: Learned, words: _Words
) -> PartReasons:
    key = stage.kind.key

    def middle(drivers: Mapping[str, float], categories: Mapping[str, str]) -> float:
        return float(known.forecast(key, part, drivers, categories).quantile(0.5))

    start = Situation(usual.drivers)
    found = explain(middle, start, here, least=LEAST * middle(start.drivers, {}))
    law = known.forecast(key, part, here.drivers, here.categories)
    state = known.state(key, part)
    default = default_of(state)
    return PartReasons(
        word=HOLD_WORD if stage.kind.is_hold else PART_WORDS[part],
        p50=float(law.quantile(0.5)),
        p80=float(law.quantile(0.8)),
        explanation=found,
        moves=[words.row(move) for move in found.moves],
        usual=usual,
        default_min=default.minutes(here.drivers) if default.components and law.minutes[-1] > 0.0 else None,
        source=default.source,
        trouble=None if stage.kind.is_hold else trouble_share(state),
    )


@dataclass(frozen=True)
class _Words:
    """Drivers and their values in the shop's words and units."""

    shop: Shop
    drivers: Mapping[str, Driver]
    usual: Usual
    here: Situation

    def row(self, move: Move) -> MoveRow:
        if len(move.names) > 1:
            names = ", ".join(self._name(name).lower() for name in move.names)
            return MoveRow(f"The rest ({names})", "", "", move.minutes)
        name = move.names[0]
        if name in self.here.categories:
            return MoveRow(self._name(name), "any", self.here.categories[name], move.minutes)
        usual, here = self.usual.drivers.get(name), self.here.drivers.get(name)
        return MoveRow(self._name(name), self._value(name, usual), self._value(name, here), move.minutes)

    def _name(self, key: str) -> str:
        return FIXED_NAMES.get(key) or (self.drivers[key].name if key in self.drivers else key)

    def _value(self, key: str, value: float | None) -> str:
        driver = self.drivers.get(key)
        if value is None:
            return "not given"
        if key in SHARES:
            return f"{value * 100:.0f} %"
        if driver is not None and driver.is_yes_no and value in (0, 1):
            return "yes" if value else "no"
        unit = driver.unit if driver is not None else ""
        if unit == "m²":
            return say_area(value, self.shop.units)
        if unit == "m":
            return say_long_length(value, self.shop.units)
        number = f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
        return f"{number} {unit}".strip()
