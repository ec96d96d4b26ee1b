"""Dates given to customers, with what they were made from."""

from django.conf import settings
from django.db import models

from jobs.models import Job
from shop.models import ShopOwned


class WhyChanged(models.TextChoices):
    """Who moved a date that was given."""

    CUSTOMER = "customer", "The customer asked for it"
    SHOP = "shop", "We could not keep it"
    SOONER = "sooner", "It can be sooner"


class Promise(ShopOwned):
    """A date given at a stated confidence. Kept or broken is read off the job.

    Never deleted: one that is taken back stays, and one that is changed is named by the one in its place.
    """

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="promises")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    confidence = models.FloatField()
    level = models.FloatField(
        null=True, blank=True, help_text="The quantile that the date was read off at; empty: the confidence."
    )
    promised_at = models.DateTimeField()
    error_min = models.FloatField(
        null=True,
        blank=True,
        help_text="Half the width of its 95 % interval, working minutes, from the draws.",
    )
    put_first = models.BooleanField(default=False, help_text="Given as a rush, ahead of what waits.")
    replaces = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="replaced_by"
    )
    why_changed = models.CharField(max_length=8, choices=WhyChanged, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    quantiles = models.JSONField(help_text="Confidence to ISO 8601 instant of the finish.")
    quote = models.JSONField(help_text="What was asked.")
    seed = models.PositiveBigIntegerField()
    runs = models.PositiveIntegerField(help_text="Futures drawn.")
    model_version = models.CharField(max_length=40)
    backlog_digest = models.CharField(max_length=64, help_text="SHA-256 of the simulation's input.")
    snapshot = models.BinaryField(help_text="The simulation's input, to compute the same answer again.")

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(confidence__gt=0, confidence__lt=1), name="promise_confidence_in_range"
            )
        ]

    def __str__(self) -> str:
        return f"{self.job} by {self.promised_at:%Y-%m-%d %H:%M}"
