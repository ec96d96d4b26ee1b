"""Searches for a better order of work, and replays of the past with something changed."""

from django.db import models

from analytics.models.long_work import LongWork

__all__ = ["OrderSearch", "Replay"]


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
