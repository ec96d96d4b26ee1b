"""Work in the background that takes its time: walks through the past, searches for an order, replays."""

from django.conf import settings
from django.db import models

from shop.models import ShopOwned

__all__ = ["LongWork", "RunState"]


class RunState(models.TextChoices):
    """Where it is."""

    WANTED = "wanted", "Waits for its turn"
    RUNNING = "running", "Running"
    STOPPED = "stopped", "Stopped"
    DONE = "done", "Done"
    FAILED = "failed", "Failed"


class LongWork(ShopOwned):
    """Work in the background with progress, which can be stopped and taken up again.

    done, total: in what it counts by: jobs, looks at an order, rounds.
    """

    state = models.CharField(max_length=8, choices=RunState, default=RunState.WANTED)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    started_at = models.DateTimeField(null=True, blank=True)
    beat_at = models.DateTimeField(null=True, blank=True, help_text="When it last got on.")
    ended_at = models.DateTimeField(null=True, blank=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    result = models.JSONField(default=dict)
    error = models.TextField(blank=True)

    class Meta:
        abstract = True
        ordering = ["-asked_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.asked_at:%Y-%m-%d %H:%M}, {self.get_state_display()}"

    @property
    def is_under_way(self) -> bool:
        """Whether it waits for its turn or runs."""
        return self.state in (RunState.WANTED, RunState.RUNNING)

    @property
    def may_go_on(self) -> bool:
        """Whether it rests, and can be taken up again."""
        return self.state in (RunState.STOPPED, RunState.FAILED)
