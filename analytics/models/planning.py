"""Searches for a better order of work, and replays of the past with something changed."""

from django.conf import settings
from django.db import models

from analytics.models.backtests import RunState
from shop.models import ShopOwned

__all__ = ["OrderSearch", "Replay"]


class LongWork(ShopOwned):
    """Work in the background with progress, which can be stopped."""

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


class OrderSearch(LongWork):
    """A search for an order of the open jobs that keeps more of their dates; the owner takes it or not."""

    seed = models.PositiveBigIntegerField()
    backlog_digest = models.CharField(
        max_length=64, blank=True, help_text="SHA-256 of what it was searched on."
    )
    book = models.BinaryField(
        null=True, blank=True, help_text="What it is searched on, while it is under way."
    )
    taken_at = models.DateTimeField(null=True, blank=True)
    turns_before = models.JSONField(default=dict, help_text="Job key to turn before it was taken, to undo.")


class Replay(LongWork):
    """The last quarter again, with a machine, a person, hours or a process changed."""

    starts_on = models.DateField()
    ends_on = models.DateField()
    changes = models.JSONField(default=list, help_text="What is changed.")
    seed = models.PositiveBigIntegerField()
