"""The stages of a job with their minutes, as its date is shown with."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.selectors.laws import forecasts_of
from analytics.selectors.models import Learned
from analytics.selectors.open_jobs import OpenJob


@dataclass(frozen=True)
class StageOutlook:
    """A stage's minutes, hands-on and machine together, at 0.5 and 0.8; n: finished stages that it rests on.

    by_hand: mean minutes of all its people together.
    """

    name: str
    key: str
    position: int
    p50: float
    p80: float
    n: float
    is_default: bool
    is_hold: bool
    by_hand: float = 0.0


def stage_outlooks(one: OpenJob, known: Learned) -> tuple[StageOutlook, ...]:
    """The kept stages of a job, in the order of its route."""
    found = []
    for stage in one.kept.values():
        kind = stage.kind
        if kind.is_hold and stage.hold_min is not None:
            fixed = float(stage.hold_min)
            found.append(
                StageOutlook(
                    stage.name, kind.key, kind.position, fixed, fixed, 0, is_default=False, is_hold=True
                )
            )
            continue
        laws = forecasts_of(kind, one.inputs(stage), known)
        # Quantiles do not add up: the middle of the sum is beyond the sum of the middles.
        whole = known.together(*(law.forecast for law in laws)) if len(laws) == 2 else laws[0].forecast
        by_hand = sum(law.forecast.mean for law in laws if law.part == "hands_on") * kind.people
        found.append(
            StageOutlook(
                stage.name,
                kind.key,
                kind.position,
                float(whole.quantile(0.5)),
                float(whole.quantile(0.8)),
                whole.n,
                is_default=any(law.forecast.is_default for law in laws),
                is_hold=kind.is_hold,
                by_hand=0.0 if kind.is_hold else by_hand,
            )
        )
    return tuple(found)
