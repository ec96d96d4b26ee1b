"""What is derived from the stopwatch: samples, model states, aggregates; promises, plans and backtests."""

from analytics.models.addresses import OpenAddress, OpenPurpose
from analytics.models.backtests import BacktestRun, ForecastCase
from analytics.models.learning import AdoptedPrior, ModelState, Part, PooledState, Sample, StageDay
from analytics.models.long_work import LongWork, RunState
from analytics.models.planning import OrderSearch, Replay
from analytics.models.promises import Promise, WhyChanged
from analytics.models.watch import (
    JobOutlook,
    Listener,
    ListenerKind,
    Slip,
    SlipKind,
    Telling,
    TellingEvent,
    TellingState,
)

__all__ = [
    "AdoptedPrior",
    "BacktestRun",
    "ForecastCase",
    "JobOutlook",
    "Listener",
    "ListenerKind",
    "LongWork",
    "ModelState",
    "OpenAddress",
    "OpenPurpose",
    "OrderSearch",
    "Part",
    "PooledState",
    "Promise",
    "Replay",
    "RunState",
    "Sample",
    "Slip",
    "SlipKind",
    "StageDay",
    "Telling",
    "TellingEvent",
    "TellingState",
    "WhyChanged",
]
