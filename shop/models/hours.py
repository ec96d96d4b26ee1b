"""When the shop is open."""

from django.core.validators import MaxValueValidator
from django.db import models

from shop.models.base import ShopOwned
from shop.models.people import Person


class Weekday(models.IntegerChoices):
    """Days as Python counts them."""

    MONDAY = 0
    TUESDAY = 1
    WEDNESDAY = 2
    THURSDAY = 3
    FRIDAY = 4
    SATURDAY = 5
    SUNDAY = 6


class OpeningHours(ShopOwned):
    """One window of one weekday, in the shop's wall time. Closing at 00:00 means midnight."""

    weekday = models.PositiveSmallIntegerField(choices=Weekday, validators=[MaxValueValidator(6)])
    opens = models.TimeField()
    closes = models.TimeField()

    class Meta:
        ordering = ["weekday", "opens"]
        verbose_name_plural = "opening hours"
        constraints = [models.UniqueConstraint("shop", "weekday", "opens", name="opening_once_per_day")]

    def __str__(self) -> str:
        return f"{self.get_weekday_display()} {self.opens:%H:%M}-{self.closes:%H:%M}"


class Closure(ShopOwned):
    """Whole days, ends included, on which the shop is closed, or on which one person is away."""

    starts_on = models.DateField()
    ends_on = models.DateField()
    person = models.ForeignKey(
        Person, null=True, blank=True, on_delete=models.CASCADE, related_name="absences"
    )
    reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["starts_on"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_on__gte=models.F("starts_on")), name="closure_not_reversed"
            )
        ]

    def __str__(self) -> str:
        return f"{self.starts_on} to {self.ends_on}"
