"""Walks through a shop's own past, and every forecast that was made on the way."""

from django.conf import settings
from django.db import models

from jobs.models import Job, JobType, Stage, StageKind
from shop.models import ShopOwned

__all__ = ["BacktestRun", "ForecastCase", "RunState"]


class RunState(models.TextChoices):
    """Where a walk is."""

    WANTED = "wanted", "Waits for its turn"
    RUNNING = "running", "Running"
    STOPPED = "stopped", "Stopped"
    DONE = "done", "Done"
    FAILED = "failed", "Failed"


class BacktestRun(ShopOwned):
    """One walk forward in time: each job forecast from the jobs before it, then learned."""

    state = models.CharField(max_length=8, choices=RunState, default=RunState.WANTED)
    first = models.PositiveIntegerField(default=5, help_text="Forecasts begin after so many finished jobs.")
    scored_from = models.DateField(
        null=True, blank=True, help_text="Only jobs finished on or after are scored."
    )
    scored_to = models.DateField(null=True, blank=True, help_text="The last day that is walked.")
    leave_out = models.JSONField(
        default=list, blank=True, help_text="Drivers that the forecasts may not know."
    )
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    started_at = models.DateTimeField(null=True, blank=True)
    beat_at = models.DateTimeField(null=True, blank=True, help_text="When it last got on.")
    ended_at = models.DateTimeField(null=True, blank=True)
    jobs_done = models.PositiveIntegerField(default=0)
    jobs_total = models.PositiveIntegerField(default=0)
    checkpoint = models.JSONField(default=dict, help_text="What had been learned when it last got on.")
    result = models.JSONField(default=dict, help_text="The backtest's scores.")
    error = models.TextField(blank=True)

    class Meta:
        ordering = ["-asked_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.asked_at:%Y-%m-%d %H:%M}, {self.get_state_display()}"


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
