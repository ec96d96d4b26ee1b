"""Walks through a shop's own past, and every forecast that was made on the way."""

from django.db import models

from analytics.models.long_work import LongWork
from jobs.models import Job, JobType, Stage, StageKind
from shop.models import ShopOwned

__all__ = ["BacktestRun", "ForecastCase"]


class BacktestRun(LongWork):
    """One walk forward in time: each job forecast from the jobs before it, then learned. It counts by jobs."""

    first = models.PositiveIntegerField(default=5, help_text="Forecasts begin after so many finished jobs.")
    scored_from = models.DateField(
        null=True, blank=True, help_text="Only jobs finished on or after are scored."
    )
    scored_to = models.DateField(null=True, blank=True, help_text="The last day that is walked.")
    leave_out = models.JSONField(
        default=list, blank=True, help_text="Drivers that the forecasts may not know."
    )
    checkpoint = models.JSONField(default=dict, help_text="What had been learned when it last got on.")


class ForecastCase(ShopOwned):
    """One forecast of a walk, made before its job was read, with what then happened. Minutes."""

    run = models.ForeignKey(BacktestRun, on_delete=models.CASCADE, related_name="cases")
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="+")
    job_type = models.ForeignKey(JobType, on_delete=models.CASCADE, related_name="+")
    stage = models.ForeignKey(Stage, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    kind = models.ForeignKey(StageKind, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    finished_at = models.DateTimeField()
    quantiles = models.JSONField(
        help_text="Minutes at the probabilities of the backtest's forecasts, in order."
    )
    actual_min = models.FloatField()
    planned_min = models.FloatField(null=True, blank=True, help_text="What the person had estimated.")
    pit = models.FloatField(null=True, blank=True, help_text="Where the minutes fell in the forecast, 0..1.")
    crps = models.FloatField(null=True, blank=True)
    crps_mean = models.FloatField(null=True, blank=True, help_text="Of the mean of the past and a quarter.")
    crps_past = models.FloatField(null=True, blank=True, help_text="Of the past's own quantiles.")
    used = models.BooleanField(default=True, help_text="Whether it is scored.")
    why = models.CharField(max_length=250, blank=True)

    class Meta:
        ordering = ["finished_at", "pk"]
        indexes = [models.Index("run", "kind", name="case_by_kind")]

    def __str__(self) -> str:
        return f"{self.kind or 'job total'}: {self.actual_min:.1f} min"
