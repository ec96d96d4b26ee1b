"""What is derived from the stopwatch: samples, model states, aggregates; and promises."""

from analytics.models.learning import ModelState, Part, PooledState, Sample, StageDay
from analytics.models.promises import Promise

__all__ = ["ModelState", "Part", "PooledState", "Promise", "Sample", "StageDay"]
