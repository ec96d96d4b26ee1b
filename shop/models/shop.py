"""The business itself."""

from datetime import datetime
from zoneinfo import ZoneInfo

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils import timezone


class Units(models.TextChoices):
    """How sizes are shown. They are kept in millimetres and metres."""

    METRIC = "metric", "Metric (mm, m²)"
    IMPERIAL = "imperial", "Imperial (in, ft²)"


class Shop(models.Model):
    """One business. Every other row belongs to one."""

    slug = models.SlugField(unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="UTC", help_text="An IANA zone, as Europe/London.")
    units = models.CharField(max_length=8, choices=Units, default=Units.METRIC)
    currency = models.CharField(max_length=3, default="EUR", help_text="An ISO 4217 code, as EUR or USD.")
    holiday_country = models.CharField(
        max_length=2, blank=True, help_text="An ISO 3166 code; empty for none."
    )
    holiday_region = models.CharField(max_length=12, blank=True, help_text="An ISO 3166-2 subdivision.")
    confidence = models.FloatField(
        default=0.8,
        validators=[MinValueValidator(0.5), MaxValueValidator(0.99)],
        help_text="How often a promised date is to be kept: 0.8 is eight times in ten.",
    )
    labour_per_hour = models.DecimalField(max_digits=8, decimal_places=2, default=0)
    address = models.URLField(
        blank=True,
        help_text="Where phones reach this program, as http://192.168.1.20:8000: the ticket's code.",
    )
    names_after_min = models.PositiveSmallIntegerField(
        default=3,
        validators=[MinValueValidator(1), MaxValueValidator(240)],
        help_text="Minutes without a press after which a shared tablet asks for the name again.",
    )
    shares_learning = models.BooleanField(
        default=False,
        help_text="Whether this shop gives what its rates are to the other shops here that do so too, and takes "
        "theirs as its starting point. No row, job, customer or name leaves it.",
    )
    roll_change_min = models.PositiveSmallIntegerField(
        default=0,
        help_text="Minutes for putting another film on a machine, where the clocked set-up does not hold them.",
    )
    expects_arrivals = models.BooleanField(
        default=True,
        help_text="Whether a date allows for work that is likely to come in later, as it did in the past.",
    )
    confidence_follows = models.BooleanField(
        default=False,
        help_text="Whether dates are set by how often those before them were kept, so that the stated odds hold.",
    )
    is_demo = models.BooleanField(default=False)
    # Raised by every write that a live page may show; it is the pages' ETag.
    revision = models.PositiveBigIntegerField(default=0)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(confidence__gte=0.5, confidence__lte=0.99), name="shop_confidence_in_range"
            )
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> ZoneInfo:
        """The shop's time zone."""
        return ZoneInfo(self.time_zone)

    def local(self, instant: datetime) -> datetime:
        """An aware instant on the shop's wall clock."""
        return instant.astimezone(self.zone)
